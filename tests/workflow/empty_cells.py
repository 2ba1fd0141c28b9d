"""Empty cells of finished tables of which the declaration says nothing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pyarrow.compute as pc
import pyarrow.parquet as pq

from tapeline.store import tables

SAY_IT = "say it in `null` or `gap` of the column's declaration in tapeline.store"


def unexplained_in(results: Path) -> set[str]:
    """The columns of all files of a results folder, see `unexplained_gaps`."""
    return {name for path in sorted(results.rglob("*.parquet")) for name in unexplained_gaps(path)}


def unexplained_gaps(path: Path) -> Iterator[str]:
    """Columns of one file with empty cells, or with gaps in their lists, of which the declaration says nothing."""
    file = pq.ParquetFile(path)
    table = tables.BY_NAME[file.schema_arrow.metadata[b"tapeline.schema"].decode().partition("/")[0]]
    content = file.read()
    for column in table.columns:
        cells = content[column.name]
        if cells.null_count and not column.null:
            yield f"{table.name}.{column.name}"
        if column.type in ("reals", "integers", "states") and pc.list_flatten(cells).null_count and not column.gap:
            yield f"{table.name}.{column.name}, in its lists"
