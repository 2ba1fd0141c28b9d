"""The exponent of speed: a straight line through levels over the logarithm of speed, and how far it can be trusted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import ArrayLike, NDArray

from tapeline.arrays import Reals
from tapeline.statistics.significance import student_factor, variance_ratio_p_value

Counts = NDArray[np.int64]

STATED, SCATTER, LACK_OF_FIT = 0, 1, 2
"""What an interval rests on, the widest of: stated uncertainties, scatter about the line, how little a line fits."""


@dataclass(frozen=True)
class SpeedFit:
    """One line a series, every field of shape (series,), NaN where there is none.

    `level_db` is the level at the reference speed. The standard errors are those by the stated uncertainties, or by the
    scatter about the line where that is larger; `basis` says what the interval rests on. `rms_db` is that of the
    residuals, corrected for degrees of freedom; these are `levels` less two. `lack_of_fit_p_value` needs three speeds.
    """

    exponent: Reals
    standard_error: Reals
    lower: Reals
    upper: Reals
    level_db: Reals
    level_error_db: Reals
    degrees_of_freedom: Counts
    rms_db: Reals
    lack_of_fit_p_value: Reals
    levels: Counts
    speeds: Counts
    basis: NDArray[np.int8]


def speed_decibels(speed_mps: ArrayLike, reference_mps: float) -> Reals:
    """10 lg(U / U_ref), by which a level with exponent n rises n times.

    Raises ValueError for speeds that are not positive.
    """
    speed = np.asarray(speed_mps, dtype=np.float64)
    if not (np.all(speed > 0.0) and reference_mps > 0.0):
        raise ValueError(f"speeds must be positive, got {speed} and the reference {reference_mps}")
    return np.asarray(10.0 * np.log10(speed / reference_mps))


def speed_fit(
    level_db: Reals, own_db: Reals, shared_db: Reals, x_db: Reals, point: NDArray[np.integer], confidence: float
) -> SpeedFit:
    """Fit of levels to L = L_ref + n x, weighted with their stated uncertainties.

    `level_db` has shape (runs, series), NaN where there is no level; `own_db` (above 0) and `shared_db` are standard
    uncertainties of that shape: what each level has by itself, and what the levels of one nominal speed have in common.
    `x_db` (runs,) are the `speed_decibels`, `point` (runs,) numbers the nominal speeds.

    Generalised least squares (Draper and Smith, Applied Regression Analysis; Aitken 1935): covariance (A' V^-1 A)^-1,
    V with own^2 + shared^2 on its diagonal and the products of what is shared between levels of one nominal speed.
    Chi-square of the residuals over its degrees of freedom beyond 1 widens the standard errors by its root (Birge,
    Phys. Rev. 40 (1932) 207). The interval is the wider of two: the normal one of the stated uncertainties, and
    Student's t of the scatter about the line with its degrees of freedom. It holds where either is right and does not
    jump where one overtakes the other. Where runs are repeated, lack of fit is tested against their pure error (F
    test), else chi-square against the stated uncertainties; where it is shown with 1 - confidence it widens, with as
    many degrees of freedom as there are speeds beyond two: repeats do not show where a line is wrong.

    Raises ValueError for own uncertainties that are not positive.
    """
    known = np.isfinite(level_db).T
    own, shared = (np.where(known, part.T, 0.0) for part in (own_db, shared_db))
    if not np.all(own[known] > 0.0):
        raise ValueError("every level needs a standard uncertainty above 0 of its own")
    design = np.stack([np.ones(x_db.size), x_db], axis=-1) * known[..., None]
    levels, present = known.sum(axis=1), _present(known, point)
    speeds = present.sum(axis=1)
    fits = (speeds >= 2) & (_spread(known, x_db) > 0.0)
    turned = np.swapaxes(_weighted(design, own, shared, known, point), 1, 2)
    normal = np.where(fits[:, None, None], turned @ design, np.eye(2))
    covariance = np.linalg.inv(normal)
    y = np.where(known, level_db.T, 0.0)
    found = (covariance @ turned @ y[..., None])[..., 0]
    residual = np.where(known, y - (design @ found[..., None])[..., 0], 0.0)
    chi_square = (residual * _weighted(residual[..., None], own, shared, known, point)[..., 0]).sum(axis=1)
    dof = np.maximum(levels - 2, 0)
    pure, pure_dof = _pure_error(residual, own, known, point)
    misfit, misfit_degrees_of_freedom = np.maximum(chi_square - pure, 0.0), np.maximum(speeds - 2, 0)
    p = _lack_of_fit_p(misfit, misfit_degrees_of_freedom, pure, pure_dof)
    widened, factor, basis = _widening(chi_square, dof, misfit, misfit_degrees_of_freedom, p, confidence)
    stated = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    error, reach = widened[:, None] * stated, factor * stated[:, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        rms = np.sqrt((residual**2).sum(axis=1) / np.where(dof > 0, dof, np.nan))

    def where_fitted(values: Reals) -> Reals:
        return np.where(fits, values, np.nan)

    return SpeedFit(
        exponent=where_fitted(found[:, 1]),
        standard_error=where_fitted(error[:, 1]),
        lower=where_fitted(found[:, 1] - reach),
        upper=where_fitted(found[:, 1] + reach),
        level_db=where_fitted(found[:, 0]),
        level_error_db=where_fitted(error[:, 0]),
        degrees_of_freedom=dof,
        rms_db=where_fitted(rms),
        lack_of_fit_p_value=where_fitted(p),
        levels=levels,
        speeds=speeds,
        basis=basis,
    )


def _present(known: NDArray[np.bool_], point: NDArray[np.integer]) -> NDArray[np.bool_]:
    """At which nominal speeds a series has a level, (series, speeds)."""
    return np.stack([known[:, point == each].any(axis=1) for each in np.unique(point)], axis=1)


def _spread(known: NDArray[np.bool_], x_db: Reals) -> Reals:
    highest = np.where(known, x_db, -np.inf).max(axis=1, initial=-np.inf)
    lowest = np.where(known, x_db, np.inf).min(axis=1, initial=np.inf)
    return np.asarray(highest - lowest)


def _weighted(values: Reals, own: Reals, shared: Reals, known: NDArray[np.bool_], point: NDArray[np.integer]) -> Reals:
    """Inverse of the levels' covariance times values (series, runs, columns), which are 0 where a level is absent.

    For the levels of one nominal speed the covariance is D + s s', D diagonal; its inverse is D^-1 - D^-1 s s' D^-1 /
    (1 + s' D^-1 s) (Sherman and Morrison, Ann. Math. Stat. 21 (1950) 124), so that no matrix of runs by runs is needed.
    """
    alone = np.where(known, 1.0 / np.where(known, own, 1.0) ** 2, 0.0)
    scaled = alone * shared
    found = alone[..., None] * values
    for each in np.unique(point):
        at = point == each
        part = np.einsum("sr,src->sc", scaled[:, at], values[:, at])
        beside = 1.0 + (scaled[:, at] * shared[:, at]).sum(axis=1)
        found[:, at] -= scaled[:, at, None] * (part / beside[:, None])[:, None, :]
    return found


def _pure_error(
    residual: Reals, own: Reals, known: NDArray[np.bool_], point: NDArray[np.integer]
) -> tuple[Reals, Counts]:
    """Chi-square of the levels of one nominal speed about their own mean, and its degrees of freedom, (series,).

    The residuals are taken, so that what their achieved speeds differ by is no error.
    """
    weight = np.where(known, 1.0 / np.where(known, own, 1.0) ** 2, 0.0)
    total, dof = np.zeros(known.shape[0]), np.zeros(known.shape[0], dtype=np.int64)
    for each in np.unique(point):
        w, r = weight[:, point == each], residual[:, point == each]
        mean = (w * r).sum(axis=1) / np.maximum(w.sum(axis=1), np.finfo(float).tiny)
        total += (w * (r - mean[:, None]) ** 2).sum(axis=1)
        dof += np.maximum(known[:, point == each].sum(axis=1) - 1, 0)
    return total, dof


def _lack_of_fit_p(misfit: Reals, misfit_degrees_of_freedom: Counts, pure: Reals, pure_dof: Counts) -> Reals:
    """Probability of so much lack of fit, or more, were the line right: F with repeats, else chi-square."""
    with np.errstate(divide="ignore", invalid="ignore"):
        of_repeats = variance_ratio_p_value(
            misfit / misfit_degrees_of_freedom, pure / pure_dof, misfit_degrees_of_freedom, pure_dof
        )
        of_stated = scipy.special.chdtrc(np.maximum(misfit_degrees_of_freedom, 1), misfit)
    return np.where(misfit_degrees_of_freedom > 0, np.where(pure_dof > 0, of_repeats, of_stated), np.nan)


def _widening(
    chi_square: Reals, dof: Counts, misfit: Reals, misfit_degrees_of_freedom: Counts, p: Reals, confidence: float
) -> tuple[Reals, Reals, NDArray[np.int8]]:
    """Factors on the stated standard errors, of the standard errors and of half the interval, and the basis."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(dof > 0, chi_square / dof, 0.0)
        lack = np.where(misfit_degrees_of_freedom > 0, misfit / misfit_degrees_of_freedom, 0.0)
        shown = (p <= 1.0 - confidence) & (lack > np.maximum(ratio, 1.0))
    squares = np.stack([np.ones_like(ratio), ratio, np.where(shown, lack, 0.0)])
    degrees = np.stack([np.full(ratio.shape, np.inf), np.maximum(dof, 1), np.maximum(misfit_degrees_of_freedom, 1)])
    reaches = student_factor(degrees, confidence) * np.sqrt(squares)
    return np.sqrt(squares.max(axis=0)), reaches.max(axis=0), reaches.argmax(axis=0).astype(np.int8)
