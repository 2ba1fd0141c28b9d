"""The changed cells of one column of two matched tables: numbers and texts."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.changes.matched_rows import MatchedRows
from tapeline.changes.scales import Scale, Tolerance
from tapeline.changes.table_changes import Cell, ColumnChanges, Moved, Sink

Mask = NDArray[np.bool_]
EMPTY, NOTHING = "(empty)", "(none)"


@dataclass(frozen=True)
class Place:
    """Where the cells of one part stand: the table's name, the matched rows, how a pair's key reads."""

    table: str
    rows: MatchedRows
    tolerance: Tolerance
    key_text: Callable[[int], str]


def is_number(kind: pa.DataType) -> bool:
    """Whether a column holds one number a cell."""
    return bool(pa.types.is_floating(kind) or pa.types.is_integer(kind))


def compare_numbers(
    place: Place, found: ColumnChanges, scale: Scale, old: pa.Array, new: pa.Array, sink: Sink | None
) -> Mask:
    """Compare two matched columns of numbers; null and NaN are no value. Returns which pairs differ."""
    first, second = reals(old), reals(new)
    nulls = [pc.is_null(column).to_numpy(zero_copy_only=False) for column in (old, new)]
    same = (first == second) | (np.isnan(first) & np.isnan(second) & (nulls[0] == nulls[1]))
    unlike = np.asarray(~same, dtype=bool)
    differs = np.flatnonzero(unlike)
    if not differs.size:
        return unlike
    before, after = first[differs], second[differs]
    change = scale.change(before, after)
    found.cells += differs.size
    found.beyond += int(np.count_nonzero(place.tolerance.beyond(scale, before, after)))
    found.appeared += int(np.count_nonzero(np.isnan(before) & ~np.isnan(after)))
    found.vanished += int(np.count_nonzero(~np.isnan(before) & np.isnan(after)))

    def moved(at: int) -> Moved:
        pair = int(differs[at])
        values = [cell_of(v[pair], bool(n[pair])) for v, n in zip((first, second), nulls, strict=True)]
        size = None if math.isnan(change[at]) else float(change[at])
        row = place.key_text(pair)
        return Moved(place.table, row, found.column, "", found.unit, values[0], values[1], size, scale.unit)

    keep_extremes(place, found, differs, change, moved)
    if sink:
        for at in np.argsort(place.rows.order[differs], kind="stable"):
            sink(moved(int(at)))
    return unlike


def keep_extremes(
    place: Place, found: ColumnChanges, pairs: NDArray[np.int64], change: Reals, moved: Callable[[int], Moved]
) -> None:
    """Offer the largest change of some pairs, of equal ones that with the first key; keep one that has no size."""
    size, order = np.abs(change), place.rows.order[pairs]
    known = np.flatnonzero(~np.isnan(size))
    if known.size:
        largest = known[size[known] == size[known].max()]
        found.offer(moved(int(largest[np.argmin(order[largest])])))
    unsized = np.flatnonzero(np.isnan(size))
    if unsized.size and found.unsized is None:
        found.unsized = moved(int(unsized[np.argmin(order[unsized])]))


def reals(column: pa.Array) -> Reals:
    """A column of numbers, NaN where it is null."""
    return np.asarray(column.cast(pa.float64(), safe=False).to_numpy(zero_copy_only=False), dtype=np.float64)


def cell_of(value: float, null: bool) -> Cell:
    """A number as a cell: None where there is none; NaN by its name, since it is another thing than no value."""
    return None if null else "NaN" if math.isnan(value) else float(value)


def compare_texts(place: Place, found: ColumnChanges, old: pa.Array, new: pa.Array, sink: Sink | None) -> Mask:
    """Compare two matched columns of texts; null is no text. Returns which pairs differ."""
    equal = pc.fill_null(pc.equal(old, new), False).to_numpy(zero_copy_only=False)
    both_null = pc.and_(pc.is_null(old), pc.is_null(new)).to_numpy(zero_copy_only=False)
    differs = np.flatnonzero(~(equal | both_null))
    differs_in_order = differs[np.argsort(place.rows.order[differs], kind="stable")]
    counted: dict[tuple[str | None, str | None], bool] = {}
    for pair in differs_in_order:
        words = old[pair].as_py(), new[pair].as_py()
        moved = Moved(place.table, place.key_text(int(pair)), found.column, "", found.unit, *words, None, "")
        shown = tuple(EMPTY if word is None else word or NOTHING for word in words)
        found.count_words(shown[0], shown[1], moved)
        if words not in counted:
            counted[words] = place.tolerance.word_counts(found.column, *words)
        found.count(moved, counted[words], sink)
    mask = np.zeros(equal.size, dtype=bool)
    mask[differs] = True
    return mask
