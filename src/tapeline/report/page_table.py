"""A table as the page prints it: text only, every cell escaped by the template."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class PlainTable:
    """One table; `key` is its anchor, `numeric` holds the columns that are set right, `note` stands below it.

    The first column names the row. Every row has as many cells as `head`.
    """

    key: str
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    note: str = ""


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
    )
