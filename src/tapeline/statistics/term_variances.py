"""Variances of means and differences by what is stated of the uncertainty of single runs, and by what is assumed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Flags, Reals
from tapeline.statistics.uncertainty_terms import UncertaintyTerm

Side = tuple[Reals, Flags]
"""Something stated of each run of one side of a difference, and which runs count, (runs, positions, items) each."""


def sum_of_squares(uncertainty_db: Reals, used: Flags) -> Reals:
    """Sum over the runs that are used, (positions, items); what is not known of a run counts as nothing."""
    return np.asarray(np.where(used, np.nan_to_num(uncertainty_db) ** 2, 0.0).sum(axis=0))


def runs_used(used: Flags) -> NDArray[np.int64]:
    """How many runs count, (positions, items), 1 where none does."""
    return np.asarray(np.maximum(used.sum(axis=0), 1))


def variance_of_mean(
    term: UncertaintyTerm, uncertainty_db: Reals, used: Flags, count: NDArray[np.int64], repeated: Flags
) -> Reals:
    """Variance (dB^2) of the mean level of some runs by one term, (positions, items).

    `uncertainty_db` and `used` are (runs, positions, items); the mean is over `count` runs. What averages out is less
    by them, and is among the scatter of repeats where they are `repeated`.
    """
    mean = sum_of_squares(uncertainty_db, used) / runs_used(used)
    return np.where(repeated, 0.0, mean / count) if term.averages == "always" else mean


def variance_of_difference(term: UncertaintyTerm, sides: Iterable[Side]) -> Reals:
    """Variance (dB^2) of a difference by a term that each run of either side has, (positions, items).

    What is the same in all runs of a session does not become less by repeats; errors of one sign cancel as far as they
    are alike.
    """
    parts: list[Reals] = [
        sum_of_squares(uncertainty_db, used) / (runs_used(used) if term.averages == "never" else runs_used(used) ** 2)
        for uncertainty_db, used in sides
    ]
    if term.in_step:
        return variance_in_step(*parts)
    return np.asarray(sum(parts))


def variance_in_step(first: Reals, second: Reals) -> Reals:
    """Variance of a difference of two errors of one sign that are known alike, by the variance of either."""
    return np.asarray((np.sqrt(first) - np.sqrt(second)) ** 2)


def variance_of_drift(drift_db: Reals) -> Reals:
    """Variance (dB^2) of a difference within a session by a sensitivity that drifts evenly from check to check.

    Two runs lie anywhere between the checks: d^2 / 12 for either.
    """
    return np.asarray(drift_db**2 / 6.0)


def variance_of_exponent(sides: Sequence[Side], exponent_uncertainty: float) -> Reals:
    """Variance (dB^2) of a difference by the exponent with which both sides are brought to the nominal speed.

    Of each run 10 lg of achieved over nominal speed: what one unit of the exponent makes in its level.
    """
    means = [np.where(used, speed_db, 0.0).sum(axis=0) / runs_used(used) for speed_db, used in sides]
    return np.asarray(((means[1] - means[0]) * exponent_uncertainty) ** 2)


def variance_of_assumed_repeats(used: Iterable[Flags], repeat_sd_db: float) -> Reals:
    """Variance (dB^2) of a difference by repeats of an assumed standard deviation, (positions, items)."""
    inverse = sum(1.0 / runs_used(each) for each in used)
    return np.asarray(inverse * repeat_sd_db**2)


def variance_assumed_between_sessions(
    session_sd_db: float, remount_sd_db: float, stayed: Flags, of_fitting: Reals, stated: Flags
) -> Reals:
    """Variance (dB^2) of a difference by what settings assume of sessions, beside the terms that a fitting has.

    A stated uncertainty of the fitting is what the assumed standard deviation of a sensor fitted anew stands for. Of a
    default one (`of_fitting`) that deviation holds a part: only what it has beyond is added, and not less than sessions
    have. `stayed` says where the fitting stayed, `stated` where a stated uncertainty of it counts.
    """
    session, remount = 2.0 * session_sd_db**2, 2.0 * remount_sd_db**2
    return np.where(stayed | stated, session, np.maximum(session, remount - of_fitting))
