"""Shrinkage estimates: differences as they are to be expected within their family, free of selection bias.

The largest of many measured differences is mostly one that chance made larger. All differences of a family together say
how such differences are spread; each is taken as one of them as far as its own error leaves room (empirical Bayes:
Robbins 1956; Efron and Morris, J. Am. Stat. Assoc. 70 (1975) 311). Such an estimate is not made worse by picking:
selected or not, it is what is to be expected given all that was measured (Efron, J. Am. Stat. Assoc. 106 (2011) 1602).
How far that holds is measured by benchmarks/validate_picked_out.py, figures in docs/validation.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.limits import (
    CERTAIN_DOF,
    COUNTED_CHANCE_P,
    EQUAL_VARIANCES_DOF,
    FAMILY_MEAN_ROUNDS,
    FITTED_DIFFERENCES,
    KNOWN_ERROR_DOF,
    LEAST_SPREAD_STANDARD_ERRORS,
    LIKELY_MIXTURE_SHARE,
    NO_DIFFERENCE_SHARE,
    OUTLYING_DIFFERENCE_SHARE,
    SHRUNK_AT_ONCE_DIFFERENCES,
    SPREAD_STEP_RATIO,
    VARIANCE_CUTS_P,
)
from tapeline.statistics.moderated_variance import moderated, variance_prior

TINY = 1e-300


@dataclass(frozen=True)
class ShrinkageEstimates:
    """Expected differences, shape (tests,), and both ends of their intervals; NaN where nothing is known.

    Ends are given for those asked for only. The interval is one of expectation: it holds as far as the family is what
    it is taken for (errors of its own each), and is no substitute for one that holds by itself.
    """

    expected: Reals
    lower: Reals
    upper: Reals


@dataclass(frozen=True)
class _Spread:
    """What differences may be spread like: `slabs` normal distributions, and the chance of each mixture of them.

    `mean`, `spread` and `mean_error` have shape (slabs, 1, 1), `mixtures` (mixtures, slabs), `chance` (mixtures, 1).
    """

    mean: Reals
    spread: Reals
    mean_error: Reals
    mixtures: Reals
    chance: Reals


def shrinkage_estimates(
    difference: Reals,
    standard_error: Reals,
    degrees_of_freedom: Reals,
    confidence: float,
    *,
    fitted: NDArray[np.bool_],
    asked: NDArray[np.bool_],
) -> ShrinkageEstimates:
    """Expected differences of one family, all of shape (tests,), in the unit of `difference`.

    `fitted` says which differences tell how the family is spread, `asked` of which the interval is wanted. Averaged by
    their likelihood are: nothing differs; a share differs, normally about zero; all differ, normally about a mean of
    their own, some perhaps lying anywhere. Degrees of freedom may be infinite. NaN is no test.
    """
    known = np.isfinite(difference) & np.isfinite(standard_error) & (standard_error > 0.0)
    result = ShrinkageEstimates(*(np.full(difference.shape, np.nan) for _ in range(3)))
    at, telling = np.flatnonzero(known), np.flatnonzero(known & fitted)
    if telling.size < 2:
        return result
    error, dof = moderated_errors(standard_error, degrees_of_freedom, known & fitted)
    telling = telling[:: -(-telling.size // FITTED_DIFFERENCES)]
    weight, variance = _variances(error, dof)
    spread = _fitted(difference[telling], variance[telling], weight)
    tail = (1.0 - confidence) / 2.0
    for start in range(0, at.size, SHRUNK_AT_ONCE_DIFFERENCES):
        some = at[start : start + SHRUNK_AT_ONCE_DIFFERENCES]
        chance, mean, deviation = _posterior(difference[some], variance[some], weight, spread)
        result.expected[some] = (chance * mean).sum(axis=(0, 2))
        for k in np.flatnonzero(asked[some]):
            counts = chance[:, k] > COUNTED_CHANCE_P
            part = chance[:, k][counts], mean[:, k][counts], deviation[:, k][counts]
            result.lower[some[k]], result.upper[some[k]] = _quantile(*part, tail), _quantile(*part, 1.0 - tail)
    return result


def moderated_errors(
    standard_error: Reals, degrees_of_freedom: Reals, fitted: NDArray[np.bool_]
) -> tuple[Reals, Reals]:
    """Standard errors moderated by their family's, and their degrees of freedom, shape (tests,) each.

    Variances as one family: scaled inverse chi-square by the moments of their logarithms (Smyth, Stat. Appl. Genet.
    Mol. Biol. 3 (2004) 3). A variance of two degrees of freedom alone says so little that nothing could be expected.
    """
    prior = variance_prior(standard_error[fitted, None] ** 2, degrees_of_freedom[fitted, None])
    count = np.full(standard_error.shape, prior.degrees_of_freedom)
    together, dof = moderated(
        standard_error**2, np.minimum(degrees_of_freedom, EQUAL_VARIANCES_DOF), prior.location, count
    )
    return np.sqrt(together), dof


def _variances(error: Reals, dof: Reals) -> tuple[Reals, Reals]:
    """True variances that may stand behind each stated one: weights (parts,) and variances (tests, parts)."""
    if np.nanmin(dof) > KNOWN_ERROR_DOF:
        return np.ones(1), error[:, None] ** 2
    edges = np.array(VARIANCE_CUTS_P)
    middles = (edges[1:] + edges[:-1]) / 2.0
    half = np.minimum(dof, CERTAIN_DOF / 1e3)[:, None] / 2.0
    return np.diff(edges), error[:, None] ** 2 * half / scipy.special.gammaincinv(half, middles)


def _fitted(difference: Reals, variance: Reals, weight: Reals) -> _Spread:
    """How the family is spread, from its differences (tests,) and variances (tests, parts)."""
    scale = float(np.sqrt(np.median(variance)))
    top = max(float(np.abs(difference).max()), 2.0 * scale)
    steps = int(np.ceil(np.log(top / (LEAST_SPREAD_STANDARD_ERRORS * scale)) / np.log(SPREAD_STEP_RATIO))) + 1
    spreads = np.concatenate([[0.0], LEAST_SPREAD_STANDARD_ERRORS * scale * SPREAD_STEP_RATIO ** np.arange(steps)])
    count = spreads.size
    means = np.full(count, float(np.median(difference)))
    for _ in range(FAMILY_MEAN_ROUNDS):
        density = _density(difference, variance, weight, means[:, None, None], spreads[:, None, None])
        pull = density / density.sum(axis=2, keepdims=True) / (spreads[:, None, None] ** 2 + variance)
        pulls = pull.sum(axis=2)
        means = (pulls * difference).sum(axis=1) / pulls.sum(axis=1)
    # The slabs: normal about zero (the first has no spread: nothing), normal about the family's mean, and anywhere.
    mean = np.concatenate([np.zeros(count), means, [0.0]])[:, None, None]
    spread = np.concatenate([spreads, spreads, [top]])[:, None, None]
    mean_error = np.concatenate([np.zeros(count), 1.0 / np.sqrt(pulls.sum(axis=1)), [0.0]])[:, None, None]
    mixtures, prior, penalty = _mixtures(count, difference.size)
    slabs = _density(difference, variance, weight, mean, spread).sum(axis=2)
    logs = np.log(mixtures @ slabs).sum(axis=1) - penalty
    chance = prior * np.exp(logs - logs.max())
    likely = chance > LIKELY_MIXTURE_SHARE * chance.max()
    chance = chance[likely] / chance[likely].sum()
    return _Spread(mean, spread, mean_error, mixtures[likely], chance[:, None])


def _mixtures(count: int, tests: int) -> tuple[Reals, Reals, Reals]:
    """Mixtures of slabs (mixtures, slabs), how likely each is beforehand, and what a free mean costs.

    Half of the chance is with zero as the middle. A free mean costs half the logarithm of the number of tests (Schwarz,
    Ann. Stat. 6 (1978) 461).
    """
    one = np.eye(2 * count + 1)
    about_zero = [share * one[0] + (1.0 - share) * one[k] for share in NO_DIFFERENCE_SHARE for k in range(1, count)]
    about_mean = list(one[count : 2 * count])
    with_outliers = [
        (1.0 - OUTLYING_DIFFERENCE_SHARE) * slab + OUTLYING_DIFFERENCE_SHARE * one[-1] for slab in about_mean
    ]
    groups = [([one[0]], 0.25, 0.0), (about_zero, 0.25, 0.0), (about_mean, 0.4, 0.5), (with_outliers, 0.1, 0.5)]
    rows = [row for group, _, _ in groups for row in group]
    prior = [chance / len(group) for group, chance, _ in groups for _ in group]
    penalty = [free * np.log(tests) for group, _, free in groups for _ in group]
    return np.array(rows), np.array(prior), np.array(penalty)


def _density(difference: Reals, variance: Reals, weight: Reals, mean: Reals, spread: Reals) -> Reals:
    """Density of each difference under each slab and part, shape (slabs, tests, parts), parts weighted."""
    total = spread**2 + variance
    away = (difference[:, None] - mean) ** 2
    return np.asarray(weight * (np.exp(-0.5 * away / total) / np.sqrt(total) + TINY))


def _posterior(difference: Reals, variance: Reals, weight: Reals, spread: _Spread) -> tuple[Reals, Reals, Reals]:
    """What each true difference may be: chances, means and standard deviations of normals, (slabs, tests, parts)."""
    density = _density(difference, variance, weight, spread.mean, spread.spread)
    mixed = spread.mixtures @ density.sum(axis=2)
    chance = density * (spread.mixtures.T @ (spread.chance / mixed))[:, :, None]
    kept = spread.spread**2 / (spread.spread**2 + variance)
    mean = spread.mean + kept * (difference[:, None] - spread.mean)
    return chance, mean, np.sqrt(kept * variance + ((1.0 - kept) * spread.mean_error) ** 2)


def _quantile(chance: Reals, mean: Reals, deviation: Reals, probability: float) -> float:
    """Quantile of a mixture of normals, all of shape (normals,), by halving; one without deviation is a point."""
    reach = float(np.abs(mean).max() + 10.0 * deviation.max())
    low, high = -reach, reach
    point = deviation == 0.0
    safe = np.where(point, 1.0, deviation)
    for _ in range(60):
        middle = 0.5 * (low + high)
        if not low < middle < high:
            break
        below = np.where(point, mean <= middle, scipy.special.ndtr((middle - mean) / safe))
        low, high = (low, middle) if float(chance @ below) >= probability else (middle, high)
    return 0.0 if abs(high) < 1e-9 * max(reach, TINY) else high
