"""Scatter of repeats at each position, its own and its neighbouring bands', and which cells scatter alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.special
from numpy.typing import NDArray

from tapeline.arrays import Flags, Reals
from tapeline.limits import (
    BAND_OWN_SCATTER_P,
    LEAST_VARIANCE_DB2,
    LENT_DOF,
    NEIGHBOUR_BANDS,
    NEIGHBOURS_LEAST_DOF,
    RESTLESS_POSITION_MEDIAN_RATIO,
    UNEQUAL_SCATTER_DOF,
    UNEQUAL_SCATTER_P,
)
from tapeline.statistics.effective_number import (
    in_own_units,
    independent_values,
    mean_correlation,
    position_mean_squares,
    repeat_deviations,
    squared_correlation,
)
from tapeline.statistics.moderated_variance import degrees_of_freedom_of_spread, log_bias, moderated, variance_prior
from tapeline.statistics.significance import variance_ratio_p_value


@dataclass(frozen=True)
class RepeatRows:
    """Repeats of one cell as independent deviations, with the runs' random variance.

    `deviation_db` has shape (rows, positions, items), NaN where there is none; `random_variance` (positions, items).
    `level_db` are the levels that they are from, (runs, positions, items), NaN where the condition says nothing.
    """

    deviation_db: Reals
    random_variance: Reals
    level_db: Reals

    @property
    def degrees_of_freedom(self) -> NDArray[np.int64]:
        """Repeats less one, (positions, items)."""
        return np.asarray(np.maximum(np.isfinite(self.level_db).sum(axis=0) - 1, 0))

    @property
    def squares_of_runs_db2(self) -> Reals:
        """By how much each run makes the sum of squares about the mean larger, (runs, positions, items).

        Without a run at distance d from the mean of n the sum is less by n/(n - 1) d^2.
        """
        known = np.isfinite(self.level_db)
        count = known.sum(axis=0)
        mean = np.where(known, self.level_db, 0.0).sum(axis=0) / np.maximum(count, 1)
        squares = np.where(known & (count > 1), self.level_db - mean, 0.0) ** 2
        return np.asarray(squares * count / np.maximum(count - 1, 1))

    @classmethod
    def of(cls, level_db: Reals, random_db: Reals, bound: Flags) -> RepeatRows:
        """The rows of levels (runs, positions, items); where any run is a bound there are none.

        The runs beside a bound are those that came out high.
        """
        levels = np.where(bound.any(axis=0), np.nan, level_db)
        known = np.isfinite(levels)
        mean = np.where(known, random_db**2, 0.0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
        return cls(repeat_deviations(levels)[1:], mean, levels)


@dataclass(frozen=True)
class Scatter:
    """Variance (dB^2) of a run's level beyond its random error, and its degrees of freedom, (positions, items).

    The degrees of freedom are those of random error and excess together; 0 where nothing is known. `correlation` says
    how much the positions of a run scatter together, 1 where nothing shows it. `pooled` is false where it is from the
    cell's own repeats alone, `lent` says where it is that of other sessions, None where nothing is.
    """

    excess: Reals
    degrees_of_freedom: Reals
    correlation: float = 1.0
    pooled: bool = True
    lent: Flags | None = None

    @property
    def is_lent(self) -> Flags:
        """Flags where the scatter is that of other sessions, (positions, items)."""
        return np.zeros(self.excess.shape, dtype=bool) if self.lent is None else self.lent

    def filled_in(self, other: Scatter) -> Scatter:
        """This scatter, with the `other` one where it knows nothing."""
        known = self.degrees_of_freedom > 0.0
        return replace(
            self,
            excess=np.where(known, self.excess, other.excess),
            degrees_of_freedom=np.where(known, self.degrees_of_freedom, np.minimum(other.degrees_of_freedom, LENT_DOF)),
            correlation=self.correlation if known.any() else other.correlation,
            lent=~known & (other.degrees_of_freedom > 0.0),
        )


def near_bands(band: Flags) -> Flags:
    """Which items are near each, itself included, (items, items); `band` (items,) flags the bands, in order.

    `NEIGHBOUR_BANDS` bands on either side are near; what is no band (an overall level) stands alone.

    >>> near_bands(np.array([True, True, True, True, False]))[0].tolist()
    [True, True, True, False, False]
    """
    place = np.where(band, np.cumsum(band), 0)
    apart = np.abs(place[:, None] - place)
    return np.asarray(np.eye(band.size, dtype=bool) | (band[:, None] & band & (apart <= NEIGHBOUR_BANDS)))


def no_scatter(positions: int, items: int) -> Scatter:
    """A scatter without any degrees of freedom, for levels without repeats."""
    nothing = np.zeros((positions, items))
    return Scatter(nothing, nothing)


def own_scatter(cells: Sequence[RepeatRows]) -> Scatter:
    """Scatter of each position's own repeats alone, item by item, over one or more cells."""
    rows, dof, random = _sums(cells)
    squares = np.where(np.isfinite(rows), rows**2, 0.0).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = _beyond_random(squares / dof, dof, random / dof, _correlation(rows))
    return replace(found, pooled=False)


def scatter_by_position(cells: Sequence[RepeatRows], near: Flags, *, lend: bool = True) -> Scatter:
    """Scatter of the repeats at each position, pooled over cells that scatter alike; at least one.

    The position's own repeats give s^2 with nu degrees of freedom, item by item. Its neighbouring items (`near`,
    (items, items), itself included) give the prior of that variance: their mean excess with this item's random error,
    as an inverse gamma distribution (as in Smyth 2004; see `moderated_variance`) whose degrees of freedom, how far
    items differ from their neighbours, are fitted to all positions and items of the cells. Neighbours that move
    together count for less, and an item that scatters more (F test) uses its own repeats. Other positions count only
    where a position has no repeats at all, and where they `lend`: a position in separated flow may scatter five times
    as much as they do, and few repeats do not show it.
    """
    rows, dof, random = _sums(cells)
    squares = np.where(np.isfinite(rows), rows**2, 0.0).sum(axis=0)
    own = dof > 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        variance, mean_random = squares / dof, np.where(own, random / dof, _usual_random(random, dof))
    location, near_degrees_of_freedom = _near_items(
        squares, dof, random, mean_random, near, squared_correlation(rows, near)
    )
    near_degrees_of_freedom = _as_far_as_alike(variance, dof, location, near_degrees_of_freedom)
    variance, dof = moderated(variance, dof, location, near_degrees_of_freedom)
    if lend:
        variance, dof = _lent(variance, dof, own)
    return _beyond_random(variance, dof, mean_random, _correlation(rows))


def own_scatter_where_larger(whole: Scatter, own: Scatter, random_variance: Reals) -> Scatter:
    """Scatter of a cell's pool (`whole`), drawn to the cell's `own` where that is larger beyond chance.

    A gap may make a position restless in one condition and leave it calm in all others. As in `scatter_by_position` the
    rest of the pool counts for less from `BAND_OWN_SCATTER_P` on (F test of own against rest), without a step.
    `random_variance` is that of the cell.
    """
    all_of_it, its_own = (part.degrees_of_freedom * (part.excess + random_variance) for part in (whole, own))
    rest_dof = np.maximum(whole.degrees_of_freedom - own.degrees_of_freedom, 0.0)
    rest = np.maximum(all_of_it - its_own, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = variance_ratio_p_value(
            its_own / own.degrees_of_freedom, rest / rest_dof, own.degrees_of_freedom, rest_dof
        )
        weight = np.where(np.isfinite(chance), np.minimum(chance / BAND_OWN_SCATTER_P, 1.0), 1.0)
        dof = np.where(weight < 1.0, own.degrees_of_freedom + weight * rest_dof, whole.degrees_of_freedom)
        excess = (its_own + weight * rest) / dof - random_variance
    return replace(
        whole,
        excess=np.where(weight < 1.0, np.maximum(np.nan_to_num(excess), 0.0), whole.excess),
        degrees_of_freedom=dof,
    )


def _sums(cells: Sequence[RepeatRows]) -> tuple[Reals, Reals, Reals]:
    """All rows, how many each place has, and the sum of their random variances."""
    rows = np.concatenate([cell.deviation_db for cell in cells])
    known = [np.isfinite(cell.deviation_db).sum(axis=0).astype(np.float64) for cell in cells]
    random = sum(count * cell.random_variance for count, cell in zip(known, cells, strict=True))
    return rows, np.asarray(sum(known)), np.asarray(random)


def _usual_random(random: Reals, dof: Reals) -> Reals:
    """Mean random variance of an item over the positions that have repeats, for those that have none."""
    return np.asarray(np.broadcast_to(random.sum(axis=0) / np.maximum(dof.sum(axis=0), 1.0), random.shape))


def _near_items(
    squares: Reals, dof: Reals, random: Reals, own_random: Reals, near: Flags, squared_rho: float
) -> tuple[Reals, Reals]:
    """What near items let expect of each item's variance, and how many degrees of freedom that has.

    n items of mean squared correlation r^2 are worth n / (1 + (n - 1) r^2); where the item has repeats of its own only
    1 - r^2 of that is not what they say already.
    """
    others = (near & ~np.eye(near.shape[0], dtype=bool)).astype(np.float64)
    of_near, width = dof @ others, (dof > 0.0).astype(np.float64) @ others
    with np.errstate(divide="ignore", invalid="ignore"):
        excess = np.maximum((squares - random) @ others / of_near, 0.0)
        location = own_random + excess
        mean_square = (dof * (np.where(dof > 0.0, random / dof, 0.0) + np.nan_to_num(excess)) ** 2) @ others
        # The excess of noisier items is less well known.
        share = np.minimum(location**2 * of_near / mean_square, 1.0)
        worth = of_near / (1.0 + np.maximum(width - 1.0, 0.0) * squared_rho) * share
    worth = np.where(dof > 0.0, worth * (1.0 - squared_rho), worth)
    known = (of_near > 0.0) & (location > 0.0) & np.isfinite(worth)
    return np.where(known, location, np.nan), np.where(known, worth, 0.0)


def _as_far_as_alike(variance: Reals, dof: Reals, location: Reals, near_degrees_of_freedom: Reals) -> Reals:
    """Degrees of freedom that near items keep as a prior: as alike as variances and those of near ones turn out."""
    both = (dof > 0.0) & (near_degrees_of_freedom >= NEIGHBOURS_LEAST_DOF)
    if np.count_nonzero(both) < 2:
        return np.where(dof > 0.0, 0.0, near_degrees_of_freedom)
    nu, d = dof[both], near_degrees_of_freedom[both]
    ratio = np.log(np.maximum(variance[both], LEAST_VARIANCE_DB2) / np.maximum(location[both], LEAST_VARIANCE_DB2))
    e = ratio - log_bias(nu) + log_bias(d)
    sampling = scipy.special.polygamma(1, nu / 2.0) + scipy.special.polygamma(1, d / 2.0)
    alike = degrees_of_freedom_of_spread(float(e.var(ddof=1) - sampling.mean()))
    with np.errstate(divide="ignore", invalid="ignore"):
        kept = np.where(near_degrees_of_freedom > 0.0, 1.0 / (1.0 / near_degrees_of_freedom + 1.0 / alike), 0.0)
        chance = variance_ratio_p_value(variance, location, dof, kept)
    trusted = np.where((dof > 0.0) & (kept > 0.0), np.minimum(np.nan_to_num(chance) / BAND_OWN_SCATTER_P, 1.0), 1.0)
    return np.asarray(kept * trusted)


def _lent(variance: Reals, dof: Reals, own: Flags) -> tuple[Reals, Reals]:
    """What has no repeats of its own is drawn to what other positions usually have."""
    told = dof >= 1.0
    prior = variance_prior(np.where(told, variance, np.nan), np.where(told, dof, 0.0))
    lent = ~own & np.isfinite(prior.location)
    count = np.where(lent, min(prior.degrees_of_freedom, LENT_DOF), 0.0)
    return moderated(variance, dof, np.broadcast_to(prior.location, variance.shape), count)


def _beyond_random(variance: Reals, dof: Reals, random: Reals, correlation: float) -> Scatter:
    """The part of a variance beyond random error; a variance below it was drawn low by chance.

    The degrees of freedom stay those of the estimate: that it came out low does not make it better known. What has less
    than one is as good as unknown.
    """
    known = (dof >= 1.0) & np.isfinite(variance)
    with np.errstate(invalid="ignore"):
        excess = np.where(known, np.maximum(variance - random, 0.0), 0.0)
    return Scatter(excess, np.where(known, dof, 0.0), correlation)


def _correlation(rows: Reals) -> float:
    """Mean correlation of the positions' deviations in the same run, from 0 to 1; 1 where nothing tells.

    Each position in units of its own scatter, so that a restless one does not rule.
    """
    known = np.isfinite(rows)
    return mean_correlation(np.where(known, in_own_units(rows), 0.0), known, axis=1)


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
