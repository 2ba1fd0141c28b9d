"""Difference of two sets of averaged spectra, line by line, with its interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER
from tapeline.arrays import Reals
from tapeline.statistics.significance import student_factor


@dataclass(frozen=True)
class LineDifference:
    """Treatment minus reference, every field of shape (lines,); NaN where either side has no value."""

    difference_db: Reals
    lower_db: Reals
    upper_db: Reals


@dataclass(frozen=True)
class LineSide:
    """Repeats of one condition: densities (runs, lines), NaN where a bound, and effective averages (runs,).

    `total` is the density before anything was subtracted, None where nothing was.
    """

    density: Reals
    effective_averages: Reals
    total: Reals | None = None


def line_difference(
    reference: LineSide, treatment: LineSide, beyond_db2: Reals, degrees_of_freedom: Reals, confidence: float
) -> LineDifference:
    """Difference of mean levels, treatment minus reference, line by line with its interval.

    A line has a value where all runs of both sides have one: the mean of those runs alone that lie above a background
    by chance would be too high. Variance of the random errors (4.343^2 / effective averages of each run; Bendat and
    Piersol, Random Data) over the number of runs of each side, and `beyond_db2` (lines,): all else that makes the
    differences of the bands uncertain, with its `degrees_of_freedom`. Where a background was subtracted, a run's random
    error is larger by total over rest, and the background adds its own: known as well as the run itself, and the same
    in all runs of a side.
    """
    means, variances = zip(*(_mean_level(side) for side in (reference, treatment)), strict=True)
    random = variances[0] + variances[1]
    error = np.sqrt(random + beyond_db2)
    with np.errstate(divide="ignore", invalid="ignore"):
        # Random error is known, the rest as well as its degrees of freedom (Welch-Satterthwaite).
        degrees = np.where(beyond_db2 > 0.0, (random + beyond_db2) ** 2 / (beyond_db2**2 / degrees_of_freedom), np.inf)
    half = student_factor(np.maximum(degrees, 1.0), confidence) * error
    d = means[1] - means[0]
    return LineDifference(d, d - half, d + half)


def _mean_level(side: LineSide) -> tuple[Reals, Reals]:
    """Mean level in dB of the runs at each line, and its variance by random error; NaN where a run has no value."""
    density = np.where(side.density > 0.0, side.density, np.nan)
    total = density if side.total is None else np.maximum(side.total, density)
    each = DB_PER_RELATIVE_POWER**2 / side.effective_averages[:, None]
    own, off = each * (total / density) ** 2, each * (total / density - 1.0) ** 2
    return (10.0 * np.log10(density)).mean(axis=0), own.mean(axis=0) / density.shape[0] + off.mean(axis=0)
