"""From the achieved speed and air to the nominal operating point: what levels would be there by power laws."""

from __future__ import annotations

import math

from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER


def achieved_speed_mps(
    measured_mps: float | None, dynamic_pressure_pa: float | None, density_kgm3: float, nominal_mps: float
) -> float:
    """Speed in m/s that a run achieved: the measured one, else sqrt(2 q / rho), else the nominal one.

    `None` is what was not measured; `density_kgm3` counts only where the speed follows from the dynamic pressure.
    """
    if measured_mps is not None:
        return measured_mps
    if dynamic_pressure_pa is not None:
        return math.sqrt(2.0 * dynamic_pressure_pa / density_kgm3)
    return nominal_mps


def held_speed_correction_db(
    speed_mps: float, density_kgm3: float, nominal_mps: float, reference_kgm3: float, exponent: float
) -> float:
    """Correction in dB to add to a level for nominal speed and density: -10 n lg(U / U_nominal) - 20 lg(rho / rho_ref).

    n is the `exponent` of power on speed; wall pressure is proportional to the dynamic pressure: n = 4, and twice the
    logarithm of density (common practice). Raises ValueError for speeds and densities that are not positive.
    """
    _refuse_nothing(speed_mps, density_kgm3, nominal_mps, reference_kgm3)
    return -10.0 * exponent * math.log10(speed_mps / nominal_mps) - 20.0 * math.log10(density_kgm3 / reference_kgm3)


def held_pressure_correction_db(pressure_pa: float, nominal_pa: float, exponent: float) -> float:
    """Correction in dB to add to a level for the nominal dynamic pressure: -5 n lg(q / q_nominal).

    For campaigns that hold the dynamic pressure; for n = 4 it is -20 lg(q / q_nominal). Raises ValueError for pressures
    that are not positive.
    """
    _refuse_nothing(pressure_pa, nominal_pa)
    return -5.0 * exponent * math.log10(pressure_pa / nominal_pa)


def speed_uncertainty_db(relative: float, exponent: float) -> float:
    """Standard uncertainty in dB of a level from a `relative` one of speed: 4.343 n u(U)/U."""
    return float(DB_PER_RELATIVE_POWER * exponent * relative)


def _refuse_nothing(*values: float) -> None:
    if not all(value > 0.0 for value in values):
        raise ValueError(f"speeds, densities and pressures must be positive, got {values}")
