"""The changed cells of columns that hold lists, spectra line by line and names, read some rows at a time."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.changes.column_cells import EMPTY, NOTHING, Mask, Place, keep_extremes
from tapeline.changes.matched_rows import MatchedRows
from tapeline.changes.results_folder import reading
from tapeline.changes.table_changes import Cell, ColumnChanges, Moved, Sink

SHOWN_ITEMS = 6

ROWS_AT_ONCE = 256
"""Rows of lists that are held at once: spectra of some thousand lines are 16 kB each."""

Side = tuple[pq.ParquetFile, Path]


@dataclass(frozen=True)
class Lists:
    """Some rows of a list column of both tables: `pairs` are their places among the matched rows.

    `item` names an element of a pair's lists; `comparable` says whether elements at one place are the same thing.
    `words` are the names of the numbers where these are codes. `lines` says which lines a side (0 old, 1 new) of a pair
    holds, for pairs with others on either side.
    """

    pairs: NDArray[np.int64]
    old: pa.ListArray
    new: pa.ListArray
    item: Callable[[int, int], str]
    comparable: Mask
    words: tuple[str, ...] = ()
    lines: Callable[[int, int], str] | None = None


def compare_lists(place: Place, found: ColumnChanges, lists: Lists, sink: Sink | None) -> Mask:
    """Compare lists of numbers element by element. Returns which of the pairs differ."""
    lengths = [np.asarray(pc.fill_null(pc.list_value_length(side), -1)) for side in (lists.old, lists.new)]
    alike = (lengths[0] == lengths[1]) & (lists.comparable | (lengths[0] <= 0))
    whole = np.flatnonzero(~alike)
    differs = np.asarray(~alike, dtype=bool)
    for one in whole:
        _other_list(place, found, lists, int(one), sink)
    kept = np.flatnonzero(alike & (lengths[0] > 0))
    if not kept.size:
        return differs
    first, second = (_values(side, kept) for side in (lists.old, lists.new))
    changed = ~((first == second) | (np.isnan(first) & np.isnan(second)))
    if not changed.any():
        return differs
    row = np.repeat(np.arange(kept.size), lengths[0][kept])
    offset = np.arange(row.size) - np.repeat(np.cumsum(lengths[0][kept]) - lengths[0][kept], lengths[0][kept])
    at = np.flatnonzero(changed)
    cells = _Elements(kept[row[at]], offset[at], first[at], second[at])
    _count(place, found, lists, cells, sink)
    differs[np.unique(cells.row)] = True
    return differs


@dataclass(frozen=True)
class _Elements:
    """Changed elements of lists: the row among the lists, the place in the list, both values."""

    row: NDArray[np.int64]
    offset: NDArray[np.int64]
    old: Reals
    new: Reals


def _values(side: pa.ListArray, rows: NDArray[np.int64]) -> Reals:
    flat = side.take(pa.array(rows)).flatten()
    return np.asarray(flat.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False), dtype=np.float64)


def _other_list(place: Place, found: ColumnChanges, lists: Lists, at: int, sink: Sink | None) -> None:
    """Lists of another length or with other elements: a change without a size."""
    texts = [None if not side[at].is_valid else f"{len(side[at])} values" for side in (lists.old, lists.new)]
    if not lists.comparable[at] and lists.lines:
        texts = [text and f"{text} {lists.lines(side, at)}" for side, text in enumerate(texts)]
    pair = int(lists.pairs[at])
    moved = Moved(place.table, place.key_text(pair), found.column, "", found.unit, texts[0], texts[1], None, "")
    found.unsized = found.unsized or moved
    found.count(moved, True, sink)


def _count(place: Place, found: ColumnChanges, lists: Lists, cells: _Elements, sink: Sink | None) -> None:
    scale = found.scale
    change = np.full(cells.old.size, np.nan) if scale is None else scale.change(cells.old, cells.new)
    beyond = np.ones(change.size, dtype=bool) if scale is None else place.tolerance.beyond(scale, cells.old, cells.new)
    found.beyond += np.unique(cells.row[beyond]).size
    found.appeared += int(np.count_nonzero(np.isnan(cells.old)))
    found.vanished += int(np.count_nonzero(np.isnan(cells.new)))
    largest = _largest_of_each(cells.row, change)
    found.cells += largest.size

    def moved(at: int) -> Moved:
        pair, item = int(lists.pairs[cells.row[at]]), lists.item(int(cells.row[at]), int(cells.offset[at]))
        values = [_shown(float(side[at]), lists.words) for side in (cells.old, cells.new)]
        size = None if math.isnan(change[at]) else float(change[at])
        unit = scale.unit if scale else ""
        return Moved(
            place.table, place.key_text(pair), found.column, item, found.unit, values[0], values[1], size, unit
        )

    if lists.words:
        codes, first, times = np.unique(np.stack([cells.old, cells.new]), axis=1, return_index=True, return_counts=True)
        for old, new, at, count in zip(*codes, first, times, strict=True):
            words = str(_shown(old, lists.words)), str(_shown(new, lists.words))
            found.count_words(*words, moved(int(at)), int(count))
    pairs = lists.pairs[cells.row[largest]]
    keep_extremes(place, found, pairs, change[largest], lambda at: moved(int(largest[at])))
    if sink:
        for at in largest:
            sink(moved(int(at)))


def _largest_of_each(row: NDArray[np.int64], change: Reals) -> NDArray[np.int64]:
    """Place of the largest change of each row; of a row without a sized change, the first."""
    size = np.where(np.isnan(change), -1.0, np.abs(change))
    starts = np.flatnonzero(np.r_[True, row[1:] != row[:-1]])
    best = np.repeat(np.maximum.reduceat(size, starts), np.diff(np.r_[starts, row.size]))
    largest = np.flatnonzero(size == best)
    _, first = np.unique(row[largest], return_index=True)
    return np.asarray(largest[first])


def _shown(value: float, words: Sequence[str]) -> Cell:
    if words and value == int(value) and 0 <= value < len(words):
        return words[int(value)]
    return "NaN" if math.isnan(value) else value


def compare_names(place: Place, found: ColumnChanges, lists: Lists, sink: Sink | None) -> Mask:
    """Compare lists of texts whatever their order, since they name a set. Returns which of the pairs differ."""
    differs = np.zeros(lists.pairs.size, dtype=bool)
    texts = [pc.binary_join(side, "\x1f") for side in (lists.old, lists.new)]
    unlike = ~pc.fill_null(pc.equal(*texts), False).to_numpy(zero_copy_only=False)
    for at in np.flatnonzero(unlike):
        names = [side[at].as_py() for side in (lists.old, lists.new)]
        if all(each is None for each in names) or _sorted(names[0]) == _sorted(names[1]):
            continue
        differs[at] = True
        _named(place, found, int(lists.pairs[at]), names, sink)
    return differs


def _sorted(names: Sequence[str | None] | None) -> list[str] | None:
    return None if names is None else sorted(name or "" for name in names)


def _named(place: Place, found: ColumnChanges, pair: int, names: Sequence[Any], sink: Sink | None) -> None:
    full = [None if each is None else " ".join(_sorted(each) or []) for each in names]
    moved = Moved(place.table, place.key_text(pair), found.column, "", found.unit, full[0], full[1], None, "")
    gone, come = (_more(names[side], names[1 - side]) for side in (0, 1))
    old = EMPTY if names[0] is None else gone or NOTHING
    new = EMPTY if names[1] is None else come or NOTHING
    found.count_words(old, new, moved)
    found.count(moved, place.tolerance.word_counts(found.column, *full), sink)


def _more(names: Sequence[str | None] | None, others: Sequence[str | None] | None) -> str:
    """What one list names beyond the other."""
    spare = sorted((Counter(_sorted(names)) - Counter(_sorted(others))).elements())
    rest = len(spare) - SHOWN_ITEMS
    return " ".join(spare[:SHOWN_ITEMS]) + (f" and {rest} more" if rest > 0 else "")


def in_order_of_names(values: pa.ListArray, names: pa.ListArray) -> tuple[list[list[str]], list[list[Any] | None]]:
    """Lists brought into the order of the names that they go with: names and values, row by row."""
    ordered: tuple[list[list[str]], list[list[Any] | None]] = [], []
    for row, labels in zip(values.to_pylist(), names.to_pylist(), strict=True):
        known = labels or []
        pairs = sorted(zip_longest(known, row or []), key=lambda pair: pair[0] or "")
        ordered[0].append([label or "" for label, _ in pairs])
        ordered[1].append(None if row is None else [value for _, value in pairs])
    return ordered


def aligned_lists(
    old: Side, new: Side, names: list[str], rows: MatchedRows
) -> Iterator[tuple[NDArray[np.int64], list[pa.ListArray], list[pa.ListArray]]]:
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

    def take(self, rows: NDArray[np.int64]) -> list[pa.ListArray]:
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
