"""Numbers and names as the cells of a table hold them: nothing where there is no finite value."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import SupportsFloat, TypeVar

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.acoustics.levels import level_db
from tapeline.arrays import Flags, Reals

Cell = TypeVar("Cell")


def given(cell: Cell | None) -> Cell:
    """A cell that the rest of its row says is filled; raises ValueError for an empty one."""
    if cell is None:
        raise ValueError("an empty cell where the row says that there is a value")
    return cell


def finite_or_none(value: SupportsFloat) -> float | None:
    """The number itself, None where it is not finite."""
    number = float(value)
    return number if math.isfinite(number) else None


def as_reals(cells: Iterable[float | None]) -> Reals:
    """Cells as an array, (cells,), NaN for empty ones.

    >>> as_reals([1.5, None]).tolist()
    [1.5, nan]
    """
    return np.array([math.nan if cell is None else cell for cell in cells], dtype=np.float64)


def finite_cells(columns: Mapping[str, Reals], empty: Flags) -> dict[str, Reals]:
    """Numbers of any shape, `empty` of the same, as columns (cells,): NaN, no value, where empty or not finite.

    >>> finite_cells({"level_db": np.array([60.0, -np.inf, 50.0])}, np.array([False, False, True]))
    {'level_db': array([60., nan, nan])}
    """
    return {name: np.where(np.isfinite(cells) & ~empty, cells, np.nan).ravel() for name, cells in columns.items()}


def named_cells(names: Sequence[str], index: NDArray[np.integer], empty: Flags) -> pa.Array:
    """Names by their index, of any shape, as a column (cells,): no value where `empty`, of the same shape.

    >>> named_cells(["clear", "bound"], np.array([1, 0]), np.array([False, True])).to_pylist()
    ['bound', None]
    """
    return pa.array(names, pa.string()).take(pa.array(index.ravel(), mask=empty.ravel()))


def lists_of_names(flags: Mapping[str, Flags], cells: int) -> pa.ListArray:
    """For each cell the names whose flags are set there, in their order; flags of any shape of so many `cells`.

    >>> lists_of_names({"hum": np.array([True, False]), "spikes": np.array([True, False])}, 2).to_pylist()
    [['hum', 'spikes'], []]
    """
    by_cell = np.array([each.ravel() for each in flags.values()], dtype=bool).reshape(len(flags), cells).T
    ends = np.cumsum(by_cell.sum(axis=1), dtype=np.int32)
    names = pa.array(list(flags), pa.string()).take(pa.array(np.nonzero(by_cell)[1]))
    return pa.ListArray.from_arrays(pa.array(np.append(np.int32(0), ends)), names)


def lists_with_gaps(values: NDArray[np.generic], filled: Flags | None = None) -> pa.ListArray:
    """Each row of an array (rows, elements) as the list of a cell, NaN as a gap; no list where not `filled` (rows,).

    >>> lists_with_gaps(np.array([[1.0, np.nan], [2.0, 3.0]]), np.array([True, False])).to_pylist()
    [[1.0, None], None]
    """
    there = np.ones(len(values), dtype=bool) if filled is None else filled
    ends = np.cumsum(values.shape[1] * there, dtype=np.int32)
    starts = pa.array(np.append(np.int32(0), ends), mask=np.append(~there, False))
    return pa.ListArray.from_arrays(starts, pa.array(values[there].ravel(), from_pandas=True))


def finite_reals(values: Reals) -> NDArray[np.float32]:
    """The finite numbers of a list of any shape, NaN for all others: its gaps."""
    return np.where(np.isfinite(values), values, np.nan).astype(np.float32)


def levels_with_gaps(power_pa2: Reals, reference_pa: float) -> Reals:
    """Levels (dB) of powers of any shape, NaN where there is none: a gap."""
    return level_db(np.where(power_pa2 > 0.0, power_pa2, np.nan), reference_pa)


def level_or_none(relative_power: SupportsFloat) -> float | None:
    """Level (dB) of a power over the reference pressure's square, None where it is not above zero."""
    power = float(relative_power)
    return float(level_db(power, 1.0)) if power > 0.0 else None
