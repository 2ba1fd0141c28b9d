"""How numbers and places are put into words: one form each for the page, the figures and the terminal."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence

NO_VALUE = "–"
LONGEST_PART = 48
IDENTIFIER = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.\-]*")

_NOT_PRINTABLE = re.compile(
    r"[^\t\n\r\x20-\x7e\xa0-\u2029\u202f-\u2065\u206a-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]"
)

PAIRING_WORDS = {"same-session": "same session", "same-mount": "same mount", "remounted": "remounted"}
BAND_WORDS = {1: "octave", 3: "third-octave", 6: "sixth-octave", 12: "twelfth-octave", 24: "1/24-octave"}


def printable(text: object) -> str:
    """`text` without characters that XML and HTML cannot hold; each becomes the replacement character.

    So do signs that turn the direction of what follows (Unicode standard annex 9): after one in a title, 3.2 reads 2.3.
    """
    return _NOT_PRINTABLE.sub("\ufffd", str(text))


def number(value: float | None, decimals: int = 1, *, signed: bool = False) -> str:
    """A number with fixed decimals, never "-0.0"; a dash where there is none."""
    if value is None or not math.isfinite(value):
        return NO_VALUE
    rounded = round(value, decimals) + 0.0
    return f"{rounded:+.{decimals}f}" if signed and rounded != 0 else f"{rounded:.{decimals}f}"


def interval(lower: float | None, upper: float | None, decimals: int = 1) -> str:
    """An interval in words; a missing end is an open one."""
    has_lower, has_upper = _given(lower), _given(upper)
    if has_lower and has_upper:
        return f"{number(lower, decimals)} to {number(upper, decimals)}"
    if has_upper:
        return f"at most {number(upper, decimals)}"
    if has_lower:
        return f"at least {number(lower, decimals)}"
    return NO_VALUE


def _given(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def percent(share: float | None, decimals: int = 0) -> str:
    """A share as a percentage."""
    return NO_VALUE if share is None or not math.isfinite(share) else f"{100 * share:.{decimals}f} %"


def confidence_words(confidence: float) -> str:
    """0.95 as "95 %"."""
    return f"{100 * confidence:g} %"


def pascal(pressure_pa: float) -> str:
    """A reference pressure: "20 µPa"."""
    return f"{pressure_pa * 1e6:g} µPa"


def frequency(hertz: float | None) -> str:
    """A frequency or band label: "31.5 Hz", "1.25 kHz"."""
    if hertz is None or not math.isfinite(hertz):
        return NO_VALUE
    return f"{hertz / 1000:g} kHz" if hertz >= 1000 else f"{hertz:g} Hz"


def level_words(weighting: str, range_hz: Sequence[float]) -> str:
    """Which overall level it is: "A-weighted level 100 Hz to 4 kHz"."""
    weighted = "unweighted level" if weighting == "Z" else f"{weighting}-weighted level"
    return f"{weighted} {frequency(range_hz[0])} to {frequency(range_hz[1])}"


def speed(speed_mps: float | None, unit: str) -> str:
    """A speed in the report's unit, "km/h" or "m/s"."""
    if speed_mps is None or not math.isfinite(speed_mps):
        return NO_VALUE
    value = speed_mps * 3.6 if unit == "km/h" else speed_mps
    return f"{round(value, 1):g} {unit}"


def operating_point(speed_mps: float | None, yaw_deg: float | None, unit: str) -> str:
    """Speed and yaw: "100 km/h, yaw 5°"."""
    yaw = NO_VALUE if yaw_deg is None or not math.isfinite(yaw_deg) else f"{round(yaw_deg, 1) + 0.0:g}°"
    return f"{speed(speed_mps, unit)}, yaw {yaw}"


def run_count(reference: int, treatment: int) -> str:
    """How many runs a difference rests on: "4 pairs" for as many of each condition, else both numbers."""
    if reference == treatment:
        return counted(reference, "pair")
    return f"{reference} reference and {treatment} treatment runs"


def counted(count: int, noun: str) -> str:
    """A count with its noun: "1 run", "3 runs"."""
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


def pairing(code: str | None) -> str:
    """How the two conditions were fitted: a pairing code in words."""
    return PAIRING_WORDS.get(code or "", code or "pairing not stated")


def listed(names: Iterable[str], most: int = 6) -> str:
    """Names in a row, at most `most` of them, then how many more there are."""
    every = list(names)
    shown = ", ".join(every[:most])
    return shown if len(every) <= most else f"{shown} and {len(every) - most} more"


def short(text: str, most: int = 18) -> str:
    """`text` cut to `most` characters for an axis."""
    return text if len(text) <= most else text[: most - 1] + "…"


def file_stem(parts: Sequence[str]) -> str:
    """A file name's stem from identifiers only, each cut to `LONGEST_PART` characters.

    Raises ValueError for a part that is no identifier: such a name must never reach the disk.
    """
    for part in parts:
        if IDENTIFIER.fullmatch(part) is None:
            raise ValueError(f"no identifier, so no part of a file name: {part!r}")
    return "_".join(part[:LONGEST_PART] for part in parts)
