"""What the spots of one comparison (a band at a position) contribute, over its operating points and sessions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER
from tapeline.acoustics.statistics import student_factor
from tapeline.acoustics.weightings import power_weights
from tapeline.acoustics.windows import Reals
from tapeline.steps.compared_pairs import Compared
from tapeline.steps.compared_runs import Job
from tapeline.steps.contributed import Contributed
from tapeline.steps.repeat_pools import Point

Found = tuple[Compared, Contributed]


@dataclass(frozen=True)
class Spots:
    """Contributed powers over the reference pressure's square, weighted, all (positions, items); NaN: nothing known.

    `value` is never below zero, `net` may be; `error` is the standard error of `net`, as wide as its degrees of freedom
    make it. `rise_db` is opened less closed. `points` counts operating points and sessions with a value; `shown` says
    that one of them shows the opened state louder after adjusting, `equivalent` that all are within the practical
    threshold. `doubted`: no pair is sound there.
    """

    value: Reals
    net: Reals
    low: Reals
    high: Reals
    error: Reals
    rise_db: Reals
    points: NDArray[np.int64]
    shown: NDArray[np.bool_]
    equivalent: NDArray[np.bool_]
    doubted: NDArray[np.bool_]


def contributed_spots(job: Job, found: Sequence[Found]) -> Spots:
    """The mean over operating points; at each the mean over sessions by the inverse variance of the difference.

    Where the closed state is a bound the contribution counts with its lower end; where the opened state is one, nothing
    is known. Pairs in which a level is in doubt count only where no other one has a value.
    """
    weights = _band_weights(job)
    each = [_powers(adds) for _, adds in found]
    known = np.stack([np.isfinite(value) for value, *_ in each])
    sound = known & ~np.stack([one.doubted for one, _ in found])
    doubted = known.any(axis=0) & ~sound.any(axis=0)
    known &= sound | doubted
    trust = np.stack([_inverse_variance(one.result.standard_error_db) for one, _ in found])
    average = Average(tuple(one.pair.point for one, _ in found), np.where(known, trust, 0.0))
    value, net, low, high = (np.where(known, np.stack(part), np.nan) * weights for part in zip(*each, strict=True))
    rise = np.stack([adds.sign * one.result.difference_db for one, adds in found])
    words = np.stack([adds.words.astype(str) for _, adds in found])
    louder = np.stack([_opened_is_louder(job, *pair) for pair in found])
    valued = np.where(known, words, "")
    return Spots(
        value=average.of(value),
        net=average.of(net),
        low=average.of(low),
        high=average.of(high),
        error=_error(job, found, average, known) * weights,
        rise_db=average.of(np.where(known, rise, np.nan)),
        points=known.sum(axis=0),
        shown=np.asarray((louder & known).any(axis=0)),
        equivalent=np.asarray(np.isin(valued, ("equivalent", "")).all(axis=0) & known.any(axis=0)),
        doubted=np.asarray(doubted),
    )


def _opened_is_louder(job: Job, one: Compared, adds: Contributed) -> NDArray[np.bool_]:
    """Where a difference, or the end of it that a bound leaves, shows the opened state louder beyond the threshold."""
    result = one.result
    with np.errstate(invalid="ignore"):
        end = np.where(result.lower_db > 0.0, 1.0, np.where(result.upper_db < 0.0, -1.0, 0.0))
        found = (one.adjusted_p <= 1.0 - job.needs.confidence) & (adds.words != "equivalent")
    direction = np.where(np.isfinite(result.difference_db), np.sign(result.difference_db), end)
    return np.asarray(found & (adds.sign * direction > 0.0))


@dataclass(frozen=True)
class Average:
    """Mean over operating points of the weighted means over the sessions at each; arrays (pairs, positions, items)."""

    points: tuple[Point, ...]
    weight: Reals

    def of(self, values: Reals) -> Reals:
        """The mean of what is known, NaN where nothing is."""
        return np.asarray((self.shares(np.isfinite(values)) * np.nan_to_num(values)).sum(axis=0)) + np.where(
            np.isfinite(values).any(axis=0), 0.0, np.nan
        )

    def shares(self, known: NDArray[np.bool_]) -> Reals:
        """How much each pair counts for; the shares of what is known add up to one."""
        weight = np.where(known, self.weight, 0.0)
        at_points = sorted(set(self.points))
        groups = [[k for k, other in enumerate(self.points) if other == point] for point in at_points]
        shares = np.zeros(weight.shape)
        sums = [weight[group].sum(axis=0) for group in groups]
        count = np.sum([total > 0.0 for total in sums], axis=0)
        for group, total in zip(groups, sums, strict=True):
            with np.errstate(divide="ignore", invalid="ignore"):
                shares[group] = np.where(total > 0.0, weight[group] / total / count, 0.0)
        return shares


def _powers(adds: Contributed) -> tuple[Reals, Reals, Reals, Reals]:
    """Contribution of one pair, not below zero and as it is, with both ends of its interval, not below zero."""
    opened, closed = _power(adds.opened_mean.level_db), _power(adds.closed_mean.level_db)
    low, high = (np.nan_to_num(_power(end)) for end in (adds.part.lower_db, adds.part.upper_db))
    covered = ~np.isfinite(closed) & np.isfinite(adds.part.lower_db)
    net = np.where(covered, low, opened - closed)
    value = np.maximum(net, 0.0)
    return value, net, low, np.fmax(value, high)


def _power(levels_db: Reals) -> Reals:
    return np.asarray(10.0 ** (levels_db / 10.0))


def _inverse_variance(error_db: Reals) -> Reals:
    with np.errstate(divide="ignore"):
        return np.where(error_db > 0.0, 1.0 / error_db**2, 1.0)


def _band_weights(job: Job) -> Reals:
    """The weighting's power factor of each item; NaN for what is not ranked."""
    low_hz, high_hz = job.needs.ranking.range_hz or (0.0, math.inf)
    ranked = [item.midband_hz if low_hz <= (item.band_hz or -1.0) <= high_hz else None for item in job.cube.items]
    hz = np.array([np.nan if value is None else value for value in ranked])
    return np.where(np.isfinite(hz), power_weights(job.needs.ranking.weighting, np.nan_to_num(hz, nan=1000.0)), np.nan)


def _error(job: Job, found: Sequence[Found], average: Average, known: NDArray[np.bool_]) -> Reals:
    """Standard error of the mean contribution.

    Operating points of one session are independent; what lies between two sessions is the same at all of them.
    """
    confidence = job.needs.confidence
    each = []
    for one, adds in found:
        means = (adds.opened_mean, adds.closed_mean)
        parts = [_power(mean.level_db) * mean.error_db / DB_PER_RELATIVE_POWER for mean in means]
        wider = student_factor(one.result.degrees_of_freedom, confidence) / student_factor(np.inf, confidence)
        each.append(np.hypot(parts[0], np.nan_to_num(parts[1])) * wider)
    errors = np.where(known, np.stack(each), 0.0) * average.shares(known)
    if all(one.pair.sessions[0] == one.pair.sessions[1] for one, _ in found):
        return np.asarray(np.sqrt((errors**2).sum(axis=0)))
    return np.asarray(errors.sum(axis=0))
