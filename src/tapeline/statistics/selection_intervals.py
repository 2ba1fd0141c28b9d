"""Intervals that hold after selection: for what is reported because it is the largest, or because it is shown.

A 95 % interval misses in one case of twenty. The largest of 300 differences is among those cases nearly always: chance
helped to make it the largest. An interval that is to hold for it has to be one of 300 that hold all at once.

Where R of m parameters are selected, intervals at 1 - R q / m miss on average a share of at most q of those selected,
families with nothing selected counted as no miss: the false coverage rate (Benjamini and Yekutieli, J. Am. Stat. Assoc.
100 (2005) 71). For a single one, R = 1, it is Bonferroni's interval, which holds whatever the dependence and whatever
rule picked it. The k-th largest gets 1 - k q / m: so the first k hold for every k, on average over them. Measured
figures: docs/validation.md, by benchmarks/validate_picked_out.py.
"""

from __future__ import annotations

import numpy as np
import scipy.special
from numpy.typing import ArrayLike, NDArray

from tapeline.arrays import Reals
from tapeline.limits import CERTAIN_DOF


def miss_rate(selected: ArrayLike, tests: ArrayLike, confidence: float) -> Reals:
    """Chance of missing that each interval may have, q R / m, where `selected` R of `tests` m were selected.

    q is 1 - `confidence`. All selected gives q, the plain interval; one selected gives q / m, Bonferroni's.
    """
    share = np.asarray(selected, dtype=np.float64) / np.asarray(tests, dtype=np.float64)
    return np.asarray((1.0 - confidence) * np.minimum(share, 1.0))


def student_tail_factor(degrees_of_freedom: ArrayLike, missed: ArrayLike) -> Reals:
    """Two-sided coverage factor of Student's t that misses with the chance `missed`, exact far out in the tail too."""
    dof = np.minimum(np.asarray(degrees_of_freedom, dtype=np.float64), CERTAIN_DOF)
    return np.asarray(-scipy.special.stdtrit(dof, np.asarray(missed, dtype=np.float64) / 2.0))


def selected_ends(
    ends: tuple[Reals, Reals],
    standard_error: Reals,
    degrees_of_freedom: Reals,
    confidence: float,
    missed: ArrayLike,
) -> tuple[Reals, Reals]:
    """Both ends of intervals of any shape, widened from `confidence` to what may miss with the chance `missed` alone.

    An open end (NaN) stays open: so bounds, which are known on one side, are widened on that side. Any unit in which
    the interval is a value give or take Student's factor times its standard error: decibels, or powers.
    """
    factor = student_tail_factor(degrees_of_freedom, missed) - student_tail_factor(degrees_of_freedom, 1.0 - confidence)
    more = np.maximum(factor, 0.0) * standard_error
    return np.asarray(ends[0] - more), np.asarray(ends[1] + more)


def least_sizes(value: Reals, lower: Reals, upper: Reals) -> Reals:
    """Absolute size of differences; of a bound the least that it may be, 0 where nothing is known."""
    bound = np.fmax(np.fmax(lower, -upper), 0.0)
    return np.where(np.isfinite(value), np.abs(value), bound)


def size_places(size: Reals) -> NDArray[np.int64]:
    """Ranks by size along the last axis, 1 the largest; 0 where a size is NaN. Of equals the first comes first."""
    order = np.argsort(np.where(np.isnan(size), np.inf, -size), axis=-1, kind="stable")
    places = np.empty(size.shape, dtype=np.int64)
    np.put_along_axis(places, order, np.broadcast_to(np.arange(1, size.shape[-1] + 1), size.shape), axis=-1)
    return np.where(np.isnan(size), 0, places)


def picked_miss_rate(places: NDArray[np.int64], shown: NDArray[np.bool_], confidence: float) -> Reals:
    """Chance of missing that each interval of a family may have, by its place; of any shape, families on the last axis.

    k q / m for the k-th largest, and for what is shown at most R q / m, R the number shown. So the first k hold, what
    is shown holds, and the largest holds by itself. NaN where there is no place (no test).
    """
    tests = np.count_nonzero(places, axis=-1, keepdims=True)
    count = np.count_nonzero(shown, axis=-1, keepdims=True)
    selected = np.where(shown, np.minimum(places, np.maximum(count, 1)), places)
    return np.where(places > 0, miss_rate(selected, np.maximum(tests, 1), confidence), np.nan)
