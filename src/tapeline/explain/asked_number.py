"""Which number is asked for: a run or comparison, a position, and a band or overall level, as people write them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.bands import bands_between
from tapeline.campaign.faults import did_you_mean, listed, quoted
from tapeline.campaign.settings import Settings
from tapeline.explain.explanation import NotExplainedError
from tapeline.report.wording import BAND_WORDS, frequency

UNKNOWN_NAME = 2
"""Exit status where a name is not known: as for faults in the campaign's files."""

NOT_MADE = 1
"""Exit status where the results are not there or do not fit."""

SAME_BAND = 0.005
"""Share by which a written frequency may miss the nominal one: 1.6k for 1584.9."""


@dataclass(frozen=True)
class AskedItem:
    """A band by its nominal frequency, or an overall level by weighting and range asked for."""

    weighting: str
    band_hz: float | None = None
    range_hz: tuple[float, float] | None = None

    @property
    def columns(self) -> dict[str, str | float | None]:
        """The columns that tell it apart in tables that hold bands and overall levels."""
        low, high = self.range_hz or (None, None)
        return {
            "quantity": "overall" if self.range_hz else "band",
            "weighting": self.weighting,
            "band_hz": self.band_hz,
            "lowest_band_hz": low,
            "highest_band_hz": high,
        }

    def words(self, fraction: int) -> str:
        """As in "1.6 kHz third-octave band"."""
        if self.range_hz is None:
            return f"{frequency(self.band_hz)} {BAND_WORDS.get(fraction, f'1/{fraction}-octave')} band"
        low, high = map(frequency, self.range_hz)
        weighted = "unweighted" if self.weighting == "Z" else f"{self.weighting}-weighted"
        return f"{weighted} overall level, bands {low} to {high}"


def asked_item(settings: Settings, text: str) -> AskedItem:
    """The band or overall level that `text` names: 1600, 1.6k, "1.6 kHz", A, or A:100-4000 where there are several.

    Raises NotExplainedError with the nearest one for any other.
    """
    bands = bands_between(settings.bands.fraction, *settings.bands.range_hz).nominal_hz
    overall: dict[str, AskedItem] = {}
    for each in settings.overall:
        item = AskedItem(each.weighting, None, (each.range_hz[0], each.range_hz[1]))
        overall[f"{each.weighting}:{each.range_hz[0]:g}-{each.range_hz[1]:g}"] = item
        overall.setdefault(each.weighting, item)
    if text.upper() in {name.upper() for name in overall}:
        return next(item for name, item in overall.items() if name.upper() == text.upper())
    written = re.fullmatch(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*(k?)(?:hz)?\s*", text, re.IGNORECASE)
    letters = [name for name in overall if len(name) == 1]
    expected = f"a band from {bands[0]:g} to {bands[-1]:g} Hz or {' or '.join(letters)}"
    if written is None:
        raise NotExplainedError(f"found band {quoted(text)}, expected {expected}", UNKNOWN_NAME)
    hz = float(written[1]) * (1000.0 if written[2] else 1.0)
    nearest = float(bands[np.argmin(np.abs(np.log(bands / max(hz, 1e-9))))])
    if abs(hz / nearest - 1.0) > SAME_BAND:
        raise NotExplainedError(
            f"found band {quoted(text)}, expected {expected}; the nearest is {nearest:g} Hz", UNKNOWN_NAME
        )
    return AskedItem("Z", nearest)


def known_name(kind: str, name: str, known: Iterable[str]) -> str:
    """The name itself; raises NotExplainedError with the nearest known one where it is not known."""
    every = list(known)
    if name in every:
        return name
    near = did_you_mean(name, every)
    hint = f"; {near}" if near else ""
    raise NotExplainedError(f"found {kind} {quoted(name)}, expected {listed(every)}{hint}", UNKNOWN_NAME)
