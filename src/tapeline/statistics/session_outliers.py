"""Sessions that stand out: Cochran's test for variances, Grubbs' test for means, Mandel's h and k. Flags only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import ArrayLike, NDArray

from tapeline.arrays import Reals
from tapeline.limits import GRUBBS_AT_LEAST_SESSIONS
from tapeline.statistics.repeatability import SessionVariances
from tapeline.statistics.significance import variance_ratio_p_value


@dataclass(frozen=True)
class Suspect:
    """The session that stands out most and the chance of one so far out, each of the shape of one run's values.

    `session` is -1 and `p_value` NaN where the test cannot be made.
    """

    session: NDArray[np.int64]
    p_value: Reals


def cochran_critical(groups: ArrayLike, repeats: ArrayLike, level: float) -> Reals:
    """Critical value of C = largest variance / sum of variances, of `groups` with `repeats` values each.

    1 / (1 + (p - 1) / F), F the quantile at 1 - level/p of n - 1 and (p - 1)(n - 1) degrees of freedom ('t Lam, Anal.
    Chim. Acta 659 (2010) 68, from memory; gives the table of ISO 5725-2).
    """
    p, n = np.asarray(groups, dtype=np.float64), np.asarray(repeats, dtype=np.float64)
    f = _f_quantile(n - 1.0, (p - 1.0) * (n - 1.0), level / p)
    return np.asarray(1.0 / (1.0 + (p - 1.0) / f))


def grubbs_critical(groups: ArrayLike, level: float) -> Reals:
    """Critical value of the largest |mean - mean of means| / their standard deviation, of `groups` means.

    (p - 1)/sqrt(p) sqrt(t^2 / (p - 2 + t^2)), t the quantile at 1 - level/(2 p) of p - 2 degrees of freedom (Grubbs,
    Technometrics 11 (1969) 1, from memory; gives the table of ISO 5725-2).
    """
    p = np.asarray(groups, dtype=np.float64)
    return _studentised(p, scipy.special.stdtrit(p - 2.0, 1.0 - level / (2.0 * p)))


def mandel_h_critical(groups: ArrayLike, level: float) -> Reals:
    """Critical value of one session's |h|: as Grubbs' with level/2 in place of level/(2 p) (ASTM E691, from memory)."""
    p = np.asarray(groups, dtype=np.float64)
    return _studentised(p, scipy.special.stdtrit(p - 2.0, 1.0 - level / 2.0))


def mandel_k_critical(groups: ArrayLike, repeats: ArrayLike, level: float) -> Reals:
    """Critical value of one session's k: sqrt(p / (1 + (p - 1) / F)), F at 1 - level (ASTM E691, from memory)."""
    p, n = np.asarray(groups, dtype=np.float64), np.asarray(repeats, dtype=np.float64)
    f = _f_quantile(n - 1.0, (p - 1.0) * (n - 1.0), level)
    return np.asarray(np.sqrt(p / (1.0 + (p - 1.0) / f)))


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


def _f_quantile(dof: Reals, dof_below: Reals, upper_tail: ArrayLike) -> Reals:
    return np.asarray(scipy.special.fdtri(dof, dof_below, 1.0 - np.asarray(upper_tail, dtype=np.float64)))


def _studentised(p: Reals, t: NDArray[np.floating]) -> Reals:
    return np.asarray((p - 1.0) / np.sqrt(p) * np.sqrt(t**2 / (p - 2.0 + t**2)))
