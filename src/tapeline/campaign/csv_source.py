"""A comma-separated table with the line of every cell.

Read by RFC 4180 with these liberties: any line ending, spaces around cells are dropped, blank lines, rows of empty
cells and lines starting with `#` are skipped, a short row counts as filled up with empty cells.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.faults import Fault, did_you_mean, listed, quoted
from tapeline.campaign.text_source import read_text

NUL = "\0"
COMMENT_SIGN = "#"
LONG_CELL = re.compile(r"[^,]{100000,}")
OTHER_SEPARATORS = {";": "semicolons", "\t": "tabs"}
COMMAS_PLEASE = "save the table as CSV with commas between columns and a point as the decimal sign"


@dataclass(frozen=True)
class SourceRow:
    """One row: its first line, the text of its cells, and their lines where a quoted cell spans several."""

    line: int
    cells: tuple[str, ...]
    cell_lines: tuple[int, ...] | None = None

    def line_of(self, index: int) -> int:
        """The line in which the cell `index` begins."""
        if self.cell_lines is None or index >= len(self.cell_lines):
            return self.line
        return self.cell_lines[index]


@dataclass(frozen=True)
class SourceTable:
    """The rows of one file below its header."""

    file: str
    header: tuple[str, ...]
    header_line: int
    rows: tuple[SourceRow, ...]


def read_csv(
    path: Path, shown: str, known: Iterable[str], needed: Iterable[Sequence[str]], faults: list[Fault]
) -> SourceTable | None:
    """Read one table; None where its header cannot be used.

    `known` are the columns that may stand in the header; each entry of `needed` is a group of columns of which at
    least one must be there. Faults go to `faults` under the file name `shown`.
    """
    text = read_text(path, shown, faults)
    if text is None:
        return None
    if NUL in text:
        at = text.index(NUL)
        line, character = text[:at].count("\n") + 1, at - text.rfind("\n", 0, at)
        faults.append(Fault(shown, line, character, "a NUL character", "a table of text", COMMAS_PLEASE))
        return None
    rows = _Records(text, shown, faults)
    first = next(rows, None)
    if first is None:
        if not rows.broken:
            faults.append(Fault(shown, None, None, "an empty file", f"a header row: {listed(known, 40)}"))
        return None
    if len(first.cells) == 1:
        for sign, name in OTHER_SEPARATORS.items():
            if sign in first.cells[0]:
                faults.append(Fault(shown, first.line, None, f"{name} between columns", "commas", COMMAS_PLEASE))
                return None
    table = SourceTable(shown, first.cells, first.line, tuple(_fitting(rows, first.cells, shown, faults)))
    return table if _check_header(table, list(known), needed, faults) else None


def _fitting(
    rows: Iterator[SourceRow], header: tuple[str, ...], shown: str, faults: list[Fault]
) -> Iterator[SourceRow]:
    """Rows no longer than the header; empty cells beyond it do no harm."""
    width = len(header)
    for row in rows:
        extra = row.cells[width:]
        if any(extra):
            faults.append(
                Fault(
                    shown,
                    row.line_of(width),
                    None,
                    f"{len(row.cells)} cells, {quoted(next(filter(None, extra)))} beyond the last column",
                    f"the {width} columns of the header",
                    "put a text that contains a comma in double quotes, write numbers with a decimal point",
                )
            )
        yield row


def _check_header(table: SourceTable, known: list[str], needed: Iterable[Sequence[str]], faults: list[Fault]) -> bool:
    """Note unknown, repeated and missing columns; False where repeated ones leave the cells' meaning open."""
    line, usable = table.header_line, True
    seen: set[str] = set()
    for index, name in enumerate(table.header):
        if name in seen and name:
            usable = False
            faults.append(Fault(table.file, line, name, f"the column {quoted(name)} twice", "each column once"))
        elif not name and any(row.cells[index : index + 1] not in ((), ("",)) for row in table.rows):
            expected = "a name for each column that holds something"
            faults.append(Fault(table.file, line, None, f"no name over column {index + 1}", expected))
        elif name and name not in known:
            spare = [column for column in known if column not in table.header]
            hint = did_you_mean(name, spare)
            found = f"the unknown column {quoted(name)}"
            faults.append(Fault(table.file, line, name, found, f"one of {listed(known, 40)}", hint))
        seen.add(name)
    for group in needed:
        if not seen.intersection(group):
            columns = " or ".join(quoted(name) for name in group)
            faults.append(Fault(table.file, line, group[0], f"no column {columns}", "it in the header row"))
    return usable


class _Records(Iterator[SourceRow]):
    """Records of a CSV text; knows the line in which each begins."""

    def __init__(self, text: str, shown: str, faults: list[Fault]) -> None:
        self.lines = text.split("\n")
        self.shown = shown
        self.faults = faults
        self.broken = False
        self.taken = 0
        self.begun_at: int | None = None
        self.header: tuple[str, ...] = ()
        self.reader = csv.reader(self.source(), strict=True, skipinitialspace=True)

    def source(self) -> Iterator[str]:
        """Lines for the reader: comments and blank lines are dropped between records, not inside a quoted cell."""
        for number, line in enumerate(self.lines, start=1):
            if self.begun_at is None:
                stripped = line.strip()
                if not stripped or stripped.startswith(COMMENT_SIGN):
                    continue
                self.begun_at = number
            self.taken = number
            yield line + "\n"

    def __next__(self) -> SourceRow:
        while True:
            self.begun_at = None
            try:
                cells = next(self.reader)
            except csv.Error as error:
                self.note(str(error))
                raise StopIteration from None
            line = self.begun_at or self.taken
            if not any(cell and not cell.isspace() for cell in cells):
                continue
            stripped = tuple(cell.strip() for cell in cells)
            self.header = self.header or stripped
            return SourceRow(line, stripped, self.cell_lines(line, cells) if self.taken != line else None)

    def cell_lines(self, line: int, cells: list[str]) -> tuple[int, ...]:
        starts = []
        for cell in cells:
            starts.append(line)
            line += cell.count("\n")
        return tuple(starts)

    def note(self, problem: str) -> None:
        self.broken = True
        line = self.begun_at or self.taken
        if "unexpected end of data" in problem:
            found, hint = "a double quote that is never closed", 'close the quotes; write "" for a quote inside'
        elif "expected after" in problem:
            found, hint = "text after a closing double quote", 'write "" for a quote inside a quoted cell'
        elif "field larger" in problem:
            self.note_long_cell(line)
            return
        else:
            found, hint = f"a row that cannot be read ({problem})", None
        self.faults.append(Fault(self.shown, line, None, found, "cells separated by commas", hint))

    def note_long_cell(self, line: int) -> None:
        """The fault of a cell longer than any is, under its column where the record is one line."""
        found, expected = "a cell too long to read", f"at most {csv.field_size_limit():,} characters in a cell"
        mend = "look for a double quote that is never closed before it"
        column: str | None = None
        if self.taken == line:
            # NUL is in no text that comes here, and stands for the long cell.
            cells = next(csv.reader([LONG_CELL.sub(NUL, self.lines[line - 1])]), [])
            places = [index for index, cell in enumerate(cells) if NUL in cell and index < len(self.header)]
            column = self.header[places[0]] if places else None
        self.faults.append(Fault(self.shown, line, column, found, expected, mend))
