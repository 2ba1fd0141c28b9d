"""Levels of runs and positions split by medians, and levels that do not fit those at the same or other speeds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from tapeline.arrays import Reals
from tapeline.limits import OUTLIER_LINE_SPEEDS

ROUNDS = 10
"""Rounds of the polish; it settles in two or three."""


def median_polish(cells: ArrayLike) -> tuple[Reals, Reals, Reals]:
    """Row effects, column effects and residuals of a table of levels, shapes (rows,), (columns,), (rows, columns).

    Row and column medians are removed in turn (Tukey, Exploratory Data Analysis, 1977), so that single outliers do not
    move the effects. Column effects have median 0. NaN cells are missing and stay NaN in the residuals.
    """
    rest = np.array(cells, dtype=np.float64)
    rows, columns = np.zeros(rest.shape[0]), np.zeros(rest.shape[1])
    for _ in range(ROUNDS):
        step = _median(rest, 1)
        rest -= step[:, None]
        rows += step
        side = _median(rest, 0)
        rest -= side[None, :]
        columns += side
        if max(np.abs(step).max(initial=0.0), np.abs(side).max(initial=0.0)) < 1e-9:
            break
    middle = float(np.median(columns)) if columns.size else 0.0
    return rows + middle, columns - middle, rest


def _median(values: Reals, axis: int) -> Reals:
    known = np.isfinite(values).any(axis=axis)
    filled = np.where(np.isfinite(values), values, np.nan)
    result = np.zeros(known.shape)
    if axis == 1:
        result[known] = np.nanmedian(filled[known], axis=1)
    else:
        result[known] = np.nanmedian(filled[:, known], axis=0)
    return result


def off_repeats(speeds_mps: Sequence[float], levels_db: Sequence[float]) -> Reals:
    """Deviation in dB of each run's level from the runs at the same speed, shape (runs,); 0 where it is unknown.

    Of three or more runs at one speed: from their median. Of two: from each other, since nobody can say which is right.
    A run that is alone at its speed: from the line over lg speed whose slope is the median of the slopes between all
    pairs (Theil and Sen), where four or more speeds fix one.
    """
    level = np.asarray(levels_db, dtype=np.float64)
    place = np.round(10.0 * np.log10(np.maximum(np.asarray(speeds_mps, dtype=np.float64), 1e-9)), 2)
    off = np.zeros(level.shape)
    for value in np.unique(place):
        same = np.flatnonzero(place == value)
        if same.size == 2:
            off[same] = level[same] - level[same[::-1]]
        elif same.size > 2:
            off[same] = level[same] - np.median(level[same])
    alone = np.array([np.count_nonzero(place == value) == 1 for value in place], dtype=bool)
    if np.unique(place).size >= OUTLIER_LINE_SPEEDS and alone.any():
        i, j = np.triu_indices(level.size, 1)
        apart = place[i] != place[j]
        rest = level - float(np.median((level[i] - level[j])[apart] / (place[i] - place[j])[apart])) * place
        off[alone] = (rest - np.median(rest))[alone]
    return off
