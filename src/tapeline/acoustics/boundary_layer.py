"""Wall-pressure spectrum under a turbulent boundary layer."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tapeline.arrays import Reals


def goody_density(
    frequency_hz: ArrayLike,
    edge_speed_mps: float,
    thickness_m: float,
    wall_shear_pa: float,
    density_kgm3: float,
    viscosity_m2s: float,
) -> Reals:
    """One-sided wall-pressure spectral density in Pa^2/Hz at each frequency (any shape).

    Goody, AIAA J. 42 (2004) 1788: Phi U/(tau^2 delta) = 3 x^2 / ((x^0.75 + 0.5)^3.7 + (1.1 R_T^-0.57 x)^7) with
    x = omega delta / U and R_T = (delta / U)/(nu / u_tau^2); Phi is per rad/s, hence the factor 2 pi.
    """
    x = 2.0 * np.pi * np.asarray(frequency_hz, dtype=np.float64) * thickness_m / edge_speed_mps
    friction_speed = np.sqrt(wall_shear_pa / density_kgm3)
    timescale_ratio = (thickness_m / edge_speed_mps) / (viscosity_m2s / friction_speed**2)
    return np.asarray(2.0 * np.pi * goody_shape(x, timescale_ratio) * wall_shear_pa**2 * thickness_m / edge_speed_mps)


def goody_shape(x: ArrayLike, timescale_ratio: float) -> Reals:
    """Dimensionless form of the same, against x = omega delta / U."""
    x = np.asarray(x, dtype=np.float64)
    return np.asarray(3.0 * x**2 / ((x**0.75 + 0.5) ** 3.7 + (1.1 * timescale_ratio**-0.57 * x) ** 7))
