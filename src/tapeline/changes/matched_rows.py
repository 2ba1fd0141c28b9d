"""Which row of one table is which row of the other: by the values of their keys, wherever the rows stand."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

Rows = NDArray[np.int64]
Column = Callable[[str], pa.ChunkedArray]
"""Reads one column, whole."""

MOST_IDS = 2**62


@dataclass(frozen=True)
class Keys:
    """The key columns of both tables: `values` in rising order, and the place of each row's value in them."""

    names: tuple[str, ...]
    values: tuple[list[Any], ...]
    old: tuple[NDArray[np.int32], ...]
    new: tuple[NDArray[np.int32], ...]

    def of_old(self, row: int) -> tuple[Any, ...]:
        """The key of a row of the old table."""
        return tuple(values[codes[row]] for values, codes in zip(self.values, self.old, strict=True))

    def of_new(self, row: int) -> tuple[Any, ...]:
        """The key of a row of the new table."""
        return tuple(values[codes[row]] for values, codes in zip(self.values, self.new, strict=True))


@dataclass(frozen=True)
class MatchedRows:
    """Rows with equal keys, one array entry a pair, in the order of the old table.

    `order` is the place of each pair's key among all keys, the same whichever table is called old. `only_old` and
    `only_new` are rows without a partner, in the order of their keys.
    """

    keys: Keys
    old: Rows
    new: Rows
    order: Rows
    only_old: Rows
    only_new: Rows


def matched_rows(names: Sequence[str], old: Column, new: Column) -> MatchedRows:
    """Match the rows of two tables by the columns `names`, read one at a time.

    Rows that repeat a key are matched in the order in which they stand. Nulls, and NaN, are values like others.
    """
    values: list[list[Any]] = []
    codes: list[tuple[NDArray[np.int32], NDArray[np.int32]]] = []
    for name in names:
        known, first, second = _codes(old(name), new(name))
        values.append(known)
        codes.append((first, second))
    keys = Keys(tuple(names), tuple(values), tuple(first for first, _ in codes), tuple(second for _, second in codes))
    ids = _ids([(len(known), np.concatenate(pair)) for known, pair in zip(values, codes, strict=True)])
    split = len(codes[0][0]) if codes else 0
    first_ids, second_ids = _told_apart(ids[:split], ids[split:])
    if first_ids.size == second_ids.size and np.array_equal(first_ids, second_ids):
        every, none = np.arange(first_ids.size, dtype=np.int64), np.empty(0, dtype=np.int64)
        return MatchedRows(keys, every, every, first_ids, none, none)
    shared, at_old, at_new = np.intersect1d(first_ids, second_ids, assume_unique=True, return_indices=True)
    in_order = np.argsort(at_old, kind="stable")
    only_old, only_new = (_without(ids, shared) for ids in (first_ids, second_ids))
    return MatchedRows(keys, at_old[in_order], at_new[in_order], shared[in_order], only_old, only_new)


def _codes(old: pa.ChunkedArray, new: pa.ChunkedArray) -> tuple[list[Any], NDArray[np.int32], NDArray[np.int32]]:
    both = pa.chunked_array([*old.chunks, *new.chunks], type=old.type).combine_chunks()
    if pa.types.is_floating(both.type):
        both = pc.add(both, 0.0)  # one zero, whatever its sign
    encoded = both.dictionary_encode(null_encoding="encode")
    order = pc.array_sort_indices(encoded.dictionary).to_numpy()
    rank = np.empty(order.size, dtype=np.int32)
    rank[order] = np.arange(order.size, dtype=np.int32)
    codes = rank[encoded.indices.to_numpy()]
    return encoded.dictionary.take(pa.array(order)).to_pylist(), codes[: len(old)], codes[len(old) :]


def _ids(columns: Sequence[tuple[int, NDArray[np.int32]]]) -> Rows:
    """One number a row, in the order of the keys."""
    if not columns:
        return np.empty(0, dtype=np.int64)
    ids, most = np.zeros(columns[0][1].size, dtype=np.int64), 1
    for count, codes in columns:
        if most * max(count, 1) > MOST_IDS:
            distinct, ids = np.unique(ids, return_inverse=True)
            most = distinct.size
        ids, most = ids * count + codes, most * max(count, 1)
    return ids


def _told_apart(old: Rows, new: Rows) -> tuple[Rows, Rows]:
    """Make ids of rows that repeat a key differ, by how often the key stood before."""
    before = [_occurrence(ids) for ids in (old, new)]
    most = 1 + max(int(each.max(initial=0)) for each in before)
    if most == 1:
        return old, new
    _, dense = np.unique(np.concatenate([old, new]), return_inverse=True)
    return dense[: old.size] * most + before[0], dense[old.size :] * most + before[1]


def _occurrence(ids: Rows) -> Rows:
    order = np.argsort(ids, kind="stable")
    ordered = ids[order]
    starts = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]]) if ids.size else np.empty(0, dtype=np.int64)
    counts = np.diff(np.r_[starts, ids.size])
    occurrence = np.empty(ids.size, dtype=np.int64)
    occurrence[order] = np.arange(ids.size) - np.repeat(starts, counts)
    return occurrence


def _without(ids: Rows, shared: Rows) -> Rows:
    rows = np.flatnonzero(~np.isin(ids, shared, assume_unique=True))
    return np.asarray(rows[np.argsort(ids[rows], kind="stable")])
