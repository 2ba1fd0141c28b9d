"""Subtraction of a background in power, with the state that the margin decides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER

Reals = NDArray[np.float64]

NONE, CLEAR, CORRECTED, LIMITED, BOUND = range(5)
"""Codes of the states in rising order of doubt, but for NONE: no background run."""


@dataclass(frozen=True)
class MarginLimits:
    """Margins in dB that separate the states (form of ISO 3744: correct between 6 and 15 dB)."""

    no_correction_above_db: float
    enough_margin_db: float
    least_margin_db: float
    bound_factor: float


@dataclass(frozen=True)
class Subtraction:
    """Result of a subtraction, every field of the totals' shape.

    `corrected` is NaN for bounds, `upper_bound` NaN for all else. `variance` (Pa^4) is the total's own, and
    `background_variance` what the subtracted background adds; `neglected` is the power left in, relative to the
    corrected one, where the state is clear.
    """

    state: NDArray[np.uint8]
    margin_db: Reals
    corrected: Reals
    upper_bound: Reals
    variance: Reals
    background_variance: Reals
    neglected: Reals


def correction_db(margin_db: Reals) -> Reals:
    """K1 = -10 lg(1 - 10^(-0.1 margin)), to be taken off the total level; ISO 3744, 8.2.3 form."""
    return np.asarray(-10.0 * np.log10(1.0 - 10.0 ** (-0.1 * np.asarray(margin_db, dtype=np.float64))))


def states_of(margin_db: Reals, limits: MarginLimits) -> NDArray[np.uint8]:
    """State of each margin; a NaN margin (both powers zero) counts as a bound."""
    state = np.full(np.shape(margin_db), BOUND, dtype=np.uint8)
    state[margin_db >= limits.least_margin_db] = LIMITED
    state[margin_db >= limits.enough_margin_db] = CORRECTED
    state[margin_db >= limits.no_correction_above_db] = CLEAR
    return state


def subtract(
    total: Reals, background: Reals, total_variance: Reals, background_variance: Reals, limits: MarginLimits
) -> Subtraction:
    """Subtract background powers (Pa^2) from totals of the same shape, with their variances (Pa^4).

    Where the margin is above the no-correction limit the total stays as it is. A bound is
    max(0, total - background) + factor x standard uncertainty of the difference.
    """
    total, background = np.asarray(total, dtype=np.float64), np.asarray(background, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        margin = 10.0 * np.log10(total / background)
    state = states_of(margin, limits)
    difference = total - background
    added = np.where(state == CLEAR, 0.0, background_variance)
    corrected = np.where(state == CLEAR, total, difference)
    upper = np.maximum(difference, 0.0) + limits.bound_factor * np.sqrt(total_variance + added)
    bound = state == BOUND
    with np.errstate(divide="ignore", invalid="ignore"):
        neglected = np.where(state == CLEAR, background / total, 0.0)
    return Subtraction(
        state=state,
        margin_db=margin,
        corrected=np.where(bound, np.nan, corrected),
        upper_bound=np.where(bound, upper, np.nan),
        variance=np.broadcast_to(np.asarray(total_variance, dtype=np.float64), total.shape),
        background_variance=added,
        neglected=neglected,
    )


def without_background(total: Reals, total_variance: Reals) -> Subtraction:
    """The same for recordings that have no background run: the total stands, and the state says so."""
    total = np.asarray(total, dtype=np.float64)
    nothing = np.full(total.shape, np.nan)
    return Subtraction(
        state=np.full(total.shape, NONE, dtype=np.uint8),
        margin_db=nothing,
        corrected=total,
        upper_bound=nothing,
        variance=np.broadcast_to(np.asarray(total_variance, dtype=np.float64), total.shape),
        background_variance=np.zeros(total.shape),
        neglected=np.zeros(total.shape),
    )


def random_uncertainty_db(result: Subtraction) -> Reals:
    """Standard uncertainty (dB) of the corrected level from the run's own averages; NaN for bounds.

    u(L) = 4.343 u(p^2)/p^2: in terms of the total level this is the factor 1/(1 - r) of a subtraction.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(DB_PER_RELATIVE_POWER * np.sqrt(result.variance) / result.corrected)


def background_uncertainty_db(result: Subtraction) -> Reals:
    """Standard uncertainty (dB) that the background leaves in the corrected level; NaN for bounds.

    Its own averages where it is subtracted (factor r/(1 - r)). Where it is neglected, the correction not made lies
    between nothing and K1: a rectangle from 0 to K1 about the uncorrected value has the rms K1 / sqrt(3).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        subtracted = np.sqrt(result.background_variance) / result.corrected
    return np.asarray(DB_PER_RELATIVE_POWER * np.hypot(subtracted, result.neglected / np.sqrt(3.0)))
