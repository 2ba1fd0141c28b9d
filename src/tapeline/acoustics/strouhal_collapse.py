"""Whether band spectra of several speeds collapse over f/U (Strouhal number) or over frequency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.limits import COLLAPSE_KNOT_BANDS, COLLAPSE_PEAK_GRID_POINTS, SAME_SPEED_DB
from tapeline.statistics.significance import student_factor, variance_ratio_p_value

Shared: TypeAlias = tuple[NDArray[np.intp], Reals]
"""Groups of runs (or of levels) by number, and the standard uncertainty (dB) that all levels of each group share."""

Word: TypeAlias = Literal["strouhal", "frequency", "not shown"]

SMALLEST = 1e-9
"""Singular values below this share of the largest are none."""

CUBIC = 3
ROUNDING_DB = 1e-6
"""Scatter by which two curves do not differ: that of computing."""


@dataclass(frozen=True)
class CurveFit:
    """Exponent of speed that brings levels onto one curve, and their scatter (dB rms) about it.

    `scatter_db` is corrected for `degrees_of_freedom`: levels less what the curve and the exponent take. `peak` is
    where the curve is highest within what both the slowest and the fastest runs cover, None where that is an end.
    """

    exponent: float
    standard_error: float
    lower: float
    upper: float
    scatter_db: float
    degrees_of_freedom: int
    peak: float | None = None


@dataclass(frozen=True)
class Collapse:
    """The same levels over f/U (`moving`, peak in 1/m) and over f (`fixed`, peak in Hz), and which scatters less.

    `p_value`: how likely so large a ratio of the two variances, or a larger, is by chance (one-sided F).
    """

    moving: CurveFit
    fixed: CurveFit
    better: Word
    p_value: float


def collapse(
    level_db: Reals, shared: Sequence[Shared], x_db: Reals, speed_mps: Reals, midband_hz: Reals, confidence: float
) -> Collapse | None:
    """Fits of L = g(lg f/U) + n x and L = g(lg f) + n x, g a smooth curve, and which of the two scatters less.

    `level_db` has shape (runs, bands), NaN where there is no level; `shared` says what levels of some runs have in
    common; `x_db` (runs,) are 10 lg(U / U_ref) and `midband_hz` rises. Each fit has its own n. Returns None where
    levels are too few for either curve, or bands fewer than two.

    A length l only moves lg St = lg(f/U) + lg l: scatter and exponent are the same for every l, which names the peak's
    Strouhal number alone. The two models are not nested, and they are fitted to the same levels: the F ratio of their
    residual variances is a comparison and no test of one against the other. A word is given where the one-sided p is at
    most (1 - confidence) / 2, else it is `not shown`.
    """
    if midband_hz.size < 2:
        return None
    known = np.isfinite(level_db)
    run, band = np.nonzero(known)
    level, x = level_db[known], x_db[run]
    spacing = COLLAPSE_KNOT_BANDS * float(np.median(np.diff(np.log10(midband_hz))))
    frequency = np.log10(midband_hz[band])
    of_levels = [(group[run], doubt_db) for group, doubt_db in shared]
    found = [
        fit_on_spline(level, x, abscissa, spacing, of_levels, confidence)
        for abscissa in (frequency - np.log10(speed_mps[run]), frequency)
    ]
    if found[0] is None or found[1] is None:
        return None
    moving, fixed = found[0], found[1]
    better, p = _better(moving, fixed, confidence)
    return Collapse(moving, fixed, better, p)


def fit_on_spline(
    level_db: Reals,
    x_db: Reals,
    abscissa: Reals,
    spacing: float,
    shared: Sequence[Shared],
    confidence: float,
) -> CurveFit | None:
    """`fit_on_curve` with a cubic spline over a logarithmic `abscissa`, knots `spacing` apart, and its peak."""
    if not abscissa.size:
        return None
    low, high = float(abscissa.min()), float(abscissa.max())
    pieces = max(1, round((high - low) / spacing))
    step = (high - low) / pieces
    if step <= 0.0:
        return None
    knots: Reals = low + step * np.arange(-CUBIC, pieces + CUBIC + 1, dtype=np.float64)
    found = fit_on_curve(level_db, x_db, _splines(abscissa, knots), shared, confidence)
    if found is None:
        return None
    fit, curve = found
    return CurveFit(**{**vars(fit), "peak": _peak(knots, curve, _common_range(abscissa, x_db))})


def _common_range(abscissa: Reals, x_db: Reals) -> tuple[float, float]:
    """Where both the slowest and the fastest runs have levels: beyond, the curve has the levels of one speed alone."""
    slow, fast = abscissa[x_db <= x_db.min() + SAME_SPEED_DB], abscissa[x_db >= x_db.max() - SAME_SPEED_DB]
    return float(max(slow.min(), fast.min())), float(min(slow.max(), fast.max()))


def _peak(knots: Reals, curve: Reals, within: tuple[float, float]) -> float | None:
    """Where the curve is highest, None where that is an end of the range."""
    grid = np.linspace(*within, COLLAPSE_PEAK_GRID_POINTS)
    top = int(np.argmax(_splines(grid, knots) @ curve))
    return None if within[1] <= within[0] or top in (0, COLLAPSE_PEAK_GRID_POINTS - 1) else float(10.0 ** grid[top])


def fit_on_curve(
    level_db: Reals, x_db: Reals, curve: Reals, shared: Sequence[Shared], confidence: float
) -> tuple[CurveFit, Reals] | None:
    """Least squares of L = curve c + n x, every level alike; the fit and c, None where there is no n or none to spare.

    `curve` holds the functions of the abscissa, (levels, functions). The exponent's error is that of the residuals,
    s^2 (A'A)^-1, and what the levels of one group of `shared` have in common: its standard uncertainty times the sum of
    the group's coefficients in n, since residuals do not show it.
    """
    design = np.column_stack([curve, x_db])
    if not np.all(np.isfinite(design)) or level_db.size < 3:
        return None
    left, singular, right = np.linalg.svd(design, full_matrices=False)
    kept = singular > SMALLEST * singular[0]
    rank = int(kept.sum())
    spare = level_db.size - rank
    if spare < 1 or rank == int((np.linalg.svd(curve, compute_uv=False) > SMALLEST * singular[0]).sum()):
        return None
    solve = (right[kept].T / singular[kept]) @ left[:, kept].T
    found = solve @ level_db
    variance = float(np.sum((level_db - design @ found) ** 2)) / spare
    own = solve[-1]
    sums = (np.bincount(group, weights=own, minlength=doubt_db.size) * doubt_db for group, doubt_db in shared)
    error = float(np.sqrt(variance * np.sum(own**2) + sum(float(np.sum(each**2)) for each in sums)))
    reach = float(student_factor(spare, confidence)) * error
    exponent = float(found[-1])
    fit = CurveFit(exponent, error, exponent - reach, exponent + reach, float(np.sqrt(variance)), spare)
    return fit, found[:-1]


def _splines(at: Reals, knots: Reals) -> Reals:
    """Cubic B-splines at some places, (places, splines), by the recursion of de Boor (J. Approx. Theory 6 (1972) 50).

    Written out: the library that has them takes longer to load than all else of a small campaign's comparisons.
    """
    inside = np.clip(at, knots[CUBIC], knots[-CUBIC - 1])
    splines = knots.size - CUBIC - 1
    piece = np.clip(np.searchsorted(knots, inside, side="right") - 1, CUBIC, splines - 1)
    values = np.zeros((CUBIC + 1, inside.size))
    values[0] = 1.0
    for degree in range(1, CUBIC + 1):
        lower = values[:degree].copy()
        values[0] = 0.0
        for n in range(1, degree + 1):
            right, left = knots[piece + n], knots[piece + n - degree]
            share = lower[n - 1] / (right - left)
            values[n - 1] += share * (right - inside)
            values[n] = share * (inside - left)
    found = np.zeros((inside.size, splines))
    found[np.arange(inside.size)[:, None], piece[:, None] - CUBIC + np.arange(CUBIC + 1)] = values.T
    return found


def _better(moving: CurveFit, fixed: CurveFit, confidence: float) -> tuple[Word, float]:
    names: tuple[Word, Word] = ("strouhal", "frequency")
    smaller, larger = sorted((moving, fixed), key=lambda fit: fit.scatter_db)
    worse, best = (fit.scatter_db**2 + ROUNDING_DB**2 for fit in (larger, smaller))
    p = float(variance_ratio_p_value(worse, best, larger.degrees_of_freedom, smaller.degrees_of_freedom))
    shown = p <= (1.0 - confidence) / 2.0
    return (names[0] if smaller is moving else names[1]) if shown else "not shown", p
