"""Rows of a table from the text of its cells; every cell that does not fit becomes a fault."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic

from tapeline.campaign.cells import IDENTIFIER_KIND, RUN_OR_EVERY, CellError
from tapeline.campaign.csv_source import SourceRow, SourceTable, read_csv
from tapeline.campaign.faults import GAP, Fault, Gap, did_you_mean, quoted
from tapeline.campaign.table_columns import KMH_PER_MPS, RUNS, CsvColumn, CsvTable, RowT

FREE_TEXT = "remark"
"""The column that may hold any text, the token of a gap too."""


@dataclass
class UnusualCells:
    """The cells of one column outside its usual range: the first one, and how many there are."""

    column: CsvColumn
    line: int
    value: float
    count: int = 0


@dataclass(frozen=True)
class TableRows(Generic[RowT]):
    """The rows of one file.

    A cell at fault leaves its text or its default in the row, so that the rest can be checked. `readable` is false
    where the table as a whole could not be read: then its rows say nothing about which names exist.
    """

    file: str
    rows: tuple[RowT, ...]
    header: frozenset[str]
    readable: bool
    unusual: tuple[UnusualCells, ...] = ()

    def names(self, attribute: str) -> dict[str, int]:
        """The names in one column, in order, each with the line where it stands first."""
        found: dict[str, int] = {}
        for row in self.rows:
            name = getattr(row, attribute)
            if name:
                found.setdefault(name, row.line)  # type: ignore[attr-defined]
        return found

    def known(self, attribute: str) -> dict[str, int] | None:
        """The names in one column; None where the table cannot be read, so that nothing tells which there are."""
        return self.names(attribute) if self.readable else None

    def fault(self, line: int, column: str | None, found: str, expected: str, mend: str | None = None) -> Fault:
        """A fault in this table."""
        return Fault(self.file, line, column, found, expected, mend)

    def unknown(self, line: int, column: str, name: str, known: Iterable[str], expected: str) -> Fault:
        """The fault of a name that is none of the known ones."""
        return self.fault(line, column, quoted(name), expected, did_you_mean(name, known))


def read_table(
    root: Path, shown: str, table: CsvTable[RowT], faults: list[Fault], one_of: Iterable[Sequence[str]] = ()
) -> TableRows[RowT]:
    """Read the table in the file `shown` of the campaign folder `root`.

    Of each group of columns in `one_of` at least one must be there, beside the table's needed ones.
    """
    needed = [*((column.name,) for column in table.columns if column.needed), *one_of]
    source = read_csv(root / shown, shown, [column.name for column in table.columns], needed, faults)
    if source is None:
        return TableRows(shown, (), frozenset(), readable=False)
    header = frozenset(source.header)
    reader = _RowReader(table, source, faults)
    readable = all(name in header for group in needed for name in group)
    rows = tuple(reader.row(row) for row in source.rows)
    return TableRows(shown, rows, header, readable, tuple(reader.unusual.values()))


class _RowReader(Generic[RowT]):
    """Reads the rows of one table."""

    def __init__(self, table: CsvTable[RowT], source: SourceTable, faults: list[Fault]) -> None:
        self.table = table
        self.file = source.file
        self.faults = faults
        self.unusual: dict[str, UnusualCells] = {}
        places = {name: index for index, name in enumerate(source.header)}
        self.columns = [(places[column.name], column) for column in table.columns if column.name in places]
        self.defaults = {column.attribute: self.stand_in(column, "") for column in table.columns}

    def row(self, source: SourceRow) -> RowT:
        """One row; what is at fault in it goes to the faults."""
        values = dict(self.defaults)
        cells = source.cells
        width = len(cells)
        for index, column in self.columns:
            text = cells[index] if index < width else ""
            if text == GAP and column.name != FREE_TEXT:
                self.faults.append(Gap(self.file, source.line_of(index), column.name, quoted(GAP), column.wanted))
            elif text:
                try:
                    value = values[column.attribute] = column.kind.read(text)
                    if column.kind.usual is not None and not column.kind.usual.holds(value):
                        first = UnusualCells(column, source.line_of(index), value)
                        self.unusual.setdefault(column.name, first).count += 1
                except CellError as misfit:
                    self.note(source.line_of(index), column, misfit.found or quoted(text), misfit)
                    values[column.attribute] = self.stand_in(column, text)
            elif column.needed:
                self.note(source.line_of(index), column, "an empty cell", CellError(column.description))
        if self.table is RUNS:
            self.set_speed(values, source.line)
        return self.table.row(line=source.line, **values)

    def note(self, line: int, column: CsvColumn, found: str, misfit: CellError) -> None:
        self.faults.append(Fault(self.file, line, column.name, found, misfit.expected, misfit.mend))

    @staticmethod
    def stand_in(column: CsvColumn, text: str) -> Any:
        """What a row holds in place of a value: names as they are written, so that references to them still fit."""
        named = column.kind in (IDENTIFIER_KIND, RUN_OR_EVERY)
        return text if named and (column.needed or text) else column.default

    def set_speed(self, values: dict[str, Any], line: int) -> None:
        """The set speed in m/s, from whichever of the two columns gives it."""
        kmh, mps = values.pop("speed_kmh"), values["speed_mps"]
        if kmh is not None and mps is not None:
            found, expected = f"{mps:g} m/s beside {kmh:g} km/h", "the set speed in one of the two columns"
            self.faults.append(Fault(self.file, line, "speed_mps", found, expected))
        elif kmh is not None:
            values["speed_mps"] = kmh / KMH_PER_MPS
