"""Rows of list columns of two files side by side, some at a time, so that memory does not grow with the files."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from tapeline.changes.matched_rows import MatchedRows
from tapeline.changes.results_folder import reading

ROWS_AT_ONCE = 256
"""Rows of lists that are held at once: spectra of some thousand lines are 16 kB each."""

Side = tuple[pq.ParquetFile, Path]
Lists = list[pa.ListArray]


def aligned_lists(
    old: Side, new: Side, names: list[str], rows: MatchedRows
) -> Iterator[tuple[NDArray[np.int64], Lists, Lists]]:
    """Some matched pairs at a time: their places, and the columns `names` of the old and of the new table.

    Rows of the new file that stand in another order than in the old one are held all at once.
    """
    first, second = Cursor(*old, names, rows.old), Cursor(*new, names, rows.new)
    for start in range(0, rows.old.size, ROWS_AT_ONCE):
        pairs = np.arange(start, min(start + ROWS_AT_ONCE, rows.old.size))
        yield pairs, first.take(rows.old[pairs]), second.take(rows.new[pairs])


class Cursor:
    """Reads columns of a file from its start to its end, for rows in rising order; of other rows it holds all."""

    def __init__(self, file: pq.ParquetFile, path: Path, names: list[str], rows: NDArray[np.int64]) -> None:
        self._path, self._names, self._first = path, names, 0
        self._rising = bool(np.all(np.diff(rows) > 0))
        self._batches = file.iter_batches(batch_size=ROWS_AT_ONCE, columns=names, use_threads=False)
        self._held: list[pa.RecordBatch] = []
        self._end = 0

    def take(self, rows: NDArray[np.int64]) -> Lists:
        """The columns at some rows, which follow those of the last call where rows rise."""
        with reading(self._path):
            while self._end <= int(rows.max()):
                batch = next(self._batches)
                self._held.append(batch)
                self._end += batch.num_rows
        while self._rising and self._first + self._held[0].num_rows <= int(rows[0]):
            self._first += self._held.pop(0).num_rows
        picked = pa.Table.from_batches(self._held).take(pa.array(rows - self._first))
        return [picked[name].combine_chunks() for name in self._names]
