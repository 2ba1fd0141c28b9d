"""Levels in decibels and the powers they stand for."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tapeline.arrays import Reals

REFERENCE_PRESSURE_PA = 2.0e-5
"""Reference pressure of sound levels in air (ISO 1683)."""

DB_PER_RELATIVE_POWER = 10.0 / np.log(10.0)
"""u(L) = 4.343 u(p2)/p2: decibels per relative standard uncertainty of a power."""


def level_db(power_pa2: ArrayLike, reference_pa: float = REFERENCE_PRESSURE_PA) -> Reals:
    """Level of a mean square pressure (Pa^2, any shape) in dB re `reference_pa`; zero gives -inf, negative NaN.

    L = 10 lg(p^2 / p0^2), ISO 80000-8.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(power_pa2, dtype=np.float64) / reference_pa**2))


def power_pa2(level: ArrayLike, reference_pa: float = REFERENCE_PRESSURE_PA) -> Reals:
    """Mean square pressure (Pa^2) of levels in dB re `reference_pa`, any shape."""
    return np.asarray(reference_pa**2 * 10.0 ** (np.asarray(level, dtype=np.float64) / 10.0))


def gain_from_db(decibels: ArrayLike) -> Reals:
    """Amplitude ratio of a gain in decibels: 10^(G/20)."""
    return np.asarray(10.0 ** (np.asarray(decibels, dtype=np.float64) / 20.0))


def ratio_db(amplitude_ratio: ArrayLike) -> Reals:
    """Decibels of an amplitude ratio: 20 lg r; zero gives -inf."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(20.0 * np.log10(np.abs(np.asarray(amplitude_ratio, dtype=np.float64))))
