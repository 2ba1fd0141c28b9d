"""Air and the calibrator's level against published values."""

from __future__ import annotations

import pytest

from reference_tables import reference_rows
from tapeline.acoustics.air import density_kgm3, sound_speed_mps, static_pressure_correction_db
from tapeline.acoustics.levels import power_pa2


@pytest.mark.parametrize(
    ("state", "density", "speed"),
    [
        pytest.param((23.0, 101_325.0, 50.0), 1.186084, 345.8665, id="23 C: IEC 61094-2:2009, F.1 (from memory)"),
        pytest.param((20.0, 80_000.0, 65.0), 0.944158, 344.3827, id="80 kPa: IEC 61094-2:2009, F.1 (from memory)"),
        pytest.param((20.0, 101_325.0, 0.0), 1.204557, 343.3595, id="dry air: CIPM-2007, Cramer 1993 (computed)"),
    ],
)  # fmt: skip
def test_density_and_sound_speed(state: tuple[float, float, float], density: float, speed: float) -> None:
    """CIPM-2007 (Picard et al. 2008) and Cramer (1993), within 1e-4 as asked of air data."""
    assert density_kgm3(*state) == pytest.approx(density, rel=1e-4)
    assert sound_speed_mps(*state) == pytest.approx(speed, rel=1e-4)


def test_reference_table_of_air() -> None:
    for row in reference_rows("air_properties.csv"):
        state = (float(row["t_c"]), float(row["p_pa"]), 100.0 * float(row["rh"]))
        if row["rho_cipm2007"]:
            assert density_kgm3(*state) == pytest.approx(float(row["rho_cipm2007"]), rel=1e-4)
        assert sound_speed_mps(*state) == pytest.approx(float(row["c_cramer"]), rel=1e-4)


@pytest.mark.parametrize(
    ("kilopascal", "decibels"), [(80, -2.053), (90, -1.029), (95, -0.560), (98, -0.290), (101.325, 0.0), (105, 0.309)]
)
def test_static_pressure_at_a_closed_coupler(kilopascal: float, decibels: float) -> None:
    """20 lg(p / 101.325 kPa): the sound pressure is proportional to static pressure (calibrator manuals; computed)."""
    assert static_pressure_correction_db(1000.0 * kilopascal) == pytest.approx(decibels, abs=6e-4)


def test_reference_table_of_static_pressure() -> None:
    for row in reference_rows("calibrator_static_pressure.csv"):
        found = static_pressure_correction_db(1000.0 * float(row["static_pressure_kpa"]))
        assert found == pytest.approx(float(row["delta_L_db"]), abs=1e-4)


def test_calibrator_pressures() -> None:
    """94, 114 and 124 dB are 1.0024, 10.024 and 31.70 Pa (definition; nominal levels of IEC 60942)."""
    assert [float(power_pa2(level)) ** 0.5 for level in (94.0, 114.0, 124.0)] == pytest.approx(
        [1.00237, 10.0237, 31.6979], rel=1e-5
    )
