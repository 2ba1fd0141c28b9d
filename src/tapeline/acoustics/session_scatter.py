"""How far levels change from one session to another: measured on conditions that both sessions hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.comparison import Cell, inverse_count
from tapeline.acoustics.repeat_scatter import Scatter
from tapeline.acoustics.windows import Reals

Flags = NDArray[np.bool_]

LEAST_FOR_BANDS = 4.0
"""With fewer independent changes of positions each band stands alone (own choice, see docs/validation.md)."""

LEAST_SHARE = 1e-3
"""A change no larger than its noise is taken as this share of it, so that its degrees of freedom stay finite."""


@dataclass(frozen=True)
class SessionChange:
    """Levels of one session less those of another, over all that both measured, every field (positions, items).

    `mean_db` is the mean difference, `squares_db2` the mean of its squares and `noise_db2` the mean variance that runs
    within the sessions give it; NaN where nothing was measured in both.
    """

    mean_db: Reals
    squares_db2: Reals
    noise_db2: Reals


@dataclass(frozen=True)
class SessionScatter:
    """Variance (dB^2) of one session's level about the mean of sessions, for each position, (positions, items).

    The degrees of freedom are those of the variance beyond noise; `changes` says how many independent changes it is
    from. Both are zero where nothing was measured twice.
    """

    variance_db2: Reals
    degrees_of_freedom: Reals
    changes: Reals


def session_change(cells: Sequence[tuple[Cell, Cell]], scatters: tuple[Scatter, Scatter]) -> SessionChange:
    """The change between two sessions from the cells (condition, operating point) that both have; at least one.

    What a session does to one condition it does to the others too, so that the cells are averaged and count once.
    """
    difference = np.stack([second.mean_db - first.mean_db for first, second in cells])
    noise = np.stack([sum(map(_of_mean, pair, scatters)) for pair in cells])
    known = np.isfinite(difference)
    count = known.sum(axis=0)
    with np.errstate(invalid="ignore"):
        means = [np.where(known, part, 0.0).sum(axis=0) / count for part in (difference, difference**2, noise)]
    return SessionChange(*means)


def _of_mean(cell: Cell, scatter: Scatter) -> Reals:
    """Variance of a cell's mean by what its runs have of their own."""
    return np.asarray((cell.random_variance + scatter.excess) * inverse_count(cell.count))


def session_scatter(changes: Sequence[SessionChange], freedom: Reals, near: Flags) -> SessionScatter:
    """Half the mean squared change less its noise, not below zero, pooled over sessions, other positions, near items.

    Each position's variance comes from the others: its own change is what the interval has to hold, and Student's t
    wants a variance that does not depend on it. Where there are no others its own stands in (t is then over-cautious).
    `freedom` (positions,) says how many independent changes each position has among the pairs (sessions less one, or
    mounts less one), `near` (items, items) which items are pooled with each (bands beside it, and itself).
    Positions of one session may move together (one calibrator, one day's air), and so may bands: with the mean
    correlation rho of their changes, n of them are worth n / (1 + (n - 1) rho^2), as in `pooled_scatter`.
    """
    shape = (freedom.size, near.shape[0])
    total, noise, count = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    over_positions, over_items = _Alike(), _Alike()
    for change in changes:
        known = np.isfinite(change.mean_db)
        total += np.where(known, change.squares_db2 / 2.0, 0.0)
        noise += np.where(known, change.noise_db2 / 2.0, 0.0)
        count += known
        moved = np.where(known, change.mean_db, 0.0)
        over_positions.add(moved.T, known.T, np.ones((shape[0], shape[0]), dtype=bool))
        over_items.add(moved, known, near)
    sums, noises, counts, worth = (
        _of_others(part) for part in (total, noise, count, np.minimum(count, freedom[:, None]))
    )
    alone = counts <= 0
    sums, noises, counts = (
        np.where(alone, own, others) for own, others in ((total, sums), (noise, noises), (count, counts))
    )
    spare = np.minimum(count, freedom[:, None])
    others = np.maximum((count > 0).sum(axis=0) - 1.0, 1.0)
    worth = np.maximum(worth / (1.0 + (others - 1.0) * over_positions.rho**2), _largest_of_others(spare))
    worth = np.where(alone, spare, worth)
    with np.errstate(divide="ignore", invalid="ignore"):
        alone_in_band = [np.where(counts > 0, part / counts, 0.0) for part in (sums, noises)]
        width = (counts > 0) @ near.astype(float)
        over_bands = [part @ near / width for part in alone_in_band]
        # Few changes that happen to be small look like noise, which each band has of its own: they cannot tell whether
        # bands move together.
        many = worth >= LEAST_FOR_BANDS
        pooled = (worth @ near) / (1.0 + np.maximum(width - 1.0, 0.0) * over_items.rho**2)
        worth = np.where(many, np.maximum(pooled, worth), worth)
        mean, expected = (np.where(many, wide, own) for wide, own in zip(over_bands, alone_in_band, strict=True))
        excess = np.maximum(mean - expected, LEAST_SHARE * mean)
        share = np.where(mean > 0.0, excess / mean, 1.0)
    return SessionScatter(excess, worth * share**2, worth)


class _Alike:
    """Mean correlation of changes along one axis, from sums over all pairs that are near each other."""

    def __init__(self) -> None:
        self._crossed, self._own = 0.0, 0.0

    def add(self, moved: Reals, known: Flags, near: Flags) -> None:
        """Take in changes (rows, members), zero where unknown."""
        others = near & ~np.eye(near.shape[0], dtype=bool)
        self._crossed += float(((moved @ others) * moved).sum())
        self._own += float(((known @ others.astype(float)) * moved**2).sum())

    @property
    def rho(self) -> float:
        """The correlation, from 0 to 1; 1 where nothing tells."""
        return min(max(self._crossed / self._own, 0.0), 1.0) if self._own > 0.0 else 1.0


def _of_others(values: Reals) -> Reals:
    """Sum over all other positions, (positions, items); rounding does not leave a rest."""
    positions = values.shape[0]
    return np.asarray((1.0 - np.eye(positions)) @ values)


def _largest_of_others(values: Reals) -> Reals:
    """Largest value among all other positions, (positions, items); 0 where there is none."""
    kept = np.where(np.eye(values.shape[0], dtype=bool)[:, :, None], 0.0, values[None, :, :])
    return np.asarray(kept.max(axis=1, initial=0.0))
