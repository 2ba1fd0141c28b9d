"""Correlation of values that deviate in the same run, and the number of independent values they are worth."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.limits import COMPARED_OTHER_POSITIONS, CORRELATED_ROW_PAIRS


def repeat_deviations(levels_db: Reals) -> Reals:
    """Independent deviations of repeats, shape (runs, positions, items) as the levels; NaN where there is none.

    Each run less the mean of those before it, times sqrt(m / (m + 1)) for m of them: uncorrelated, each with the
    variance of one run, and their squares add up to the squares about the mean (Helmert's contrasts). The first run
    with a level has none.
    """
    total, count = (np.zeros(levels_db.shape[1:]) for _ in range(2))
    found = np.full(levels_db.shape, np.nan)
    for run, levels in enumerate(levels_db):
        known = np.isfinite(levels)
        earlier = np.maximum(count, 1.0)
        found[run] = np.where(
            known & (count > 0.0), (levels - total / earlier) * np.sqrt(earlier / (earlier + 1.0)), np.nan
        )
        total, count = total + np.where(known, levels, 0.0), count + known
    return found


def squared_correlation(rows_db: Reals, near: NDArray[np.bool_]) -> float:
    """Mean squared correlation of near items, from deviations (rows, positions, items), NaN where there is none.

    `near` (items, items) says which items lie beside each, itself included. For independent rows z and y of m items
    with correlation matrix R the mean of (z y)^2 / (|z|^2 |y|^2) is about tr(R^2) / m^2, whatever R is. It is taken
    over pairs of different rows, at the same and at other positions, and drawn towards 1 as one more pair of rows
    would do, so that few rows are taken to move together. A single row is held against itself at other positions: what
    they have in common then counts as well. 1 where nothing tells.
    """
    rows_db = rows_db[np.isfinite(rows_db).any(axis=(1, 2))]
    rows, known = _of_like_size(rows_db), np.isfinite(rows_db).any(axis=(0, 1))
    width = (near & known).sum(axis=1).astype(np.float64)
    some = known & (width > 1.0)
    positions, alone = rows.shape[1], rows.shape[0] == 1
    pairs = [(0, 0)] if alone else _spread(list(itertools.combinations(range(rows.shape[0]), 2)))
    if not pairs or not some.any():
        return 1.0
    weight = near[:, some].astype(np.float64)
    squares = (rows**2) @ weight
    crossed, sizes = 0.0, 0.0
    for first, second in pairs:
        for shift in range(int(alone), min(positions, COMPARED_OTHER_POSITIONS + int(alone))):
            other = (np.arange(positions) - shift) % positions
            crossed += float((((rows[first] * rows[second][other]) @ weight) ** 2 / width[some]).sum())
            sizes += float((squares[first] * squares[second][other] / width[some] ** 2).sum())
    if sizes <= 0.0:
        return 1.0
    mean_width = float(width[some].mean())
    found = min(max((crossed / sizes - 1.0) / (mean_width - 1.0), 0.0), 1.0)
    evidence = positions - 1.0 if alone else rows.shape[0] * (rows.shape[0] - 1) / 2.0 * positions
    return float((evidence * found + 1.0) / (evidence + 1.0))


def mean_correlation(
    values: Reals, known: NDArray[np.bool_], axis: int, near: NDArray[np.bool_] | None = None
) -> float:
    """Mean correlation of values along one axis, from 0 to 1; 1 where nothing tells.

    Sum of z_j z_k over all pairs of members that are `near` each other (members, members; none: all of them), over the
    sum of their squares. `values` are zero where they are not `known`, which has their shape or broadcasts to it.
    """
    squares = values**2
    if near is None:
        beside = known.sum(axis=axis, keepdims=True) - 1
        crossed = values.sum(axis=axis) ** 2 - squares.sum(axis=axis)
        own = np.squeeze(beside, axis) * squares.sum(axis=axis)
    else:
        others = (near & ~np.eye(near.shape[0], dtype=bool)).astype(np.float64)
        moved, there = np.moveaxis(values, axis, -1), np.moveaxis(known, axis, -1)
        crossed = (moved @ others) * moved
        own = (there.astype(np.float64) @ others) * np.moveaxis(squares, axis, -1)
    size = float(own.sum())
    return min(max(float(crossed.sum()) / size, 0.0), 1.0) if size > 0.0 else 1.0


def independent_values(rows_db: Reals) -> float:
    """Number of independent values that a row of deviations (rows, positions, items) is worth, from 1 to all of them.

    The inverse of the mean of (z y)^2 / (|z|^2 |y|^2) over pairs of rows, as in `squared_correlation`; 1 where there is
    one row.
    """
    rows = np.where(np.isfinite(rows_db), rows_db, 0.0).reshape(rows_db.shape[0], -1)
    squares = (rows**2).sum(axis=1)
    pairs = _spread(list(itertools.combinations(np.flatnonzero(squares > 0.0).tolist(), 2)))
    if not pairs:
        return 1.0
    crossed = sum(float(rows[first] @ rows[second]) ** 2 for first, second in pairs)
    sizes = sum(float(squares[first] * squares[second]) for first, second in pairs)
    count = float((np.isfinite(rows_db).sum(axis=(1, 2))).max())
    return min(max(sizes / crossed, 1.0), count) if crossed > 0.0 else count


def position_mean_squares(rows_db: Reals) -> tuple[Reals, NDArray[np.int64]]:
    """Mean square of the values at each position of (rows, positions, items), and how many; 0 where there is none."""
    known = np.isfinite(rows_db)
    count = known.sum(axis=(0, 2))
    return np.where(known, rows_db**2, 0.0).sum(axis=(0, 2)) / np.maximum(count, 1), count


def in_own_units(rows_db: Reals) -> Reals:
    """Values over the root mean square of their position, so that the most variable position does not dominate."""
    square, _ = position_mean_squares(rows_db)
    return np.asarray(rows_db / np.sqrt(np.where(square > 0.0, square, 1.0))[:, None])


def _of_like_size(rows_db: Reals) -> Reals:
    """Rows with unknown values at zero, positions brought nearer to one size so that a wild one does not rule."""
    rows = np.where(np.isfinite(rows_db), rows_db, 0.0)
    square, count = position_mean_squares(rows_db)
    usual = float(np.median(square[count > 0])) if (count > 0).any() else 1.0
    size = np.sqrt((square + usual) / 2.0)
    return rows / np.where(size > 0.0, size, 1.0)[None, :, None]


def _spread(pairs: list[tuple[int, int]]) -> list[tuple[int, int]]:
    step = max(1, -(-len(pairs) // CORRELATED_ROW_PAIRS))
    return pairs[::step]
