"""Moist air to the last digits: CIPM-2007 (Picard et al. 2008) and Cramer, J. Acoust. Soc. Am. 93 (1993) 2510."""

from __future__ import annotations

import pytest

from reference_tables import reference_rows
from tapeline.acoustics.air import density_kgm3, sound_speed_mps, water_mole_fraction


@pytest.mark.parametrize(
    ("state", "density", "speed"),
    [
        pytest.param((0.0, 101_325.0, 0.0), 1.293049, 331.4477, id="0 C, dry"),
        pytest.param((10.0, 101_325.0, 80.0), 1.242672, 337.9741, id="10 C, 80 %"),
        pytest.param((25.0, 100_000.0, 40.0), 1.163219, 346.9635, id="25 C, 1000 hPa, 40 %"),
        pytest.param((30.0, 101_325.0, 50.0), 1.155513, 350.3102, id="30 C, 50 %"),
    ],
)
def test_every_term_counts(state: tuple[float, float, float], density: float, speed: float) -> None:
    """Computed outside the project from published coefficients, to half a unit of the last printed digit."""
    assert density_kgm3(*state) == pytest.approx(density, abs=6e-7)
    assert sound_speed_mps(*state) == pytest.approx(speed, abs=6e-5)


def test_the_standard_example() -> None:
    """IEC 61094-2:2009, table F.1 (from memory): 1.1860848 kg/m^3 and 345.86658 m/s at 23 C, 50 %."""
    assert density_kgm3(23.0, 101_325.0, 50.0) == pytest.approx(1.1860848, rel=4e-6)
    assert sound_speed_mps(23.0, 101_325.0, 50.0) == pytest.approx(345.86658, rel=4e-6)


def test_humid_rows_to_the_last_digit() -> None:
    """air_properties.csv, rows of 400 ppm carbon dioxide: mole fraction, density and speed as printed."""
    rows = [row for row in reference_rows("air_properties.csv") if row["x_co2"] == "0.0004"]
    assert len(rows) >= 9
    for row in rows:
        state = (float(row["t_c"]), float(row["p_pa"]), 100.0 * float(row["rh"]))
        assert water_mole_fraction(*state) == pytest.approx(float(row["x_water"]), abs=6e-7), row
        assert density_kgm3(*state) == pytest.approx(float(row["rho_cipm2007"]), abs=6e-7), row
        assert sound_speed_mps(*state) == pytest.approx(float(row["c_cramer"]), abs=6e-5), row
