"""A table as the page prints it: text only, every cell escaped by the template."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from tapeline.report.figure_files import Subject
from tapeline.report.wording import NO_VALUE

COMPARISON, POINT, POSITION, AGAINST = "comparison", "operating point", "position", "against"
"""Heads of the columns that say what a row is about; a row with a position it is held against is about both."""


@dataclass(frozen=True)
class PlainTable:
    """One table; `key` is its anchor, `numeric` holds the columns that are set right, `note` stands below it.

    The first column names the row. Every row has as many cells as `head`. `subject` is what all rows are about.
    """

    key: str
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    note: str = ""
    subject: Subject = field(default_factory=Subject)

    def subject_of(self, row: tuple[str, ...]) -> Subject:
        """What a row is about: what all are, and what its cells below the heads of subjects say."""
        return _with_cells(self.subject, dict(zip(self.head, row, strict=True)))


def _with_cells(subject: Subject, cells: Mapping[str, str]) -> Subject:
    said = {head: cell for head, cell in cells.items() if cell not in ("", NO_VALUE)}
    # The page lists positions with blanks between them, so that a text with a blank would be several.
    positions = tuple(said[head] for head in (POSITION, AGAINST) if len(said.get(head, "").split()) == 1)
    return Subject(
        said.get(COMPARISON, subject.comparison),
        said.get(POINT, subject.point),
        positions or subject.positions,
    )


def without_constant_columns(table: PlainTable, names: tuple[str, ...]) -> PlainTable:
    """Take out those of the named columns that say the same in every row; the note says it once instead."""
    if len(table.rows) < 2:
        return table
    constant = {
        column: table.rows[0][column]
        for column, head in enumerate(table.head)
        if head in names and len({row[column] for row in table.rows}) == 1
    }
    kept = [column for column in range(len(table.head)) if column not in constant]
    said = "; ".join(f"{table.head[column]} {value}" for column, value in constant.items())
    note = " ".join(part for part in (f"In all rows: {said}." if said else "", table.note) if part)
    return replace(
        table,
        head=tuple(table.head[column] for column in kept),
        rows=tuple(tuple(row[column] for column in kept) for row in table.rows),
        numeric=frozenset(place for place, column in enumerate(kept) if column in table.numeric),
        note=note,
        subject=_with_cells(table.subject, {table.head[column]: value for column, value in constant.items()}),
    )
