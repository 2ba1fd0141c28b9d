"""Variances of few degrees of freedom, moderated by the variances of their kind (empirical Bayes)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import ArrayLike

from tapeline.arrays import Reals
from tapeline.limits import EQUAL_VARIANCES_DOF, LEAST_VARIANCE_DB2

NEWTON_ROUNDS = 50


@dataclass(frozen=True)
class VariancePrior:
    """Prior of true variances: `location` x d / chi-square_d, d being the `degrees_of_freedom`.

    A small d says that true variances differ much, `EQUAL_VARIANCES_DOF` that all are equal.
    """

    location: Reals
    degrees_of_freedom: float


def variance_prior(variances: ArrayLike, degrees_of_freedom: ArrayLike) -> VariancePrior:
    """The inverse-gamma prior of estimated variances, both of shape (variances, groups), NaN where none is.

    Moments of ln s^2 (Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) article 3, section 6.2): with e = ln s^2 -
    digamma(nu/2) + ln(nu/2), trigamma(d/2) is the variance of e beyond mean trigamma(nu/2), and ln location is mean e +
    digamma(d/2) - ln(d/2). The degrees of freedom are common to all groups, the location is that of each, (groups,),
    NaN without a variance. Fewer than two variances in every group do not show how they differ: then d is 0.
    """
    s2, nu = np.asarray(variances, dtype=np.float64), np.asarray(degrees_of_freedom, dtype=np.float64)
    known = np.isfinite(s2) & (nu > 0.0)
    nu = np.where(known, np.minimum(nu, EQUAL_VARIANCES_DOF), 1.0)
    e = np.where(known, np.log(np.maximum(np.where(known, s2, 1.0), LEAST_VARIANCE_DB2)) - log_bias(nu), 0.0)
    count = known.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = e.sum(axis=0) / count
    spare = float(np.maximum(count - 1, 0).sum())
    if not spare:
        return VariancePrior(np.exp(mean), 0.0)
    squares = float(np.where(known & (count > 1), (e - mean) ** 2, 0.0).sum()) / spare
    sampling = np.where(known & (count > 1), scipy.special.polygamma(1, nu / 2.0), 0.0)
    d = degrees_of_freedom_of_spread(squares - float(sampling.sum()) / float(count[count > 1].sum()))
    return VariancePrior(np.exp(mean + (log_bias(d) if d < EQUAL_VARIANCES_DOF else 0.0)), d)


def log_bias(degrees_of_freedom: ArrayLike) -> Reals:
    """Mean of ln of (chi-square / its degrees of freedom): digamma(nu/2) - ln(nu/2)."""
    half = np.asarray(degrees_of_freedom, dtype=np.float64) / 2.0
    return np.asarray(scipy.special.digamma(half) - np.log(half))


def degrees_of_freedom_of_spread(log_variance: float) -> float:
    """Degrees of freedom d for a variance trigamma(d/2) of ln s^2; `EQUAL_VARIANCES_DOF` if it is not above 0.

    Newton's method on 1 / trigamma (Smyth 2004, appendix).
    """
    if log_variance <= 2.0 / EQUAL_VARIANCES_DOF:
        return EQUAL_VARIANCES_DOF
    half = 0.5 + 1.0 / log_variance
    for _ in range(NEWTON_ROUNDS):
        found = float(scipy.special.polygamma(1, half))
        step = found * (1.0 - found / log_variance) / float(scipy.special.polygamma(2, half))
        half += step
        if -step < 1e-10 * half:
            break
    return 2.0 * half


def moderated(
    variance: Reals, degrees_of_freedom: Reals, location: Reals, prior_degrees_of_freedom: Reals
) -> tuple[Reals, Reals]:
    """Moderated variance (d s0^2 + nu s^2) / (d + nu) and its degrees of freedom d + nu, d being those of the prior.

    A t statistic with it has d + nu degrees of freedom (Smyth 2004, section 4). Where one of them is zero, its variance
    does not count and may be NaN; where both are, the variance is NaN.
    """
    both = degrees_of_freedom + prior_degrees_of_freedom
    parts = [
        np.where(dof > 0.0, dof * part, 0.0)
        for part, dof in ((variance, degrees_of_freedom), (location, prior_degrees_of_freedom))
    ]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((parts[0] + parts[1]) / both), np.asarray(both)
