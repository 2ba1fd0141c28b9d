"""Scatter within and between sessions (one-way analysis, sessions in the place of laboratories); which stand out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import ArrayLike, NDArray

from tapeline.arrays import Reals
from tapeline.limits import GRUBBS_AT_LEAST_SESSIONS
from tapeline.statistics.combined_uncertainty import welch_satterthwaite
from tapeline.statistics.significance import chi_square_quantile, variance_ratio_p_value


@dataclass(frozen=True)
class SessionVariances:
    """Runs, mean and variance (n - 1 in the denominator) of each session, every field of shape (sessions, ...).

    `means` is NaN without a run that has a value, `variances` with fewer than two.
    """

    counts: NDArray[np.int64]
    means: Reals
    variances: Reals


@dataclass(frozen=True)
class OneWay:
    """Components of variance, every field of the shape of one run's values; NaN where nothing can be said.

    `between_square` and `within_square` are the mean squares of the analysis of variance, `per_session` is n_0;
    `means_variance` is that of the sessions' means, each alike, and `harmonic_runs` the harmonic mean of their runs.
    `between_unclipped` may fall below zero, `between_variance` does not. `reproducibility_variance` is known without
    repeats too: then it is the variance of the single runs.
    """

    sessions: NDArray[np.int64]
    runs: NDArray[np.int64]
    within_square: Reals
    within_degrees_of_freedom: NDArray[np.int64]
    between_square: Reals
    between_degrees_of_freedom: NDArray[np.int64]
    per_session: Reals
    between_unclipped: Reals
    between_variance: Reals
    reproducibility_variance: Reals
    reproducibility_degrees_of_freedom: Reals
    means_variance: Reals
    harmonic_runs: Reals


def session_variances(values: ArrayLike, session: ArrayLike) -> SessionVariances:
    """Mean and scatter of the runs of each session.

    `values` has shape (runs, ...), NaN where a run has no value; `session` (runs,) numbers the sessions from 0. The
    squares are of deviations from means of values less a first value (two passes, shifted), so that leading digits that
    all values share cost nothing. Raises ValueError for `session` of another length.
    """
    x, group = np.asarray(values, dtype=np.float64), np.asarray(session, dtype=np.int64)
    if group.shape != x.shape[:1]:
        raise ValueError(f"each run needs its session: {x.shape[0]} runs, sessions of shape {group.shape}")
    origin = _first_value(x)
    shifted = x - origin
    known = np.isfinite(shifted)
    shape = (int(group.max(initial=-1)) + 1, *x.shape[1:])
    counts, means, variances = np.zeros(shape, dtype=np.int64), np.full(shape, np.nan), np.full(shape, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        for j in range(shape[0]):
            own, there = shifted[group == j], known[group == j]
            count = there.sum(axis=0)
            mean = np.where(there, own, 0.0).sum(axis=0) / count
            deviation = np.where(there, own - mean, 0.0)
            # The sum of the deviations is zero but for rounding of the mean, which this subtracts.
            squares = (deviation**2).sum(axis=0) - deviation.sum(axis=0) ** 2 / np.maximum(count, 1)
            counts[j], means[j] = count, mean + origin
            variances[j] = np.where(count > 1, squares / (count - 1), np.nan)
    return SessionVariances(counts, means, variances)


def one_way(values: ArrayLike, session: ArrayLike) -> OneWay:
    """Repeatability, between-session and reproducibility variance of unbalanced repeats in sessions.

    s_r^2 = MS_within; s_L^2 = max(0, (MS_between - MS_within) / n_0), n_0 = (N - sum n_j^2 / N) / (p - 1); s_R^2 =
    s_r^2 + s_L^2 (ISO 5725-2:2019, from memory). Degrees of freedom N - p, p - 1, and for s_R those of Satterthwaite
    (Biometrics Bulletin 2 (1946) 110) of the sum MS_between / n_0 + (1 - 1/n_0) MS_within; where s_L is zero, N - p.
    Arguments as in `session_variances`.
    """
    origin = _first_value(np.asarray(values, dtype=np.float64))
    found = session_variances(np.asarray(values, dtype=np.float64) - origin, session)
    count = found.counts
    runs, sessions = count.sum(axis=0), (count > 0).sum(axis=0)
    within_degrees_of_freedom, between_degrees_of_freedom = runs - sessions, np.maximum(sessions - 1, 0)
    weighted = np.where(count > 0, count * np.where(count > 0, found.means, 0.0), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        within = np.nansum(np.maximum(count - 1, 0) * found.variances, axis=0) / within_degrees_of_freedom
        grand = weighted.sum(axis=0) / runs
        off = np.where(count > 0, found.means - grand, 0.0)
        between = (count * off**2).sum(axis=0) / between_degrees_of_freedom
        per_session = (runs - (count**2).sum(axis=0) / runs) / between_degrees_of_freedom
        within = np.where(within_degrees_of_freedom > 0, within, np.nan)
        between = np.where(between_degrees_of_freedom > 0, between, np.nan)
        unclipped = (between - within) / per_session
        clipped = np.where(np.isfinite(unclipped), np.maximum(unclipped, 0.0), np.nan)
        means = np.where(count > 0, found.means, 0.0).sum(axis=0) / sessions
        spread = (np.where(count > 0, found.means - means, 0.0) ** 2).sum(axis=0) / between_degrees_of_freedom
        harmonic = sessions / np.where(count > 0, 1.0 / np.maximum(count, 1), 0.0).sum(axis=0)
    single = (within_degrees_of_freedom == 0) & (between_degrees_of_freedom > 0)
    total = np.where(single, between, within + clipped)
    return OneWay(
        sessions=sessions,
        runs=runs,
        within_square=within,
        within_degrees_of_freedom=within_degrees_of_freedom,
        between_square=between,
        between_degrees_of_freedom=between_degrees_of_freedom,
        per_session=np.where(between_degrees_of_freedom > 0, per_session, np.nan),
        between_unclipped=unclipped,
        between_variance=clipped,
        reproducibility_variance=total,
        reproducibility_degrees_of_freedom=_dof(
            within, within_degrees_of_freedom, between, between_degrees_of_freedom, per_session, unclipped
        ),
        means_variance=np.where(between_degrees_of_freedom > 0, spread, np.nan),
        harmonic_runs=harmonic,
    )


def _first_value(x: Reals) -> Reals:
    """The first value along the runs that is one, 0 where there is none."""
    if not x.shape[0]:
        return np.zeros(x.shape[1:])
    place = np.isfinite(x).argmax(axis=0)
    first = np.take_along_axis(x, place[None], axis=0)[0]
    return np.where(np.isfinite(first), first, 0.0)


def _dof(
    within: Reals,
    within_degrees_of_freedom: NDArray[np.int64],
    between: Reals,
    between_degrees_of_freedom: NDArray[np.int64],
    per_session: Reals,
    unclipped: Reals,
) -> Reals:
    with np.errstate(divide="ignore", invalid="ignore"):
        parts = np.stack([between / per_session, (1.0 - 1.0 / per_session) * within])
        both = welch_satterthwaite(parts, np.stack([between_degrees_of_freedom, within_degrees_of_freedom]))
    # Scatter of exactly zero has the degrees of freedom of what it was counted from.
    both = np.where(np.isfinite(both), both, within_degrees_of_freedom + between_degrees_of_freedom)
    found = np.where(unclipped > 0.0, both, within_degrees_of_freedom)
    found = np.where(within_degrees_of_freedom > 0, found, between_degrees_of_freedom).astype(np.float64)
    return np.where((between_degrees_of_freedom > 0) & (found > 0), found, np.nan)


def within_interval(found: OneWay, confidence: float) -> tuple[Reals, Reals]:
    """Lower and upper end of the interval of s_r, in the unit of the values; NaN where s_r is not known.

    s_r sqrt(nu / chi2) with the two quantiles of chi-square, nu = N - p (exact for normal values; any textbook).
    """
    tail = (1.0 - confidence) / 2.0
    known = found.within_degrees_of_freedom > 0
    dof = np.where(known, found.within_degrees_of_freedom, 1).astype(np.float64)
    low, high = (
        np.where(known, np.sqrt(found.within_square * dof / chi_square_quantile(q, dof)), np.nan)
        for q in (1.0 - tail, tail)
    )
    return low, high


def reproducibility_interval(found: OneWay, confidence: float) -> tuple[Reals, Reals]:
    """Lower and upper end of the interval of s_R, in the unit of the values; NaN where s_R is not known.

    s_R^2 is the sum of the variance of the sessions' means and (1 - 1/n) MS_within, n the harmonic mean of the runs
    (for equal numbers MS_between / n and the usual form), each with the chi-square interval of its own degrees of
    freedom; the ends' distances add in squares (Graybill and Wang, J. Am. Stat. Assoc. 75 (1980) 869; of means of
    unequal numbers Thomas and Hultquist, Ann. Stat. 6 (1978) 582; both from memory). MS_between of unequal numbers is
    no chi-square where sessions differ: its interval would hold in 93.6 % for six sessions of one to five runs.
    Satterthwaite's degrees of freedom would give intervals that hold too rarely (92 % in place of 95 % for six sessions
    of three).
    """
    single = found.within_degrees_of_freedom == 0
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(single, 0.0, 1.0 - 1.0 / found.harmonic_runs)
        parts = np.stack([found.means_variance, share * np.where(single, 0.0, found.within_square)])
        dof = np.stack([found.between_degrees_of_freedom, np.where(single, 1, found.within_degrees_of_freedom)]).astype(
            np.float64
        )
        tail = (1.0 - confidence) / 2.0
        low, high = (dof / chi_square_quantile(q, dof) - 1.0 for q in (1.0 - tail, tail))
        whole = parts.sum(axis=0)
        lower = whole - np.sqrt(np.sum((low * parts) ** 2, axis=0))
        upper = whole + np.sqrt(np.sum((high * parts) ** 2, axis=0))
        # Where s_L was cut at zero the value stated lies above the sum; the interval holds it.
        ends = np.minimum(lower, found.reproducibility_variance), np.maximum(upper, found.reproducibility_variance)
    known = np.isfinite(found.reproducibility_variance)
    below, above = (np.where(known, np.sqrt(np.maximum(end, 0.0)), np.nan) for end in ends)
    return below, above


@dataclass(frozen=True)
class Suspect:
    """The session that stands out most and the chance of one so far out, each of the shape of one run's values.

    `session` is -1 and `p_value` NaN where the test cannot be made.
    """

    session: NDArray[np.int64]
    p_value: Reals


def cochran(found: SessionVariances) -> Suspect:
    """The session whose repeats scatter most against the others', with its chance times the number of sessions.

    F = s_j^2 over the pooled variance of the others: with equal numbers of repeats this is Cochran's C, without them 't
    Lam's form of it. Sessions with a single run do not count; two with repeats are needed.
    """
    dof = np.where(np.isfinite(found.variances), found.counts - 1, 0)
    squares = dof * np.nan_to_num(found.variances)
    others = dof.sum(axis=0) - dof
    groups = (dof > 0).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        rest = (squares.sum(axis=0) - squares) / others
        chance = variance_ratio_p_value(found.variances, rest, dof, others) * groups
    tested = (dof > 0) & (groups > 1) & np.isfinite(chance)
    return _most(np.where(tested, chance, np.inf), found)


def grubbs(found: SessionVariances) -> Suspect:
    """The session whose mean lies furthest from the mean of all means, two-sided, with its chance; three at least."""
    h = mandel_h(found)
    p = (found.counts > 0).sum(axis=0).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.minimum((h * np.sqrt(p) / (p - 1.0)) ** 2, 1.0)
        t = np.sqrt((p - 2.0) * part / (1.0 - part))
        chance = 2.0 * p * scipy.special.stdtr(p - 2.0, -t)
    tested = np.isfinite(chance) & (p >= GRUBBS_AT_LEAST_SESSIONS)
    return _most(np.where(tested, chance, np.inf), found)


def mandel_h(found: SessionVariances) -> Reals:
    """Mandel's h: each session's mean less the mean of means, over the standard deviation of means; (sessions, ...).

    NaN with fewer than three sessions, where it says nothing (of two it is ±0.71 always), and where all are equal.
    """
    known = found.counts > 0
    p = known.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.where(known, found.means - np.where(known, found.means, 0.0).sum(axis=0) / p, np.nan)
        sd = np.sqrt(np.nansum(off**2, axis=0) / (p - 1))
        return np.asarray(np.where((p >= GRUBBS_AT_LEAST_SESSIONS) & (sd > 0.0), off / sd, np.nan))


def mandel_k(found: SessionVariances) -> Reals:
    """Mandel's k: each session's standard deviation over the root of the mean variance; (sessions, ...).

    NaN with fewer than two sessions.
    """
    known = np.isfinite(found.variances)
    groups = known.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.nansum(found.variances, axis=0) / groups
        return np.asarray(np.where((groups > 1) & (mean > 0.0), np.sqrt(found.variances / mean), np.nan))


def _most(chance: Reals, found: SessionVariances) -> Suspect:
    if not found.counts.shape[0]:
        none = np.full(found.counts.shape[1:], -1, dtype=np.int64)
        return Suspect(none, np.full(none.shape, np.nan))
    least = chance.min(axis=0)
    known = np.isfinite(least)
    return Suspect(np.where(known, chance.argmin(axis=0), -1), np.where(known, np.minimum(least, 1.0), np.nan))
