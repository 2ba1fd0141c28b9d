"""How levels change from one session to another: from what both measured, and the error of a shift between two."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Flags, Reals
from tapeline.limits import CHANGE_ABOVE_NOISE_SHARE, MEASURED_SESSION_CHANGES, SETTING_DOF
from tapeline.statistics.combined_uncertainty import welch_satterthwaite
from tapeline.statistics.comparison import ConditionMean, run_to_run
from tapeline.statistics.effective_number import in_own_units, mean_correlation
from tapeline.statistics.moderated_variance import moderated, variance_prior
from tapeline.statistics.repeat_scatter import Scatter


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


def session_change(
    cells: Sequence[tuple[ConditionMean, ConditionMean]], scatters: tuple[Scatter, Scatter]
) -> SessionChange:
    """The change between two sessions from the cells (condition, operating point) that both have; at least one.

    What a session does to one condition it does to the others too, so that the cells are averaged and count once.
    """
    difference = np.stack([second.mean_db - first.mean_db for first, second in cells])
    noise = np.stack(
        [np.sum([run_to_run(*each).variance for each in zip(pair, scatters, strict=True)], axis=0) for pair in cells]
    )
    known = np.isfinite(difference)
    count = known.sum(axis=0)
    with np.errstate(invalid="ignore"):
        means = [np.where(known, part, 0.0).sum(axis=0) / count for part in (difference, difference**2, noise)]
    return SessionChange(*means)


def session_scatter(changes: Sequence[SessionChange], degrees_of_freedom: Reals, near: Flags) -> SessionScatter:
    """Between-session variance: half the mean squared change less its noise, not below zero, at each position and item.

    A position's own changes are drawn towards those of all others (an inverse-gamma prior, as in Smyth 2004; see
    `moderated_variance`), as far as positions turn out to change alike: one that is hard to fit anew the same way has
    its own. Few changes do not show that; then the interval is kept wide by the change that was measured at the
    position itself (`held_db` of `comparison.difference`). `degrees_of_freedom` (positions,) says how many independent
    changes each position has among the pairs (sessions less one, or mounts less one), `near` (items, items) which items
    are pooled with each (bands beside it, and itself). Positions of one session may move together (one calibrator, one
    day's air), and so may bands: with the mean correlation rho of their changes, n of them are worth n / (1 + (n - 1)
    rho^2).
    """
    shape = (degrees_of_freedom.size, near.shape[0])
    total, noise, count = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for change in changes:
        known = np.isfinite(change.mean_db)
        total += np.where(known, change.squares_db2 / 2.0, 0.0)
        noise += np.where(known, change.noise_db2 / 2.0, 0.0)
        count += known
    rho_positions, rho_items = _correlations(changes, near)
    spare = np.minimum(count, degrees_of_freedom[:, None])
    own, own_noise, worth = _near_bands(total, noise, count, spare, near, rho_items)
    prior = variance_prior(np.where(worth > 0.0, own, np.nan), worth)
    others = np.maximum((count > 0).sum(axis=0) - 1.0, 0.0)
    of_others = [_of_others(np.where(worth > 0.0, worth * part, 0.0)) for part in (own, own_noise)]
    weight = _of_others(worth)
    known_of_others = np.maximum(
        weight / (1.0 + np.maximum(others - 1.0, 0.0) * rho_positions**2), _largest_of_others(worth)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        location, their_noise = (np.where(weight > 0.0, part / weight, np.nan) for part in of_others)
        as_alike = 1.0 / (1.0 / known_of_others + 1.0 / np.float64(prior.degrees_of_freedom))
        # What moves at all positions together is in a position's own changes already.
        alike = np.where(known_of_others > 0.0, as_alike * (1.0 - rho_positions**2), 0.0)
    mean, both = moderated(own, worth, location, alike)
    expected, _ = moderated(own_noise, worth, their_noise, alike)
    there = both > 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        excess = np.maximum(mean - expected, CHANGE_ABOVE_NOISE_SHARE * mean)
        share = np.where(mean > 0.0, excess / mean, 1.0)
    return SessionScatter(
        np.where(there, np.nan_to_num(excess), 0.0),
        np.where(there, both * np.nan_to_num(share, nan=1.0) ** 2, 0.0),
        np.where(there, both, 0.0),
    )


def with_assumed(known: SessionScatter, usual_variance_db2: Reals) -> tuple[Reals, Reals]:
    """Variance (dB^2) of one session's level and its degrees of freedom, with what is usual beside few changes.

    Both (positions, items), as `usual_variance_db2` or what broadcasts to it; 0 with one degree of freedom where
    nothing was measured twice.
    """
    is_known = known.changes > 0.0
    few = np.where(known.changes < MEASURED_SESSION_CHANGES, SETTING_DOF, 0.0)
    together = (known.changes * known.variance_db2 + few * usual_variance_db2) / np.maximum(known.changes + few, 1e-9)
    return np.where(is_known, together, 0.0), np.where(is_known, known.degrees_of_freedom + few, 1.0)


def _near_bands(
    total: Reals, noise: Reals, count: Reals, spare: Reals, near: Flags, rho: float
) -> tuple[Reals, Reals, Reals]:
    """Mean square, its noise and what it is worth at each position, with the items near each."""
    with np.errstate(divide="ignore", invalid="ignore"):
        alone = [np.where(count > 0.0, part / count, 0.0) for part in (total, noise)]
        width = (count > 0.0) @ near.astype(float)
        wide = [np.where(width > 0.0, part @ near / width, 0.0) for part in alone]
    pooled = (spare @ near) / (1.0 + np.maximum(width - 1.0, 0.0) * rho**2)
    worth = np.where(count > 0.0, np.maximum(pooled, spare), 0.0)
    return wide[0], wide[1], worth


def _correlations(changes: Sequence[SessionChange], near: Flags) -> tuple[float, float]:
    """Mean correlation of changes over positions, and over items that are near; 1 where nothing tells."""
    if not changes:
        return 1.0, 1.0
    rows = np.stack([change.mean_db for change in changes])
    known = np.isfinite(rows)
    moved = np.where(known, in_own_units(rows), 0.0)
    return mean_correlation(moved, known, axis=1), mean_correlation(moved, known, axis=2, near=near)


def _of_others(values: Reals) -> Reals:
    """Sum over all other positions, (positions, items); rounding does not leave a rest."""
    positions = values.shape[0]
    return np.asarray((1.0 - np.eye(positions)) @ values)


def _largest_of_others(values: Reals) -> Reals:
    """Largest value among all other positions, (positions, items); 0 where there is none."""
    kept = np.where(np.eye(values.shape[0], dtype=bool)[:, :, None], 0.0, values[None, :, :])
    return np.asarray(kept.max(axis=1, initial=0.0))


@dataclass(frozen=True)
class ShiftError:
    """Standard error (dB) and degrees of freedom, (positions, items), NaN where nothing tells of repeats."""

    error_db: Reals
    degrees_of_freedom: Reals


def shift_error(
    cells: Sequence[ConditionMean], scatters: Sequence[Scatter], ends: tuple[NDArray[np.int64], NDArray[np.int64]]
) -> ShiftError:
    """Error of the mean of one session less that of another, of one condition at one operating point.

    `cells` and `scatters`, by session: its repeats, and how they scatter at each position. `ends` (positions, items)
    number the two sessions. Welch-Satterthwaite degrees of freedom.
    """
    parts = [run_to_run(cell, scatter) for cell, scatter in zip(cells, scatters, strict=True)]
    variance = np.stack([part.variance for part in parts])
    dof = np.stack([part.degrees_of_freedom for part in parts])
    variances, dofs = (np.stack([at_session(values, end) for end in ends]) for values in (variance, dof))
    told = np.isfinite(dofs).all(axis=0)
    return ShiftError(
        error_db=np.where(told, np.sqrt(variances.sum(axis=0)), np.nan),
        degrees_of_freedom=np.where(told, np.maximum(welch_satterthwaite(variances, dofs), 1.0), np.nan),
    )


def at_session(values: Reals, session: NDArray[np.int64]) -> Reals:
    """Values of one session at each (position, item), from values (sessions, positions, items)."""
    return np.asarray(np.take_along_axis(values, session[None], axis=0)[0])
