"""Moist air: density (CIPM-2007) and speed of sound (Cramer 1993)."""

from __future__ import annotations

import math

ZERO_CELSIUS_K = 273.15
GAS_CONSTANT = 8.314472
"""J/(mol K), the CODATA 2006 value that CIPM-2007 uses."""
CO2_MOLE_FRACTION = 400e-6

REFERENCE_STATIC_PRESSURE_PA = 101_325.0
DEFAULT_TEMPERATURE_C = 20.0
DEFAULT_HUMIDITY_PCT = 50.0


def water_mole_fraction(temperature_c: float, static_pressure_pa: float, humidity_pct: float) -> float:
    """Mole fraction of water vapour in moist air; CIPM-2007 (Picard et al. 2008), appendix A1."""
    t_k = temperature_c + ZERO_CELSIUS_K
    saturation = math.exp(1.2378847e-5 * t_k**2 - 1.9121316e-2 * t_k + 33.93711047 - 6.3431645e3 / t_k)
    enhancement = 1.00062 + 3.14e-8 * static_pressure_pa + 5.6e-7 * temperature_c**2
    return humidity_pct / 100.0 * enhancement * saturation / static_pressure_pa


def density_kgm3(temperature_c: float, static_pressure_pa: float, humidity_pct: float) -> float:
    """Density of moist air in kg/m^3 by the CIPM-2007 equation, valid near room conditions.

    >>> round(density_kgm3(20.0, 101_325.0, 50.0), 4)
    1.1993
    """
    t_k = temperature_c + ZERO_CELSIUS_K
    x = water_mole_fraction(temperature_c, static_pressure_pa, humidity_pct)
    ratio = static_pressure_pa / t_k
    t = temperature_c
    virial = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * x
        + (1.9898e-4 - 2.376e-6 * t) * x**2
    )
    compressibility = 1.0 - ratio * virial + ratio**2 * (1.83e-11 - 0.765e-8 * x**2)
    dry_molar_mass = (28.96546 + 12.011 * (CO2_MOLE_FRACTION - 0.0004)) * 1e-3
    vapour_ratio = 18.01528e-3 / dry_molar_mass
    return ratio * dry_molar_mass / (compressibility * GAS_CONSTANT) * (1.0 - x * (1.0 - vapour_ratio))


def sound_speed_mps(temperature_c: float, static_pressure_pa: float, humidity_pct: float) -> float:
    """Speed of sound in m/s at zero frequency; Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, eq. 15."""
    t, p, c = temperature_c, static_pressure_pa, CO2_MOLE_FRACTION
    x = water_mole_fraction(t, p, humidity_pct)
    return (
        331.5024
        + 0.603055 * t
        - 0.000528 * t**2
        + (51.471935 + 0.1495874 * t - 0.000782 * t**2) * x
        + (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * p
        + (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * c
        - 2.835149 * x**2
        - 2.15e-13 * p**2
        + 29.179762 * c**2
        + 0.000486 * x * p * c
    )


def dynamic_pressure_pa(density: float, speed_mps: float) -> float:
    """Dynamic pressure in Pa of a flow of air of the given density (kg/m^3): rho U^2 / 2."""
    return 0.5 * density * speed_mps**2


def static_pressure_correction_db(static_pressure_pa: float) -> float:
    """Level change in dB of a closed-coupler calibrator from 101.325 kPa to the given pressure: 20 lg(p / 101.325 kPa).

    The pressure in a closed coupler is proportional to the static pressure.
    """
    return 20.0 * math.log10(static_pressure_pa / REFERENCE_STATIC_PRESSURE_PA)
