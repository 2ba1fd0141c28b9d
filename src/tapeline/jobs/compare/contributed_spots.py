"""What the spots of one comparison (a band at a position) contribute or change, over operating points and sessions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER
from tapeline.acoustics.weightings import weighting_db
from tapeline.arrays import Reals
from tapeline.jobs.compare.compared_pairs import Compared
from tapeline.jobs.compare.compared_runs import ComparisonJob
from tapeline.jobs.compare.contributed import Contributed
from tapeline.statistics.repeat_pools import Point
from tapeline.statistics.significance import student_factor
from tapeline.store.tables import WEIGHTING_COLUMNS

Found = tuple[Compared, Contributed]

BOTH_WAYS = 2
"""The direction of a spot that is shown louder at one operating point or session and quieter at another."""


@dataclass(frozen=True)
class Spots:
    """Contributed powers over the reference pressure's square, weighted, all (positions, items); NaN: nothing known.

    `value` is never below zero, `net` may be; `error` is the standard error of `net`, as wide as its degrees of freedom
    make it, and `degrees_of_freedom` the least of those. Where nothing says what was opened (`either_way`) `net` is
    treatment less reference and `value` its size.
    `rise_db` is opened less closed, or treatment less reference. `points` counts operating points and sessions with a
    value. `shown` says that one of them shows the opened state louder after adjusting, or either one, by the practical
    threshold or more; `small` that such a difference is shown, but a smaller one, `reversed_` that the closed state is
    shown to be louder; `equivalent` that all are within the practical threshold. `direction` is +1 where the treatment
    is shown to be louder, -1 where the reference is, 0 where nothing is shown and `BOTH_WAYS` where operating points or
    sessions differ. `doubted`: no pair is sound there. `by_midband`: the weighting is that of the midband.
    """

    either_way: bool
    value: Reals
    net: Reals
    low: Reals
    high: Reals
    error: Reals
    degrees_of_freedom: Reals
    rise_db: Reals
    points: NDArray[np.int64]
    shown: NDArray[np.bool_]
    small: NDArray[np.bool_]
    reversed_: NDArray[np.bool_]
    equivalent: NDArray[np.bool_]
    direction: NDArray[np.int64]
    doubted: NDArray[np.bool_]
    by_midband: NDArray[np.bool_]


def contributed_spots(job: ComparisonJob, found: Sequence[Found]) -> Spots:
    """The mean over operating points; at each the mean over sessions by the inverse variance of the difference.

    Where the closed state is a bound the contribution counts with its lower end; where the opened state is one, nothing
    is known. Pairs in which a level is in doubt count only where no other one has a value.
    """
    either_way = found[0][1].opened is None
    weights, by_midband = _band_weights(job, found)
    each = [_powers(adds) for _, adds in found]
    known = np.stack([np.isfinite(value) for value, *_ in each])
    sound = known & ~np.stack([one.doubted for one, _ in found])
    doubted = known.any(axis=0) & ~sound.any(axis=0)
    known &= sound | doubted
    trust = np.stack([_inverse_variance(one.result.standard_error_db) for one, _ in found])
    average = Average(tuple(one.pair.point for one, _ in found), np.where(known, trust, 0.0))
    means = [average.of(np.where(known, np.stack(part), np.nan) * weights) for part in zip(*each, strict=True)]
    value, net, low, high = _sizes(*means[1:]) if either_way else means
    signs = np.stack([adds.sign for _, adds in found])
    change = np.stack([one.result.difference_db for one, _ in found])
    words = np.stack([adds.words.astype(str) for _, adds in found])
    valued = np.where(known, words, "")
    differences = np.where(known, np.stack([_shown_db(job, *pair) for pair in found]), 0.0)
    large = np.abs(differences) >= job.needs.compare.practical_threshold_db
    opened_louder = (differences != 0.0) & (either_way | (differences * signs > 0.0))
    shown = (opened_louder & large).any(axis=0)
    degrees_of_freedom = np.stack([one.result.degrees_of_freedom for one, _ in found])
    counted = np.where(large | ~large.any(axis=0), differences, 0.0)
    ups, downs = (counted > 0.0).any(axis=0), (counted < 0.0).any(axis=0)
    return Spots(
        either_way=either_way,
        value=value,
        net=net,
        low=low,
        high=high,
        error=_error(job, found, average, known, weights),
        degrees_of_freedom=np.where(known, degrees_of_freedom, np.inf).min(axis=0),
        rise_db=average.of(np.where(known, change if either_way else change * signs, np.nan)),
        points=known.sum(axis=0),
        shown=np.asarray(shown),
        small=np.asarray(opened_louder.any(axis=0) & ~shown),
        reversed_=np.asarray(((differences != 0.0) & ~opened_louder).any(axis=0)),
        equivalent=np.asarray(np.isin(valued, ("equivalent", "")).all(axis=0) & known.any(axis=0)),
        direction=np.where(ups & downs, BOTH_WAYS, ups.astype(np.int64) - downs),
        doubted=np.asarray(doubted),
        by_midband=np.asarray((by_midband & known).any(axis=0)),
    )


def _shown_db(job: ComparisonJob, one: Compared, adds: Contributed) -> Reals:
    """Treatment less reference of a pair where it is shown and not equivalent, else 0; of a bound the near end."""
    result = one.result
    with np.errstate(invalid="ignore"):
        end = np.where(result.lower_db > 0.0, result.lower_db, np.where(result.upper_db < 0.0, result.upper_db, 0.0))
        found = (one.adjusted_p <= 1.0 - job.needs.confidence) & (adds.words != "equivalent")
    return np.where(found, np.where(np.isfinite(result.difference_db), result.difference_db, end), 0.0)


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
    """Contribution of one pair, not below zero and as it is, with both ends of its interval.

    Where one condition is opened the ends are not below zero; else all but the first are treatment less reference.
    """
    opened, closed = _power(adds.opened_mean.level_db), _power(adds.closed_mean.level_db)
    low, high = (_power(end) for end in (adds.part.lower_db, adds.part.upper_db))
    covered = ~np.isfinite(closed) & np.isfinite(low)
    net = np.where(covered, low, opened - closed)
    value = np.maximum(net, 0.0)
    high = np.fmax(value, np.nan_to_num(high))
    if adds.opened is not None:
        return value, net, np.nan_to_num(low), high
    # A lower end that is not above zero is not given: as far below as the upper one is above.
    low = np.where(np.isfinite(low), low, 2.0 * net - high)
    up = adds.sign > 0
    return value, np.where(up, net, -net), np.where(up, low, -high), np.where(up, high, -low)


def _sizes(net: Reals, low: Reals, high: Reals) -> tuple[Reals, Reals, Reals, Reals]:
    """Size of a change, the change, and the ends of the size's interval from those of the change."""
    nearest = np.maximum(np.maximum(low, -high), 0.0)
    return np.asarray(np.abs(net)), net, nearest, np.maximum(np.abs(low), np.abs(high))


def _power(levels_db: Reals) -> Reals:
    return np.asarray(10.0 ** (levels_db / 10.0))


def _inverse_variance(error_db: Reals) -> Reals:
    with np.errstate(divide="ignore"):
        return np.where(error_db > 0.0, 1.0 / error_db**2, 1.0)


def _band_weights(job: ComparisonJob, found: Sequence[Found]) -> tuple[Reals, NDArray[np.bool_]]:
    """Power factors of the weighting, (pairs, positions, items), NaN for what is not ranked; where the midband gave it.

    That of a pair is the mean (in dB) over both sides, of each over the runs that count, of what the weighting makes of
    the band's lines. What both sides hold is weighted alike, so that a shape of the spectrum that scatters adds nothing
    to their difference.
    """
    low_hz, high_hz = job.needs.ranking.range_hz or (0.0, math.inf)
    ranked = [item.midband_hz if low_hz <= (item.band_hz or -1.0) <= high_hz else None for item in job.cube.items]
    hz = np.array([np.nan if value is None else value for value in ranked])
    weighting = job.needs.ranking.weighting
    midband = np.where(np.isfinite(hz), weighting_db(weighting, np.nan_to_num(hz, nan=1000.0)), np.nan)
    shape = (len(found), *job.cube.state.shape[1:])
    column = job.cube.values.get(WEIGHTING_COLUMNS.get(weighting, ""))
    if weighting == "Z" or column is None:
        return np.broadcast_to(_power(midband), shape), np.full(shape, weighting != "Z")
    of_lines = np.stack([_mean_weighting(job, one, column) for one, _ in found])
    by_midband = ~np.isfinite(of_lines)
    return _power(np.where(by_midband | np.isnan(midband), midband, of_lines)), by_midband


def _mean_weighting(job: ComparisonJob, one: Compared, weighting: Reals) -> Reals:
    """Mean weighting (dB) of the lines of a pair's bands, (positions, items), NaN where no run has one."""
    sides = []
    for names, used in (job.used(runs) for runs in one.pair.sides):
        own = weighting[job.cube.places(names)]
        counted = used & np.isfinite(own)
        with np.errstate(invalid="ignore", divide="ignore"):
            sides.append(np.where(counted, own, 0.0).sum(axis=0) / counted.sum(axis=0))
    both = np.isfinite(sides[0]) & np.isfinite(sides[1])
    return np.where(both, (sides[0] + sides[1]) / 2.0, np.asarray(np.fmax(sides[0], sides[1])))


def _error(
    job: ComparisonJob, found: Sequence[Found], average: Average, known: NDArray[np.bool_], weights: Reals
) -> Reals:
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
    errors = np.where(known, np.stack(each) * weights, 0.0) * average.shares(known)
    if all(one.pair.sessions[0] == one.pair.sessions[1] for one, _ in found):
        return np.asarray(np.sqrt((errors**2).sum(axis=0)))
    return np.asarray(errors.sum(axis=0))
