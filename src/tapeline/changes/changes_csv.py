"""Every changed cell as a row of comma-separated values, written as they are found."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tapeline.changes.table_changes import Cell, Moved, Sink
from tapeline.store.atomic import replacing

CSV_COLUMNS = ("table", "row", "column", "item", "unit", "old", "new", "change", "change_unit")


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
