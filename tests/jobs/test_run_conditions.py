"""What speed and air of a run do to its levels: worked numbers of the trade, the reference tables, simulations."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from reference_tables import reference_rows
from tapeline.acoustics import nominal_point
from tapeline.acoustics.stationarity import mean_power_variance
from tapeline.campaign.plan import Achieved
from tapeline.campaign.settings import OperatingPoint, Uncertainty
from tapeline.jobs.levels.run_conditions import RunConditions, density_kgm3, run_conditions
from tapeline.jobs.tables import CheckAir

NOMINAL = 140.0 / 3.6
DRY = Achieved(NOMINAL, NOMINAL, None, 20.0, 1013.25, 0.0)
CHECK = CheckAir(20.0, 1013.25)
BARE = Achieved(NOMINAL, None, None, None, None, None)


def conditions(a: Achieved, check: CheckAir = CHECK, **point: Any) -> RunConditions:
    return run_conditions(a, check, OperatingPoint.model_validate(point), Uncertainty())


def correction(a: Achieved, **point: Any) -> float:
    found = conditions(a, **point).correction_db
    assert found is not None
    return found


@pytest.mark.parametrize(("exponent", "decibels"), [(4.0, 0.17), (6.0, 0.26)])
def test_one_percent_of_speed(exponent: float, decibels: float) -> None:
    """0.17 dB for wall pressure and 0.26 dB for radiated sound (common practice)."""
    assert nominal_point.speed_uncertainty_db(0.01, exponent) == pytest.approx(decibels, abs=0.005)
    faster = replace(DRY, speed_mps=1.01 * NOMINAL)
    change = correction(faster, speed_exponent=exponent) - correction(DRY, speed_exponent=exponent)
    assert change == pytest.approx(-decibels, abs=0.005)


@pytest.mark.parametrize(
    ("weather", "level_db"), [({"temperature_c": 30.0}, -0.30), ({"static_pressure_hpa": 983.25}, -0.26)]
)
def test_weather_at_constant_speed(weather: dict[str, float], level_db: float) -> None:
    """10 K more take 0.30 dB from a level, 3 kPa less 0.26 dB (common practice); the correction puts them back."""
    assert correction(replace(DRY, **weather)) - correction(DRY) == pytest.approx(-level_db, abs=0.01)


@pytest.mark.parametrize("weather", [{"temperature_c": 30.0}, {"static_pressure_hpa": 900.0}])
def test_weather_vanishes_at_constant_dynamic_pressure(weather: dict[str, float]) -> None:
    """Common practice. 140 km/h at 1.2 kg/m3 are 907 Pa."""
    held = replace(DRY, speed_mps=None, dynamic_pressure_pa=907.0)
    for how in ("speed", "dynamic-pressure"):
        found = correction(replace(held, **weather), held=how)
        assert found == pytest.approx(0.0, abs=0.005)
        assert found == pytest.approx(correction(held, held=how), abs=1e-9)


def test_wall_pressure_goes_with_dynamic_pressure_and_the_exponent_scales_it() -> None:
    """-20 lg(q/q_nominal) for n = 4 (common practice); twice the dynamic pressure is 6.02 dB, for n = 6 9.03 dB."""
    twice = replace(DRY, dynamic_pressure_pa=2.0 * 0.5 * 1.2 * NOMINAL**2)
    assert correction(twice, held="dynamic-pressure") == pytest.approx(-6.0206, abs=1e-4)
    assert correction(twice, held="dynamic-pressure", speed_exponent=6.0) == pytest.approx(-9.0309, abs=1e-4)
    # Where speed is held the speed that was measured counts, not the pressure beside it.
    assert correction(twice) == correction(DRY)


def test_reference_table_of_scaling_with_speed() -> None:
    """10 n lg(U/U0) is what a level rises; n = 4, 5, 6, 8 (Curle 1955, Lighthill 1952, Ffowcs Williams, Hall 1970)."""
    for row in reference_rows("velocity_scaling.csv"):
        speed, nominal, exponent = float(row["U"]), float(row["U0"]), float(row["exponent_n"])
        found = nominal_point.held_speed_correction_db(speed, 1.2, nominal, 1.2, exponent)
        assert found == pytest.approx(-float(row["delta_db"]), abs=6e-6)
        by_pressure = nominal_point.held_pressure_correction_db(0.6 * speed**2, 0.6 * nominal**2, exponent)
        assert by_pressure == pytest.approx(found, abs=1e-9)


def test_reference_table_of_air() -> None:
    """Density by CIPM-2007 in the units of the run table; 20 lg of it against that of the reference."""
    rows = [row for row in reference_rows("air_properties.csv") if row["rho_cipm2007"]]
    assert len(rows) > 5
    for row in rows:
        a = replace(DRY, temperature_c=float(row["t_c"]), static_pressure_hpa=float(row["p_pa"]) / 100.0)
        a = replace(a, humidity_pct=100.0 * float(row["rh"]))
        density = float(row["rho_cipm2007"])
        assert density_kgm3(a) == pytest.approx(density, abs=2e-6)
        assert correction(a) == pytest.approx(-20.0 * math.log10(density / 1.2), abs=2e-5)


def test_air_that_is_not_stated_is_that_of_a_usual_day() -> None:
    assert density_kgm3(BARE) == density_kgm3(replace(BARE, temperature_c=20.0, humidity_pct=50.0))
    assert density_kgm3(BARE) == density_kgm3(replace(BARE, static_pressure_hpa=1013.25))
    assert density_kgm3(BARE) == pytest.approx(1.1993, abs=1e-4)


@pytest.mark.parametrize(
    ("factor", "exponent", "extrapolated"),
    [(1.0, 4.0, False), (1.049, 4.0, False), (1.051, 1.0, True), (0.949, 1.0, True), (1.045, 6.0, True)],
)
def test_large_corrections_are_extrapolated(factor: float, exponent: float, extrapolated: bool) -> None:
    """More than 5 % of speed or 1 dB (common practice): 4.5 % are 1.15 dB for n = 6."""
    found = conditions(replace(DRY, speed_mps=factor * NOMINAL), speed_exponent=exponent)
    assert found.extrapolated == extrapolated


def test_runs_without_flow_are_not_brought_anywhere() -> None:
    for nominal in (None, 0.0):
        found = conditions(replace(BARE, nominal_mps=nominal))
        assert (found.correction_db, found.extrapolated, found.speed_uncertainty_db) == (None, False, 0.0)
        assert found.environment_uncertainty_db > 0.0


def test_uncertainty_of_measured_and_of_set_speeds() -> None:
    """0.5 % measured; a set speed lies anywhere within 2 %, a rectangle's 2 %/sqrt(3) (GUM 4.3.7)."""
    assert conditions(DRY).speed_uncertainty_db == pytest.approx(0.0869, abs=1e-4)
    pressure = replace(DRY, speed_mps=None, dynamic_pressure_pa=900.0)
    assert conditions(pressure).speed_uncertainty_db == pytest.approx(0.0869, abs=1e-4)
    set_only = replace(DRY, speed_mps=None)
    assert conditions(set_only).speed_uncertainty_db == pytest.approx(4.343 * 4.0 * 0.02 / math.sqrt(3.0), abs=1e-4)
    assert conditions(DRY, speed_exponent=6.0).speed_uncertainty_db == pytest.approx(0.1303, abs=1e-4)


@pytest.mark.parametrize("missing", ["temperature_c", "static_pressure_hpa"])
def test_air_that_is_not_stated_costs_uncertainty_where_speed_is_measured(missing: str) -> None:
    found = conditions(replace(DRY, **{missing: None})).speed_uncertainty_db
    assert found == pytest.approx(math.hypot(0.0869, 0.25), abs=1e-4)


@pytest.mark.parametrize("how", ["speed", "dynamic-pressure"])
def test_air_that_is_not_stated_costs_nothing_where_it_does_not_matter(how: str) -> None:
    """With the dynamic pressure measured and n = 4 the correction holds no density: weather vanishes at constant q."""
    unknown = replace(BARE, dynamic_pressure_pa=900.0)
    stated = replace(unknown, temperature_c=35.0, static_pressure_hpa=950.0)
    assert correction(unknown, held=how) == pytest.approx(correction(stated, held=how), abs=1e-9)
    found = conditions(unknown, held=how).speed_uncertainty_db
    assert found == pytest.approx(conditions(stated, held=how).speed_uncertainty_db, abs=1e-9)


def test_sensors_change_with_pressure_and_temperature_since_their_check() -> None:
    """0.12 dB over 94 to 106 kPa at most, about 0.01 dB/K (from memory); unknown changes are 3 kPa and 10 K."""
    pressure = conditions(replace(DRY, static_pressure_hpa=1060.0), CheckAir(20.0, 940.0))
    assert pressure.environment_uncertainty_db == pytest.approx(0.12, abs=1e-9)
    warm = conditions(replace(DRY, temperature_c=30.0)).environment_uncertainty_db
    assert warm == conditions(replace(DRY, temperature_c=10.0)).environment_uncertainty_db
    assert warm == pytest.approx(0.1, abs=1e-9)
    assert conditions(DRY).environment_uncertainty_db == 0.0
    unknown = math.hypot(0.03, 0.1)
    assert conditions(BARE).environment_uncertainty_db == pytest.approx(unknown, abs=1e-9)
    assert conditions(DRY, CheckAir(None, None)).environment_uncertainty_db == pytest.approx(unknown, abs=1e-9)


@pytest.mark.parametrize("values", [(0.0, 1.2, 30.0, 1.2), (30.0, -1.2, 30.0, 1.2), (30.0, 1.2, 0.0, 1.2)])
def test_what_has_no_logarithm_is_refused(values: tuple[float, float, float, float]) -> None:
    with pytest.raises(ValueError, match="must be positive"):
        nominal_point.held_speed_correction_db(*values, 4.0)


def test_pressures_that_have_no_logarithm_are_refused() -> None:
    for values in ((0.0, 900.0), (900.0, -1.0), (math.nan, 900.0)):
        with pytest.raises(ValueError, match="must be positive"):
            nominal_point.held_pressure_correction_db(*values, 4.0)


PARTS, CHANNELS = 24, 4000
RANDOM = 1e-4


def wandering(sd: float, alike: float, seed: int) -> NDArray[np.float64]:
    """Part powers about 1 with random error and a level that wanders, neighbours correlated by `alike`."""
    rng = np.random.default_rng(seed)
    steps = rng.normal(size=(PARTS, CHANNELS))
    level = steps.copy()
    for part in range(1, PARTS):
        level[part] = alike * level[part - 1] + math.sqrt(1.0 - alike**2) * steps[part]
    return np.asarray((1.0 + sd * level + math.sqrt(PARTS * RANDOM) * rng.normal(size=level.shape)).T)


@pytest.mark.parametrize(("alike", "within"), [(0.0, (1.0, 1.3)), (0.4, (0.8, 1.2))])
def test_a_wandering_level_scatters_the_mean_as_stated(alike: float, within: tuple[float, float]) -> None:
    """Against the scatter of the means beyond random error; correlations above zero count alone, found in 24 parts."""
    powers = wandering(0.15, alike, 5)
    found, dof = mean_power_variance(powers, np.full(CHANNELS, RANDOM))
    true = np.var(powers.mean(axis=1)) - RANDOM
    assert within[0] < np.mean(found) / true < within[1]
    assert dof == 5.0


def test_steady_noise_gets_next_to_nothing() -> None:
    """By its own random error a level is not unsteady; what is found is a quarter of it at most."""
    found, _ = mean_power_variance(wandering(0.0, 0.0, 6), np.full(CHANNELS, RANDOM))
    assert np.all(found >= 0.0)
    assert np.mean(found) < 0.25 * RANDOM


def test_parts_that_alternate_by_a_tenth() -> None:
    """Sample variance n e^2/(n - 1) over n, whatever the unit; with the random error allowed for, that less."""
    powers = 7e-3 * np.tile([1.1, 0.9], (2, 12))
    found, _ = mean_power_variance(powers, np.array([0.0, 1e-4]))
    assert found == pytest.approx([0.01 / 23.0, 0.01 / 23.0 - 1e-4], rel=1e-9)


def test_few_parts_tell_nothing() -> None:
    found, dof = mean_power_variance(np.array([[1.0, 9.0, 1.0, 9.0, 1.0, 9.0, 1.0]]), np.zeros(1))
    assert list(found) == [0.0]
    assert math.isinf(dof)
