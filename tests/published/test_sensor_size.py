"""What a round sensor takes off wall pressure: the published integral, and the same by brute force."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.integrate

from reference_tables import reference_rows
from tapeline.acoustics.sensor_size import (
    HIGHEST_RADIUS,
    CorcosDecays,
    disc_attenuation,
    disc_attenuation_db,
    disc_power_ratio,
)

USUAL = CorcosDecays(0.11, 0.7)


def test_attenuations_are_those_of_the_published_integral() -> None:
    """Source: Corcos 1963, see the table; it holds three decimals, and -2.94 dB at omega r / Uc = 1."""
    for row in reference_rows("corcos_round_sensor.csv"):
        decays = CorcosDecays(float(row["streamwise_decay"]), float(row["lateral_decay"]))
        found = disc_attenuation_db(float(row["omega_r_over_uc"]), decays)
        assert found == pytest.approx(-float(row["attenuation_db"]), abs=0.003), row
    assert disc_attenuation_db(1.0, USUAL) == pytest.approx(2.94, abs=0.005)


@pytest.mark.parametrize("radius", [0.03, 0.6, 1.7, 6.0, HIGHEST_RADIUS])
def test_the_fixed_rule_agrees_with_adaptive_integration(radius: float) -> None:
    """Overlap of two discs times the cross-spectrum, over shifts in Cartesian coordinates, by another method."""

    def density(across: float, along: float) -> float:
        apart = np.hypot(along, across)
        overlap = 2.0 * np.arccos(min(apart / 2.0, 1.0)) - 0.5 * apart * np.sqrt(max(4.0 - apart**2, 0.0))
        decay = np.exp(-radius * (USUAL.streamwise * along + USUAL.lateral * across))
        return float(overlap * decay * np.cos(radius * along))

    whole, _ = scipy.integrate.dblquad(density, 0.0, 2.0, 0.0, lambda along: np.sqrt(4.0 - along**2), epsabs=1e-8)
    assert disc_power_ratio(radius, USUAL) == pytest.approx(4.0 * whole / np.pi**2, rel=1e-5)


def test_the_table_is_as_good_as_the_rule_between_its_points() -> None:
    radius = np.arange(0.013, HIGHEST_RADIUS, 0.037)
    exact = -10.0 * np.log10(disc_power_ratio(radius, USUAL))
    np.testing.assert_allclose(disc_attenuation_db(radius, USUAL), exact, atol=2e-3)
    assert disc_attenuation_db(50.0, USUAL) == disc_attenuation_db(HIGHEST_RADIUS, USUAL), "no further than known"


def test_a_sensor_too_small_to_matter_takes_nothing_off() -> None:
    assert disc_attenuation_db(0.0, USUAL) == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(disc_attenuation_db(np.nan, USUAL))


def test_the_uncertainty_is_what_the_scatter_of_radius_and_decays_makes() -> None:
    """By drawing them: 12 % of radius over convection speed, and both decays."""
    draw = np.random.default_rng(5)
    along, across = 0.11 + 0.01 * draw.normal(size=300), 0.7 + 0.07 * draw.normal(size=300)
    radius = 1.2 * (1.0 + 0.12 * draw.normal(size=300))
    parts = zip(radius, along, across, strict=True)
    drawn = [-10.0 * np.log10(disc_power_ratio(r, CorcosDecays(a, b))) for r, a, b in parts]
    found = disc_attenuation(np.array(1.2), np.array(0.12), USUAL, CorcosDecays(0.01, 0.07))
    assert found.uncertainty_db == pytest.approx(np.std(drawn), rel=0.15)
