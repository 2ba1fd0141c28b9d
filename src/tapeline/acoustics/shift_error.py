"""Standard error of a shift between sessions: scatter of repeats of other cells, or of the cell itself where larger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.comparison import (
    LEAST_OWN_FREEDOM,
    OWN_SCATTER_P,
    Cell,
    Scatter,
    inverse_count,
)
from tapeline.acoustics.scatter_sums import OWN_CELL_P
from tapeline.acoustics.statistics import variance_ratio_p_value
from tapeline.acoustics.uncertainty import welch_satterthwaite
from tapeline.acoustics.windows import Reals


@dataclass(frozen=True)
class ShiftError:
    """Standard error (dB) and degrees of freedom, (positions, items), NaN where nothing tells of repeats.

    `own` says where the scatter of the cell's or the position's own repeats is in it.
    """

    error_db: Reals
    degrees_of_freedom: Reals
    own: NDArray[np.bool_]


def shift_error(
    cells: Sequence[Cell],
    others: Sequence[Scatter],
    of_cell: Scatter,
    ends: tuple[NDArray[np.int64], NDArray[np.int64]],
) -> ShiftError:
    """Error of the mean of one session less that of another, of one condition at one operating point.

    `cells` and `others`, by session: its repeats, and the scatter of repeats of all other cells; `of_cell` is that of
    the cell itself, its sessions and positions together, so that what all positions of a run share is seen. `ends`
    (positions, items) number the two sessions. The scatter is that of the others, or the cell's own where that is
    significantly larger (F test at `OWN_CELL_P`) or nothing else is known; then a position's own of all sessions where
    it is significantly larger still (at `OWN_SCATTER_P`). Student's t with Welch-Satterthwaite degrees of freedom.
    """
    count = np.stack([cell.count for cell in cells])
    spare = np.maximum(count - 1, 0)
    random = np.stack([cell.random_variance for cell in cells])
    squares = np.stack([np.nan_to_num(cell.squares) for cell in cells]).sum(axis=0)
    pooled = np.stack([scatter.excess for scatter in others])[:, None, :]
    freedom = np.stack([scatter.degrees_of_freedom for scatter in others])[:, None, :]
    odd, of_others = _cell_stands_out(squares, spare, random, pooled, freedom, of_cell)

    spares = spare.sum(axis=0)
    known = np.where(odd, of_cell.degrees_of_freedom, of_others)
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = squares / spares
        expected = (spare * (random + np.where(odd, of_cell.excess, pooled))).sum(axis=0) / spares
        chance = variance_ratio_p_value(alone, expected, spares, np.maximum(known, 1.0))
        apart = (alone > expected) & np.where(
            known > 0, (chance < OWN_SCATTER_P) & (spares >= LEAST_OWN_FREEDOM), spares > 0
        )

    inverse = inverse_count(count)
    wide = [np.broadcast_to(part, count.shape) for part in (pooled, freedom)]
    at_ends = [tuple(_at(part, end) for part in (random * inverse, inverse, *wide)) for end in ends]
    both, runs = (at_ends[0][k] + at_ends[1][k] for k in (0, 1))
    terms = [
        (np.where(apart, alone * runs, 0.0), np.maximum(spares, 1.0)),
        (np.where(apart, 0.0, both), np.full(runs.shape, np.inf)),
    ]
    terms.append(_excess(np.where(odd & ~apart, of_cell.excess * runs, 0.0), both, of_cell.degrees_of_freedom))
    for own_random, share, excess, its_freedom in at_ends:
        terms.append(_excess(np.where(odd | apart, 0.0, excess * share), own_random, its_freedom))
    variances, freedoms = (np.stack([np.broadcast_to(term[k], runs.shape) for term in terms]) for k in (0, 1))
    told = (known > 0) | (spares > 0)
    return ShiftError(
        error_db=np.where(told, np.sqrt(variances.sum(axis=0)), np.nan),
        degrees_of_freedom=np.where(told, np.maximum(welch_satterthwaite(variances, freedoms), 1.0), np.nan),
        own=np.asarray(odd | apart),
    )


def _cell_stands_out(
    squares: Reals, spare: NDArray[np.int64], random: Reals, pooled: Reals, freedom: Reals, of_cell: Scatter
) -> tuple[NDArray[np.bool_], Reals]:
    """Where (items,) the cell's own scatter counts, and the degrees of freedom of what was expected of it."""
    weight = spare.sum(axis=(0, 1))
    parts = (spare * (random + pooled)).sum(axis=1)
    of_others = np.where(freedom[:, 0] > 0, np.maximum(freedom[:, 0], 1.0), 0.0)
    worth = np.where((of_others > 0).all(axis=0), welch_satterthwaite(parts, np.maximum(of_others, 1.0)), 0.0)
    worth = np.where(np.isfinite(worth), worth, of_others.min(axis=0))
    with np.errstate(divide="ignore", invalid="ignore"):
        own, expected = squares.sum(axis=0) / weight, parts.sum(axis=0) / weight
    chance = variance_ratio_p_value(own, expected, of_cell.degrees_of_freedom, np.maximum(worth, 1.0))
    larger = (own > expected) & (chance < OWN_CELL_P)
    return np.asarray((of_cell.degrees_of_freedom > 0) & (larger | (worth <= 0))), worth


def _excess(part: Reals, random: Reals, freedom: Reals) -> tuple[Reals, Reals]:
    """An excess with its degrees of freedom: as uncertain as its sum with the random error that it was taken off."""
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(part > 0.0, part / (part + random), 1.0)
    return part, np.asarray(np.maximum(freedom, 1.0) * share**2)


def _at(values: Reals, session: NDArray[np.int64]) -> Reals:
    """What belongs to one session at each (position, item), of values (sessions, positions, items)."""
    return np.asarray(np.take_along_axis(values, session[None], axis=0)[0])
