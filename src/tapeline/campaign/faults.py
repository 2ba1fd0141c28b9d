"""What is wrong with a campaign's files: where it stands, what was found, what was expected, how to mend it."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

SHOWN_CHARACTERS = 60
GAP = "???"
"""Stands in a cell or setting that is still to be filled in: no name, number, date or path can be so written."""


@dataclass(frozen=True)
class Fault:
    """One thing to mend in one file.

    `line` counts from 1. `column` is a table's column name, or the character (from 1) in a YAML file; both are None
    where the file as a whole is meant. `found` and `expected` complete "found …, expected …"; `mend` is a hint.
    """

    file: str
    line: int | None
    column: int | str | None
    found: str
    expected: str
    mend: str | None = None

    def __str__(self) -> str:
        text = f"{self.where}: found {self.found}, expected {self.expected}"
        return text if self.mend is None else f"{text}; {self.mend}"

    @property
    def where(self) -> str:
        """File, line and column in words."""
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        if self.column is None:
            return place
        return place + (f", column {self.column}" if isinstance(self.column, int) else f', column "{self.column}"')

    @property
    def cell(self) -> tuple[str, int | None, int | str | None]:
        """The place alone."""
        return self.file, self.line, self.column


class Gap(Fault):
    """A cell or setting that holds the token `GAP`; `expected` says what belongs there."""

    def __str__(self) -> str:
        return f"{self.where}: fill this in: {self.expected}"


class CampaignFaults(Exception):  # noqa: N818 (it holds faults, it is not one)
    """Every fault of a campaign's files, found in one go."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = in_order(faults)
        super().__init__(self.faults)

    def __str__(self) -> str:
        gaps = [fault for fault in self.faults if isinstance(fault, Gap)]
        counts = ((len(self.faults) - len(gaps), "fault"), (len(gaps), "gap"))
        words = ", ".join(f"{count} {noun}{'' if count == 1 else 's'}" for count, noun in counts if count)
        begin = f" to fill in: begin with {gaps[0].where}" if gaps else ""
        return "\n".join([*map(str, self.faults), f"{words}{begin}"])

    def __iter__(self) -> Iterator[Fault]:
        return iter(self.faults)


def in_order(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """Each fault once, by file, line and column."""
    return tuple(sorted(dict.fromkeys(faults), key=_order))


def _order(fault: Fault) -> tuple[str, int, int, str, str]:
    column = fault.column
    character = column if isinstance(column, int) else 0
    return fault.file, fault.line or 0, character, str(column or ""), fault.found


def nearest(name: str, known: Iterable[str]) -> str | None:
    """The known name most like `name`: one that differs by case alone first, else by spelling; None if none is near."""
    by_folded = {candidate.casefold(): candidate for candidate in known}
    folded = name.casefold()
    if folded in by_folded:
        return by_folded[folded]
    close = difflib.get_close_matches(folded[:200], by_folded, n=1, cutoff=0.6)
    return by_folded[close[0]] if close else None


def did_you_mean(name: str, known: Iterable[str]) -> str | None:
    """The hint that names the nearest known name, or None."""
    near = nearest(name, known)
    return None if near is None else f"did you mean {quoted(near)}?"


def listed(names: Iterable[str], most: int = 12) -> str:
    """A short list for a sentence: at most `most` names, then how many more there are."""
    every = list(names)
    shown = ", ".join(map(_visible, every[:most]))
    return shown if len(every) <= most else f"{shown} and {len(every) - most} more"


def quoted(text: object) -> str:
    """`text` in quotes on one line, cut where it is long."""
    visible = _visible(str(text))
    return f'"{visible}"' if len(visible) <= SHOWN_CHARACTERS else f'"{visible[:SHOWN_CHARACTERS]}…"'


def _visible(text: str) -> str:
    """`text` on one line, with escapes for signs that show nothing or turn what follows."""
    return "".join(char if char.isprintable() else repr(char)[1:-1] for char in " ".join(text.split()))
