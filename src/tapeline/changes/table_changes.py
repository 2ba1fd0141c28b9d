"""What is found of one table: rows that came and went, how far columns moved; cells as words and as CSV."""

from __future__ import annotations

import csv
import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tapeline.changes.scales import Scale
from tapeline.store.atomic import replacing

MOST_WORDS = 200
"""Different changes of words of one column that are counted apart."""

EXAMPLES = 4
"""Rows that only one table has of which the keys are kept."""

Cell = float | str | None

UNIT_WORDS = {"degree": "°"}

CSV_COLUMNS = ("table", "row", "column", "item", "unit", "old", "new", "change", "change_unit")


@dataclass(frozen=True)
class Moved:
    """One changed cell, or of a list its largest change. `change` is None where the change has no size.

    `row` is the key in words; `item` says which element of a list ("1250 Hz"), empty for a cell that is one value.
    """

    table: str
    row: str
    column: str
    item: str
    unit: str
    old: Cell
    new: Cell
    change: float | None
    change_unit: str


Sink = Callable[[Moved], None]
"""Takes every changed cell, in order."""


@dataclass
class ColumnChanges:
    """The changes of one column: `cells` in all, `beyond` of them beyond the tolerance.

    `largest` is the cell with the largest change that has a size, `appeared` and `vanished` count values where there
    was none and none where there was one, `words` counts changes of texts (old, new), each with its first cell.
    """

    column: str
    unit: str
    scale: Scale | None
    cells: int = 0
    beyond: int = 0
    largest: Moved | None = None
    appeared: int = 0
    vanished: int = 0
    unsized: Moved | None = None
    words: Counter[tuple[str, str]] = field(default_factory=Counter)
    first_of: dict[tuple[str, str], Moved] = field(default_factory=dict)

    @property
    def size(self) -> float:
        """The largest change without its sign."""
        return abs(self.largest.change or 0.0) if self.largest else 0.0

    @property
    def rank(self) -> tuple[float, bool]:
        """What columns are ordered by: of a level and of the power beside it, which moved alike, the level is first."""
        return round(self.size, 6), self.scale is not None and self.scale.lg == 0

    def offer(self, moved: Moved) -> None:
        """Keep the cell if its change is the largest so far."""
        if self.largest is None or abs(moved.change or 0.0) > self.size:
            self.largest = moved

    def count(self, moved: Moved, counts: bool, sink: Sink | None) -> None:
        """Count a changed cell that has no size, and hand it on; `counts` says whether it is beyond the tolerance."""
        self.cells += 1
        self.beyond += counts
        self.appeared += moved.old is None
        self.vanished += moved.new is None
        if sink:
            sink(moved)

    def count_words(self, old: str, new: str, moved: Moved, times: int = 1) -> None:
        """Count a change of words; what is beyond the number of different ones that are kept is counted in `cells`."""
        if (old, new) in self.words or len(self.words) < MOST_WORDS:
            self.words[old, new] += times
            self.first_of.setdefault((old, new), moved)


@dataclass
class TableChanges:
    """One table: rows of both, rows that differ, rows of one alone, columns and parts of one alone."""

    table: str
    old_rows: int = 0
    new_rows: int = 0
    changed_rows: int = 0
    only_old: int = 0
    only_new: int = 0
    old_examples: list[str] = field(default_factory=list)
    new_examples: list[str] = field(default_factory=list)
    parts_only_old: list[str] = field(default_factory=list)
    parts_only_new: list[str] = field(default_factory=list)
    columns_only_old: list[str] = field(default_factory=list)
    columns_only_new: list[str] = field(default_factory=list)
    retyped: list[str] = field(default_factory=list)
    rekeyed: str = ""
    own_needs_differ: bool = False
    bytes_differ: bool = False
    columns: dict[str, ColumnChanges] = field(default_factory=dict)

    def column(self, name: str, unit: str, scale: Scale | None) -> ColumnChanges:
        """The changes of one column, none yet at first."""
        return self.columns.setdefault(name, ColumnChanges(name, unit, scale))

    @property
    def matched_rows(self) -> int:
        """Rows that both have."""
        return self.old_rows - self.only_old

    @property
    def changed_columns(self) -> list[ColumnChanges]:
        """The columns with a changed cell."""
        return [column for column in self.columns.values() if column.cells]

    @property
    def shape_differs(self) -> bool:
        """Whether columns, their types or the key differ."""
        return bool(self.columns_only_old or self.columns_only_new or self.retyped or self.rekeyed)

    @property
    def changed(self) -> bool:
        """Whether anything differs but how the file was written."""
        return bool(self.changed_rows or self.only_old or self.only_new or self.shape_differs or self.one_sided)

    @property
    def one_sided(self) -> bool:
        """Whether a part, or the table, is there once only."""
        return bool(self.parts_only_old or self.parts_only_new)

    @property
    def moved(self) -> bool:
        """Whether something counts: beyond the tolerance, or rows, columns, values or words that came or went."""
        rows = bool(self.only_old or self.only_new or self.one_sided)
        return rows or self.shape_differs or any(column.beyond for column in self.columns.values())

    @property
    def largest_in_db(self) -> Moved | None:
        """The cell with the largest change in dB."""
        sized = [column for column in self.changed_columns if column.scale and column.scale.in_db and column.largest]
        best = max(sized, key=lambda column: column.rank, default=None)
        return best.largest if best else None


def key_words(part: str, key: Mapping[str, object], units: Sequence[str]) -> str:
    """A key in one line: "april: a05, line-1, 500 Hz"."""
    session = part.partition("=")[2] or part
    words = [value_words(value, unit) for value, unit in zip(key.values(), units, strict=True) if value is not None]
    return f"{session}: {', '.join(words)}" if session else ", ".join(words)


def value_words(value: object, unit: str = "") -> str:
    """A value with its unit."""
    if isinstance(value, float):
        text = "NaN" if math.isnan(value) else f"{value:.5g}"
        short = UNIT_WORDS.get(unit, f" {unit}" if unit else "")
        return f"{text}{short}"
    return f"{value} {unit}".strip()


@contextmanager
def writing_changes(path: Path) -> Iterator[Sink]:
    """Take changed cells and write them to `path`, which appears whole when the block ends without an error."""
    with replacing(path) as temporary, temporary.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(CSV_COLUMNS)

        def take(moved: Moved) -> None:
            cells = (moved.table, moved.row, moved.column, moved.item, moved.unit)
            writer.writerow((*cells, *map(_text, (moved.old, moved.new, moved.change)), moved.change_unit))

        yield take


def _text(cell: Cell) -> str:
    return "" if cell is None else repr(cell) if isinstance(cell, float) else cell
