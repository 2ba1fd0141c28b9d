"""Intervals and tests: chi-square, Student, Fisher, and adjusting for many tests at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import scipy.special
from numpy.typing import ArrayLike

from tapeline.arrays import Reals
from tapeline.limits import CERTAIN_DOF


def chi_square_quantile(probability: ArrayLike, degrees_of_freedom: ArrayLike) -> Reals:
    """Quantile of the chi-square distribution."""
    shape = np.asarray(degrees_of_freedom, dtype=np.float64) / 2.0
    return np.asarray(2.0 * scipy.special.gammaincinv(shape, np.asarray(probability, dtype=np.float64)))


def spectrum_interval_db(effective_averages: ArrayLike, confidence: float) -> tuple[Reals, Reals]:
    """True minus estimated level of an averaged line, lower and upper end in dB.

    Chi-square with 2 x effective averages degrees of freedom (Bendat and Piersol, Random Data).
    """
    dof = 2.0 * np.asarray(effective_averages, dtype=np.float64)
    tail = (1.0 - confidence) / 2.0
    lower = 10.0 * np.log10(dof / chi_square_quantile(1.0 - tail, dof))
    upper = 10.0 * np.log10(dof / chi_square_quantile(tail, dof))
    return np.asarray(lower), np.asarray(upper)


def student_factor(degrees_of_freedom: ArrayLike, confidence: float) -> Reals:
    """Two-sided coverage factor of Student's t; degrees of freedom may be infinite.

    >>> round(float(student_factor(10.0, 0.95)), 3)
    2.228
    """
    dof = np.minimum(np.asarray(degrees_of_freedom, float), CERTAIN_DOF)
    return np.asarray(scipy.special.stdtrit(dof, 0.5 + confidence / 2.0))


def student_p_value(t: ArrayLike, degrees_of_freedom: ArrayLike) -> Reals:
    """Two-sided p-value of a t statistic; degrees of freedom may be infinite."""
    dof = np.minimum(np.asarray(degrees_of_freedom, float), CERTAIN_DOF)
    return np.asarray(2.0 * scipy.special.stdtr(dof, -np.abs(np.asarray(t))))


def benjamini_hochberg(p_values: ArrayLike) -> Reals:
    """P-values adjusted for the false discovery rate, shape (tests,); NaN entries are no tests and stay NaN.

    Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289: p_(i) n / i, made monotone from the largest down.

    >>> [round(float(p), 3) for p in benjamini_hochberg([0.01, 0.02, 0.04])]
    [0.03, 0.03, 0.04]
    """
    p = np.asarray(p_values, dtype=np.float64)
    adjusted = np.full(p.shape, np.nan)
    tested = np.flatnonzero(np.isfinite(p))
    if tested.size:
        order = tested[np.argsort(p[tested], kind="stable")]
        scaled = p[order] * tested.size / np.arange(1, tested.size + 1)
        adjusted[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return adjusted


def holm(p_values: ArrayLike) -> Reals:
    """P-values adjusted by Holm's method, shape (tests,), which bound the chance of one false finding or more.

    (n - i + 1) p_(i), made monotone from the smallest up (Holm, Scand. J. Stat. 6 (1979) 65); holds however the tests
    depend on each other. NaN entries are no tests and stay NaN.
    """
    p = np.asarray(p_values, dtype=np.float64)
    adjusted = np.full(p.shape, np.nan)
    tested = np.flatnonzero(np.isfinite(p))
    if tested.size:
        order = tested[np.argsort(p[tested], kind="stable")]
        scaled = p[order] * np.arange(tested.size, 0, -1)
        adjusted[order] = np.minimum(np.maximum.accumulate(scaled), 1.0)
    return adjusted


ADJUSTMENTS: Mapping[str, Callable[[ArrayLike], Reals]] = {
    "false-discovery": benjamini_hochberg,
    "family-wise": holm,
}
"""How p-values are adjusted, by the setting's word."""


def variance_ratio_p_value(
    larger: ArrayLike, smaller: ArrayLike, dof_larger: ArrayLike, dof_smaller: ArrayLike
) -> Reals:
    """One-sided p-value that variance `larger` exceeds `smaller` by chance alone (Fisher's F)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        f = np.asarray(larger, float) / np.asarray(smaller, float)
    return np.asarray(scipy.special.fdtrc(np.asarray(dof_larger, float), np.asarray(dof_smaller, float), f))
