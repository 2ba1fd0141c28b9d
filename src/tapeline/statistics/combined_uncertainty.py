"""Combined standard uncertainty (JCGM 100:2008, the GUM) of named terms, with its degrees of freedom."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from tapeline.arrays import Reals

Evidence = Literal["measured", "certificate", "stated", "default"]


@dataclass(frozen=True)
class Term:
    """One input's standard uncertainty, where it comes from, and how strongly the result follows the input.

    `sensitivity_coefficient` is the derivative of the result by the input (GUM 5.1.3), 1 where both have one unit.
    """

    name: str
    standard_uncertainty: float
    evidence: Evidence
    degrees_of_freedom: float = math.inf
    sensitivity_coefficient: float = 1.0

    @property
    def contribution(self) -> float:
        """Share of the result's standard uncertainty: |c| u."""
        return abs(self.sensitivity_coefficient) * self.standard_uncertainty


@dataclass(frozen=True)
class Combined:
    """Combined standard uncertainty and its effective degrees of freedom."""

    standard_uncertainty: float
    degrees_of_freedom: float


def combined(terms: Iterable[Term]) -> Combined:
    """Root sum of squares of uncorrelated contributions (GUM 5.1.2, first order) with Welch-Satterthwaite (G.4.1).

    Of no terms: 0 with infinite degrees of freedom. Raises ValueError for a negative uncertainty.
    """
    gathered = list(terms)
    if any(term.standard_uncertainty < 0.0 for term in gathered):
        raise ValueError("a standard uncertainty is never negative")
    variances = [term.contribution**2 for term in gathered]
    degrees = [term.degrees_of_freedom for term in gathered]
    return Combined(math.sqrt(sum(variances)), float(welch_satterthwaite(variances, degrees)) if gathered else math.inf)


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value that lies anywhere within ± `half_width`: half_width / sqrt(3) (GUM 4.3.7)."""
    return abs(half_width) / math.sqrt(3.0)


def welch_satterthwaite(variances: ArrayLike, degrees_of_freedom: ArrayLike, axis: int = 0) -> Reals:
    """Effective degrees of freedom of a sum of independent terms: (sum u^2)^2 / sum(u^4/nu); GUM G.4.1.

    Terms with infinite degrees of freedom add to the numerator only; all-certain sums give infinity.
    """
    u2 = np.asarray(variances, dtype=np.float64)
    nu = np.asarray(degrees_of_freedom, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        below = np.sum(u2**2 / nu, axis=axis)
        return np.asarray(np.where(below > 0.0, np.sum(u2, axis=axis) ** 2 / below, np.inf))


def rest_of_sum(
    standard_uncertainty: ArrayLike, degrees_of_freedom: ArrayLike, certain_variance: ArrayLike
) -> tuple[Reals, Reals]:
    """Variance of a sum without a term that is certain, and its degrees of freedom, one at least.

    All doubt about the whole variance is doubt about the rest: by Welch-Satterthwaite the rest has the degrees of
    freedom of the whole times the square of its share.
    """
    whole = np.asarray(standard_uncertainty, dtype=np.float64) ** 2
    rest = np.maximum(whole - np.asarray(certain_variance, dtype=np.float64), 0.0)
    share = rest / np.where(whole > 0.0, whole, 1.0)
    return rest, np.maximum(np.asarray(degrees_of_freedom, dtype=np.float64) * share**2, 1.0)


def together(variances: ArrayLike, degrees_of_freedom: ArrayLike, axis: int = 0) -> Reals:
    """Effective degrees of freedom of a sum of terms that were estimated from the same data.

    (sum u^2)^2 / (sum u^2 / sqrt(nu))^2: Welch-Satterthwaite for estimates of correlation one, so that two terms of one
    source have the degrees of freedom of that source.
    """
    u2 = np.asarray(variances, dtype=np.float64)
    nu = np.asarray(degrees_of_freedom, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        below = np.sum(u2 / np.sqrt(nu), axis=axis)
        return np.asarray(np.where(below > 0.0, (np.sum(u2, axis=axis) / below) ** 2, np.inf))
