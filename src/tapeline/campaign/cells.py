"""Kinds of table cells: how the text of a cell becomes a value, and what is expected where it does not."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

from tapeline.campaign.faults import SHOWN_CHARACTERS, did_you_mean, quoted
from tapeline.campaign.path_rule import INPUTS, RECORDINGS, Start, path_misfit
from tapeline.campaign.tables import EVERY_RUN
from tapeline.campaign.usual_values import OtherUnit, Usual, unit_hint
from tapeline.limits import LARGEST_VALUE_UNITS, SMALLEST_VALUE_UNITS

IDENTIFIER = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
IDENTIFIER_RULE = 'a name of letters, digits, "_", "." and "-" that starts with a letter or a digit'
NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
DECIMAL_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
PART_SEPARATOR = " | "
NO_BACKGROUND = "none"


class CellError(Exception):
    """A cell's text is not of its kind."""

    def __init__(self, expected: str, mend: str | None = None, found: str | None = None) -> None:
        super().__init__(expected)
        self.expected = expected
        self.mend = mend
        self.found = found


Reader: TypeAlias = Callable[[str], Any]


@dataclass(frozen=True)
class Kind:
    """One kind of cell: `name` for the documentation, `read` from text to value (raises CellError).

    Numbers outside `usual` are warned of.
    """

    name: str
    read: Reader
    usual: Usual | None = None


def _number(text: str, expected: str) -> float:
    if NUMBER.fullmatch(text) is None:
        if DECIMAL_COMMA.fullmatch(text):
            raise CellError(expected, f"write the decimal point: {text.replace(',', '.')}")
        if text[0] == "\N{MINUS SIGN}" and NUMBER.fullmatch(text[1:]):
            raise CellError(expected, f"write a plain minus: -{text[1:]}")
        raise CellError(expected)
    value = float(text)
    if value == 0.0 and re.search("[1-9]", re.split("[eE]", text)[0]):
        raise CellError(f"{expected}, or a plain 0", found=_shown(text))
    return value


def number(
    unit: str,
    least: float | None = None,
    most: float | None = None,
    above: float | None = None,
    usual: Usual | None = None,
    others: Sequence[OtherUnit] = (),
    smallest: float = 0.0,
) -> Kind:
    """A number in `unit`, `least` <= value <= `most`, or above `above`.

    Sizes above LARGEST are never read, nor such numbers as have to be above 0 and lie below SMALLEST. `smallest` is
    that limit where 0 itself may stand. `usual` is the range that is not warned of; its other units, or `others`, make
    the hint for a number that does not fit at all.
    """
    kind = "a number" if unit == "" else f"a number of {unit}"
    limits = ""
    if above is not None:
        limits = f" above {above:g}" + ("" if most is None else f" up to {most:g}")
    elif least is not None:
        limits = f" of at least {least:g}" if most is None else f" from {least:g} to {most:g}"
    lowest = -LARGEST_VALUE_UNITS if least is None else least
    highest = LARGEST_VALUE_UNITS if most is None else most
    sizes = max(smallest, SMALLEST_VALUE_UNITS if above == 0.0 else 0.0)
    units = tuple(others) or (() if usual is None else usual.others)

    def inside(value: float) -> bool:
        return lowest <= value <= highest and (above is None or value > above)

    def read(text: str) -> float:
        value = _number(text, kind)
        named = f"{limits}{' ' + unit if unit else ''}"
        if not inside(value):
            if abs(value) > LARGEST_VALUE_UNITS and most is None:
                named += f", no larger than {LARGEST_VALUE_UNITS:g}"
            fits = inside if usual is None else usual.holds
            hint = unit_hint(value, unit, units, lambda other: other != 0.0 and fits(other))
            raise CellError(f"a number{named}", hint, found=_shown(text))
        if 0.0 < abs(value) < sizes:
            zero = "" if above == 0.0 else "0, or "
            look = None if usual is None else usual.look
            raise CellError(f"{zero}a number{named} that is not smaller than {sizes:g}", look, found=_shown(text))
        return value

    return Kind(f"number{limits}", read, usual)


def _shown(text: str) -> str:
    """A number as it is written, cut where it is long."""
    return text if len(text) <= SHOWN_CHARACTERS else f"{text[:SHOWN_CHARACTERS]}…"


def whole(least: int, most: int = 1_000_000) -> Kind:
    """A whole number; 3.0, as spreadsheets write it, counts as 3."""
    expected = f"a whole number from {least}"
    limits = f"{expected} to {most}"

    def read(text: str) -> int:
        value = _number(text, expected)
        if value != value // 1 or not least <= value <= most:
            raise CellError(limits, found=_shown(text))
        return int(value)

    return Kind(f"whole number from {least}", read)


def words(**meanings: Any) -> Kind:
    """One word of a closed list, each with the value it stands for."""
    return word_list(meanings)


def word_list(meanings: dict[str, Any]) -> Kind:
    """As `words`, for words that are no Python names."""
    expected = "one of " + ", ".join(quoted(word) for word in meanings)

    def read(text: str) -> Any:
        if text not in meanings:
            raise CellError(expected, did_you_mean(text, meanings))
        return meanings[text]

    return Kind("one of " + ", ".join(f"`{word}`" for word in meanings), read)


def _check_identifier(text: str) -> str:
    if IDENTIFIER.fullmatch(text) is None or len(text) > 120:
        fitting = re.sub(r"[^A-Za-z0-9_.-]+", "-", text).strip("-_.")[:120]
        hint = f'for example "{fitting}"' if IDENTIFIER.fullmatch(fitting) else None
        raise CellError(IDENTIFIER_RULE, hint, quoted(text))
    return text


def _read_identifiers(text: str) -> tuple[str, ...]:
    parted = re.split(r"[\s,]+", text.strip(" ,"))
    if "," in text and all(IDENTIFIER.fullmatch(name) for name in parted):
        raise CellError("names separated by spaces", f'write "{" ".join(parted)}"', quoted(text))
    return tuple(_check_identifier(name) for name in text.split())


def _read_background(text: str) -> tuple[str, ...]:
    names = _read_identifiers(text)
    if NO_BACKGROUND in names and len(names) > 1:
        raise CellError('names of background runs or "none", not both')
    return () if names == (NO_BACKGROUND,) else names


def _read_parts(text: str) -> tuple[str, ...]:
    parts = tuple(part.strip() for part in text.split(PART_SEPARATOR))
    if any(not part or "|" in part for part in parts):
        raise CellError('paths separated by " | ", a bar with a space on either side')
    return tuple(map(_read_path_below, parts))


def _read_path(text: str) -> str:
    """A path from the campaign folder; whether it may leave that is held against the settings later."""
    return _ruled(text, INPUTS, outside=True)


def _read_path_below(text: str) -> str:
    return _ruled(text, RECORDINGS, outside=False)


def _ruled(path: str, start: Start, outside: bool) -> str:
    misfit = path_misfit(path, start, outside)
    if misfit is not None:
        raise CellError(misfit.expected, misfit.mend, misfit.found)
    return path


def _read_date(text: str) -> str:
    try:
        return datetime.date.fromisoformat(text).isoformat()
    except ValueError:
        raise CellError("an ISO 8601 date such as 2024-05-03") from None


def _read_date_time(text: str) -> str:
    try:
        return datetime.datetime.fromisoformat(text).isoformat()
    except ValueError:
        raise CellError("an ISO 8601 date and time such as 2024-05-03T14:05:00") from None


def _read_text(text: str) -> str:
    return text


TEXT = Kind("text", _read_text)
IDENTIFIER_KIND = Kind("identifier", _check_identifier)
RUN_OR_EVERY = Kind("identifier, or `*`", lambda text: text if text == EVERY_RUN else _check_identifier(text))
IDENTIFIERS = Kind("identifiers, space-separated", _read_identifiers)
BACKGROUND = Kind("identifiers, space-separated, or `none`", _read_background)
PARTS = Kind("paths separated by ` | `", _read_parts)
PATH = Kind("path", _read_path)
PATH_BELOW = Kind("path", _read_path_below)
DATE = Kind("ISO 8601 date", _read_date)
DATE_TIME = Kind("ISO 8601 date and time", _read_date_time)
