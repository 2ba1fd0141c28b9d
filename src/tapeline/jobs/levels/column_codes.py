"""Columns of texts and labels as numbers: each value is looked at once, not each cell."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from tapeline.arrays import Flags


def codes_of(column: pa.ChunkedArray) -> NDArray[np.intp]:
    """A number for each value of a column without empty cells, (rows,)."""
    return np.asarray(pc.dictionary_encode(column).combine_chunks().indices.to_numpy(), dtype=np.intp)


def combinations(*codes: NDArray[np.intp]) -> NDArray[np.intp]:
    """A number for each combination of some numbers, each (rows,).

    >>> combinations(np.array([0, 0, 1]), np.array([4, 2, 4])).tolist()
    [1, 0, 2]
    """
    found = np.zeros_like(codes[0])
    for each in codes:
        found = np.unique(found * (each.max(initial=0) + 1) + each, return_inverse=True)[1]
    return found


def by_value(column: pa.ChunkedArray, of: Callable[[Any], Any], kind: type[np.generic | bool]) -> NDArray[Any]:
    """What each cell stands for, (rows,): asked once for each value, of which an empty cell is one."""
    encoded = pc.dictionary_encode(column, null_encoding="encode").combine_chunks()
    values = np.array([of(value) for value in encoded.dictionary.to_pylist()], dtype=kind)
    return np.asarray(values[encoded.indices.to_numpy()])


def any_in_lists(column: pa.ChunkedArray, of: Callable[[Any], bool]) -> Flags:
    """Whether any value in the list of each cell is so, (rows,): asked once for each value."""
    lists = column.combine_chunks()
    found = np.zeros(len(lists), dtype=bool)
    so = by_value(pa.chunked_array([lists.flatten()]), of, bool)
    found[lists.value_parent_indices().to_numpy()[so]] = True
    return found
