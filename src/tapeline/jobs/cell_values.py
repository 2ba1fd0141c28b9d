"""Numbers as the cells of a table hold them: nothing where there is no finite value."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import SupportsFloat, TypeVar

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.levels import level_db
from tapeline.arrays import Reals

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


def cells_at(columns: Mapping[str, Reals], *index: int) -> dict[str, float | None]:
    """The cell at one place of every column, None where it is not finite.

    >>> cells_at({"level_db": np.array([60.0, np.nan])}, 1)
    {'level_db': None}
    """
    return {name: finite_or_none(values[index]) for name, values in columns.items()}


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
