"""Speed and air of one run: what brings its levels to the nominal operating point, and what is uncertain about it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tapeline.acoustics import air, nominal_point
from tapeline.campaign.plan import Achieved
from tapeline.campaign.settings import OperatingPoint, Uncertainty
from tapeline.jobs.tables import CheckAir
from tapeline.statistics.combined_uncertainty import rectangular


@dataclass(frozen=True)
class RunConditions:
    """`correction_db` is added to a level of the run to have it at the nominal point, None for runs without flow.

    `off_nominal`: what the facility holds, the speed or the dynamic pressure's, is beyond `speed_tolerance` of nominal.
    """

    correction_db: float | None
    extrapolated: bool
    off_nominal: bool
    speed_uncertainty_db: float
    environment_uncertainty_db: float


def run_conditions(a: Achieved, checked: CheckAir, point: OperatingPoint, settings: Uncertainty) -> RunConditions:
    """See RunConditions. Air that is not stated is that of 20 degrees Celsius, 1013.25 hPa and 50 %."""
    environment = _environment_db(a, checked, settings)
    if not a.nominal_mps:
        return RunConditions(None, False, False, 0.0, environment)
    density = density_kgm3(a)
    nominal_pa = air.dynamic_pressure_pa(point.reference_density_kgm3, a.nominal_mps)
    if point.held == "speed":
        speed = achieved_speed_mps(a, a.nominal_mps)
        correction = nominal_point.held_speed_correction_db(
            speed, density, a.nominal_mps, point.reference_density_kgm3, point.speed_exponent
        )
    else:
        pressure = _dynamic_pressure_pa(a, a.nominal_mps)
        correction = nominal_point.held_pressure_correction_db(pressure, nominal_pa, point.speed_exponent)
    share = speed_share(a, point)
    far = abs(share - 1.0) > point.extrapolated_speed_share
    return RunConditions(
        correction_db=correction,
        extrapolated=far or abs(correction) > point.extrapolated_above_db,
        off_nominal=abs(share - 1.0) > point.speed_tolerance,
        speed_uncertainty_db=_operating_point_db(a, point, settings),
        environment_uncertainty_db=environment,
    )


def speed_share(a: Achieved, point: OperatingPoint) -> float:
    """Achieved over nominal speed; where the dynamic pressure is held, the root of its share. 1 without flow."""
    if not a.nominal_mps:
        return 1.0
    if point.held == "speed":
        return achieved_speed_mps(a, a.nominal_mps) / a.nominal_mps
    nominal_pa = air.dynamic_pressure_pa(point.reference_density_kgm3, a.nominal_mps)
    return math.sqrt(_dynamic_pressure_pa(a, a.nominal_mps) / nominal_pa)


def _dynamic_pressure_pa(a: Achieved, nominal_mps: float) -> float:
    if a.dynamic_pressure_pa is not None:
        return a.dynamic_pressure_pa
    return air.dynamic_pressure_pa(density_kgm3(a), achieved_speed_mps(a, nominal_mps))


def achieved_speed_mps(a: Achieved, nominal_mps: float) -> float:
    """The measured speed, else that of the dynamic pressure, else the nominal one."""
    return nominal_point.achieved_speed_mps(a.speed_mps, a.dynamic_pressure_pa, density_kgm3(a), nominal_mps)


def density_kgm3(a: Achieved) -> float:
    """Density of the run's air; what is not stated takes its default."""
    temperature = air.DEFAULT_TEMPERATURE_C if a.temperature_c is None else a.temperature_c
    pressure = air.REFERENCE_STATIC_PRESSURE_PA if a.static_pressure_hpa is None else 100.0 * a.static_pressure_hpa
    humidity = air.DEFAULT_HUMIDITY_PCT if a.humidity_pct is None else a.humidity_pct
    return air.density_kgm3(temperature, pressure, humidity)


def _operating_point_db(a: Achieved, point: OperatingPoint, settings: Uncertainty) -> float:
    """Exponent times relative error of speed, and the density where air is not stated and matters.

    A speed that nobody measured lies anywhere within the tolerance of its nominal one. A correction by a measured
    dynamic pressure needs no density; a speed that follows from one takes density out of the level again, wholly for
    n = 4.
    """
    measured = a.speed_mps is not None or a.dynamic_pressure_pa is not None
    relative = settings.speed_pct / 100.0 if measured else rectangular(point.speed_tolerance)
    stated = a.temperature_c is not None and a.static_pressure_hpa is not None
    speed_db = nominal_point.speed_uncertainty_db(relative, point.speed_exponent)
    share = point.speed_exponent / 4.0
    by_pressure = a.dynamic_pressure_pa is not None
    if point.held == "speed":
        matters = abs(1.0 - share) if by_pressure and a.speed_mps is None else 1.0
    else:
        matters = 0.0 if by_pressure else share
    return math.hypot(speed_db, 0.0 if stated else matters * settings.air_missing_db)


def _environment_db(a: Achieved, checked: CheckAir, settings: Uncertainty) -> float:
    """What pressure and temperature did to the sensor since its check: coefficient times change."""
    pressure = _change(a.static_pressure_hpa, checked.static_pressure_hpa, 10.0 * settings.unknown_pressure_kpa)
    temperature = _change(a.temperature_c, checked.temperature_c, settings.unknown_temperature_k)
    return math.hypot(
        settings.static_pressure_db_per_kpa * pressure / 10.0, settings.temperature_db_per_k * temperature
    )


def _change(now: float | None, then: float | None, unknown: float) -> float:
    return unknown if now is None or then is None else abs(now - then)
