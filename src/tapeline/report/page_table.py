"""A table as the page prints it, and the words and links that stand in it; every cell is escaped by the template."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias


@dataclass(frozen=True)
class Link:
    """Words that lead to another place of the page or to a file beside it."""

    words: str
    href: str


@dataclass(frozen=True)
class Marked:
    """Words with a role of the style sheet, such as the step of a colour scale; `href` makes them a link."""

    words: str
    role: str
    href: str = ""
    hint: str = ""


Words: TypeAlias = "str | Link | Marked | tuple[str | Link | Marked, ...]"
Cell: TypeAlias = "str | Link | Marked | tuple[str | Link | Marked, ...]"


def plain(words: Words) -> str:
    """The words alone."""
    if isinstance(words, tuple):
        return "".join(plain(part) for part in words)
    return words if isinstance(words, str) else words.words


@dataclass(frozen=True)
class PlainTable:
    """One table; `key` is its anchor, `numeric` holds the columns that are set right, `note` stands below it.

    The first column names the row. Every row has as many cells as `head`. `role` is a class of the style sheet.
    `anchors` are the places of the rows on the page, one a row, or none.
    """

    key: str
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    numeric: frozenset[int] = frozenset()
    note: str = ""
    role: str = ""
    anchors: tuple[str, ...] = ()


def without_constant_columns(table: PlainTable, names: tuple[str, ...]) -> PlainTable:
    """Take out those of the named columns that say the same in every row; the note says it once instead."""
    if len(table.rows) < 2:
        return table
    constant = {
        column: plain(table.rows[0][column])
        for column, head in enumerate(table.head)
        if head in names and len({plain(row[column]) for row in table.rows}) == 1
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
