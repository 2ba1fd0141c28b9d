"""Equality of two averaged spectra: the sum of squared log ratios compared with what random error alone gives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import ArrayLike, NDArray

from tapeline.acoustics.windows import WindowName, all_pairs, line_covariance, window
from tapeline.arrays import Reals
from tapeline.limits import LINE_COVARIANCE_REACH_LINES

DB_PER_LN = 10.0 / np.log(10.0)
"""4.343 dB: decibels of a power in one unit of its natural logarithm."""

MODEL_FRAMES = 256
"""Length of the window that correlations of lines are taken from; they do not depend on it."""


@dataclass(frozen=True)
class SpectrumEquality:
    """Result of the equality test of each pair of spectra, every field of the shape of the pairs.

    `statistic` with `degrees_of_freedom` is about chi-square while nothing changed, `p_value` its upper tail.
    `level_difference_db` is the mean over the lines of second minus first, in dB; `shape_p_value` is that of the test
    without this difference; `excess_db` the rms difference of lines beyond random error.
    """

    statistic: Reals
    degrees_of_freedom: Reals
    p_value: Reals
    level_difference_db: Reals
    shape_p_value: Reals
    excess_db: Reals


def line_correlation(name: WindowName, overlap: float, averages: float) -> Reals:
    """Correlation of an averaged line with those 0 to REACH_LINES lines away, shape (REACH_LINES + 1,).

    That of as many blocks as make the `averages` (rounded up), of the given window and share of overlap.
    """
    hop = max(1, round(MODEL_FRAMES * (1.0 - overlap)))
    pairs = all_pairs(max(1, int(np.ceil(averages))), MODEL_FRAMES, hop)
    covariance = line_covariance(window(name, MODEL_FRAMES), hop, pairs, LINE_COVARIANCE_REACH_LINES)
    return np.asarray(covariance / covariance[0])


def spectrum_equality(
    first: NDArray[np.floating],
    second: NDArray[np.floating],
    averages: tuple[float, float],
    correlation: ArrayLike,
) -> SpectrumEquality:
    """Whole-spectrum test of pairs of densities, shape (..., lines), each with its effective averages.

    X^2 = sum_i ln(G2/G1)^2 / v over the lines, about chi-square for independent lines (form from memory, there with
    v = 1/n1 + 1/n2). Here v = trigamma(n1) + trigamma(n2), the exact variance of the log of a ratio of gamma variables;
    its mean digamma(n2) - ln n2 - digamma(n1) + ln n1 is subtracted. Neighbouring lines share what windows spread: with
    their `correlation` rho (entry 0 is 1) the sum has mean N and variance 2 c N, c = 1 + 2 sum_m (1 - m/N) rho_m^2 and
    half the excess kurtosis of a line, so X^2 / c is held against chi-square of N / c (Satterthwaite 1946). Without the
    mean level the moments are those of sums of squares about a mean of correlated values.
    Raises ValueError for fewer lines than two, averages not above zero, or densities not above zero.
    """
    d, variance = log_ratios(first, second, averages)
    n = d.shape[-1]
    rho = np.asarray(correlation, dtype=np.float64)[1:n]
    n1, n2 = averages
    kurtosis = float(scipy.special.polygamma(3, n1) + scipy.special.polygamma(3, n2)) / variance**2
    mean = d.mean(axis=-1)
    share = 1.0 - np.arange(1, rho.size + 1) / n
    alike, reach = 1.0 + 2.0 * float(np.sum(share * rho**2)), 1.0 + 2.0 * float(np.sum(share * rho))
    whole, shape = (np.sum(part**2, axis=-1) / variance for part in (d, d - mean[..., None]))
    scale = alike + kurtosis / 2.0
    mean_shape, half_shape = n - reach, n * scale - reach**2
    scale_shape = half_shape / mean_shape
    return SpectrumEquality(
        statistic=np.asarray(whole / scale),
        degrees_of_freedom=np.full(whole.shape, n / scale),
        p_value=_upper_tail(whole / scale, n / scale),
        level_difference_db=np.asarray(DB_PER_LN * mean),
        shape_p_value=_upper_tail(shape / scale_shape, mean_shape / scale_shape),
        excess_db=np.asarray(DB_PER_LN * np.sqrt(np.maximum(np.mean(d**2, axis=-1) - variance, 0.0))),
    )


def log_ratios(
    first: NDArray[np.floating], second: NDArray[np.floating], averages: tuple[float, float]
) -> tuple[Reals, float]:
    """Log ratios of densities, free of the mean that random error alone gives them, and their variance by it.

    Raises ValueError as `spectrum_equality`.
    """
    one, two = (np.asarray(psd, dtype=np.float64) for psd in (first, second))
    _refuse_bad(one, two, averages)
    n1, n2 = averages
    off = float(scipy.special.digamma(n2) - np.log(n2) - scipy.special.digamma(n1) + np.log(n1))
    return np.log(two / one) - off, float(scipy.special.polygamma(1, n1) + scipy.special.polygamma(1, n2))


def _refuse_bad(one: Reals, two: Reals, averages: tuple[float, float]) -> None:
    if one.shape != two.shape or one.shape[-1] < 2:
        raise ValueError(f"two spectra of the same lines are needed, two at least, not {one.shape} and {two.shape}")
    if not min(averages) > 0.0:
        raise ValueError(f"effective averages must be above zero, not {averages}")
    if not (np.all(one > 0.0) and np.all(two > 0.0) and np.all(np.isfinite(one)) and np.all(np.isfinite(two))):
        raise ValueError("densities must be finite and above zero")


def _upper_tail(statistic: Reals, degrees_of_freedom: float) -> Reals:
    return np.asarray(scipy.special.chdtrc(degrees_of_freedom, statistic))
