"""Which cells of a session scatter alike, so that their repeats may be pooled position by position."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.limits import RESTLESS_POSITION_MEDIAN_RATIO, UNEQUAL_SCATTER_DOF, UNEQUAL_SCATTER_P
from tapeline.statistics.effective_number import independent_values, position_mean_squares
from tapeline.statistics.repeat_scatter import RepeatRows
from tapeline.statistics.significance import variance_ratio_p_value


def homogeneous_cells(cells: Sequence[RepeatRows]) -> NDArray[np.bool_]:
    """Flags of the pairs of cells with equal scatter, shape (cells, cells); each cell equals itself.

    Every deviation is taken in units of what all cells together show at its position and item, so that positions that
    scatter more weigh no more. The mean squares of two cells are compared by an F test; positions and items that move
    together count in its degrees of freedom as the few independent ones that they are worth.
    """
    count = len(cells)
    rows = np.concatenate([cell.deviation_db for cell in cells])
    known = np.isfinite(rows)
    if count < 2 or not known.any():
        return np.ones((count, count), dtype=bool)
    pooled = np.where(known, rows**2, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    unit = np.sqrt(np.where(pooled > 0.0, pooled, 1.0))
    worth = independent_values(rows / unit)
    means, dofs = np.zeros(count), np.zeros(count)
    for k, cell in enumerate(cells):
        there = np.isfinite(cell.deviation_db)
        places = int(there.sum(axis=(1, 2)).max(initial=0))
        means[k] = _mean_square(cell.deviation_db / unit)
        runs = int(there.any(axis=(1, 2)).sum())
        dofs[k] = min(runs * min(worth, max(places, 1)), UNEQUAL_SCATTER_DOF) if there.any() else 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = variance_ratio_p_value(means[:, None], means[None, :], dofs[:, None], dofs[None, :])
    tested = (dofs[:, None] > 0.0) & (dofs[None, :] > 0.0) & np.isfinite(chance)
    unlike = tested & ((chance < UNEQUAL_SCATTER_P / 2.0) | (chance.T < UNEQUAL_SCATTER_P / 2.0))
    np.fill_diagonal(unlike, False)
    return np.asarray(~unlike)


def _mean_square(rows: Reals) -> float:
    """Mean square over items and positions but those beyond `RESTLESS_POSITION_MEDIAN_RATIO` times the median; 0 of
    nothing."""
    square, count = position_mean_squares(rows)
    there = count > 0
    if not there.any():
        return 0.0
    usual = there & (square <= RESTLESS_POSITION_MEDIAN_RATIO * np.median(square[there]))
    return float(np.average(square[usual], weights=count[usual]))
