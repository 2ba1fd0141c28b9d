"""Exponents of speed against certified regression, worked numbers and a measured table of trailing-edge noise."""

from __future__ import annotations

import numpy as np
import pytest

from reference_tables import installed_data_set, reference_rows
from tapeline.acoustics.levels import power_pa2
from tapeline.acoustics.speed_exponent import SCATTER, STATED, speed_decibels, speed_fit
from tapeline.acoustics.strouhal_collapse import fit_on_curve
from tapeline.arrays import Reals

NORRIS = (
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5),
    (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4),
    (0.1, 0.6), (778.1, 775.5), (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6),
    (557.7, 556.0), (228.3, 228.1), (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3),
    (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
    (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
)  # fmt: skip
"""Ozone monitors against a standard, (y, x): NIST Statistical Reference Datasets, linear regression, Norris."""


def norris() -> tuple[Reals, Reals]:
    values = np.array(NORRIS)
    return values[:, 0], values[:, 1]


def test_line_through_certified_data() -> None:
    """NIST StRD Norris: certified intercept, slope, their standard deviations, residual standard deviation.

    With less uncertainty stated than the residuals have, the standard errors are the residuals' own.
    """
    y, x = norris()
    nothing = np.zeros((y.size, 1))
    found = speed_fit(y[:, None], nothing + 0.01, nothing, x, np.arange(y.size), 0.95)
    assert found.level_db[0] == pytest.approx(-0.262323073774029, rel=1e-9)
    assert found.exponent[0] == pytest.approx(1.00211681802045, rel=1e-12)
    assert found.level_error_db[0] == pytest.approx(0.232818234301152, rel=1e-9)
    assert found.standard_error[0] == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert found.rms_db[0] == pytest.approx(0.884796396144373, rel=1e-9)
    assert found.degrees_of_freedom[0] == 34
    assert found.basis[0] == SCATTER


def test_the_certified_data_are_those_of_the_data_set() -> None:
    """The numbers above against the file they are from."""
    lines = installed_data_set("nist_linregress", "Norris")[60:]
    written = np.array([line.split() for line in lines if line.strip()], dtype=float)
    assert np.array_equal(written, np.array(NORRIS))


def test_two_speeds_make_a_weak_exponent() -> None:
    """From 100 to 140 km/h a unit of n is 1.46 dB; 0.3 dB in each level give u(n) = 0.29 (common practice)."""
    x = speed_decibels([100 / 3.6, 140 / 3.6], 100 / 3.6)
    assert x[1] == pytest.approx(1.46, abs=0.005)
    own = np.full((2, 1), 0.3)
    found = speed_fit(np.array([[80.0], [80.0 + 6.0 * x[1]]]), own, np.zeros((2, 1)), x, np.arange(2), 0.95)
    assert found.exponent[0] == pytest.approx(6.0)
    assert found.standard_error[0] == pytest.approx(0.29, abs=0.005)
    assert (found.degrees_of_freedom[0], found.basis[0]) == (0, STATED)
    assert np.isnan(found.lack_of_fit_p_value[0])


def test_levels_of_pure_powers_of_speed() -> None:
    """velocity_scaling.csv: 10 n lg(U/U0) for the exponents of monopole, edge, dipole and quadrupole."""
    for row in reference_rows("velocity_scaling.csv"):
        speeds = np.array([float(row["U0"]), float(row["U"])])
        x = speed_decibels(speeds, speeds[0])
        level = np.array([[70.0], [70.0 + float(row["delta_db"])]])
        found = speed_fit(level, np.full((2, 1), 0.1), np.zeros((2, 1)), x, np.arange(2), 0.95)
        assert found.exponent[0] == pytest.approx(float(row["exponent_n"]), abs=2e-5), row


AIRFOIL = (
    (0.3048, -0.28, 0.15, 1.58, 66, 4.45), (0.2286, -0.39, 0.18, 1.75, 55, 4.31), (0.1524, -0.42, 0.23, 2.21, 57, 4.25),
    (0.1016, -0.40, 0.21, 1.85, 54, 4.33), (0.0508, 0.05, 0.27, 2.37, 52, 4.94), (0.0254, -0.39, 0.42, 3.65, 45, 4.49),
)  # fmt: skip
"""Chord (m), n, standard error, residual (dB) and rows of least squares of the scaled level on a cubic in
lg(f delta*/U) plus 10 n lg U at zero angle, and n of the level with 10 lg(M^5 delta*) added back: computed by a plain
script from the table of NASA RP-1218 (Brooks, Pope and Marcolini 1989)."""


def airfoil_rows(chord_m: float) -> tuple[Reals, ...]:
    """Frequency, speed, displacement thickness and scaled level at zero angle of attack."""
    own = [row for row in reference_rows("airfoil_self_noise.csv") if float(row["chord_m"]) == chord_m]
    columns = ("frequency_hz", "speed_mps", "displacement_thickness_m", "scaled_level_db")
    return tuple(np.array([float(row[column]) for row in own]) for column in columns)


@pytest.mark.parametrize(("chord_m", "n", "error", "residual_db", "rows", "n_unscaled"), AIRFOIL)
def test_measured_airfoil_noise(
    chord_m: float, n: float, error: float, residual_db: float, rows: int, n_unscaled: float
) -> None:
    """The published levels are scaled by M^5 already: n is near 0, not 5, until that is added back."""
    hz, speed, thickness, level = airfoil_rows(chord_m)
    assert level.size == rows
    curve = np.vander(np.log10(hz * thickness / speed), 4)
    x = speed_decibels(speed, 50.0)
    scaled = fit_on_curve(level, x, curve, [], 0.95)
    unscaled = fit_on_curve(level + 10.0 * np.log10((speed / 340.0) ** 5 * thickness), x, curve, [], 0.95)
    assert scaled is not None
    assert unscaled is not None
    assert scaled[0].exponent == pytest.approx(n, abs=0.006)
    assert scaled[0].standard_error == pytest.approx(error, abs=0.006)
    assert scaled[0].scatter_db == pytest.approx(residual_db, abs=0.006)
    assert scaled[0].degrees_of_freedom == rows - 5
    assert unscaled[0].exponent == pytest.approx(n_unscaled, abs=0.006)
    assert unscaled[0].standard_error == pytest.approx(error, abs=0.006)


def test_scaled_band_sums_do_not_grow_with_speed() -> None:
    """Chord 0.1016 m, 630 Hz to 10 kHz: 141.04, 141.09, 141.11, 141.12 dB at the four speeds, so that n is near 0."""
    hz, speed, _, level = airfoil_rows(0.1016)
    inside = (hz >= 630.0) & (hz <= 10_000.0)
    speeds = np.unique(speed)
    sums = np.array([10.0 * np.log10(np.sum(power_pa2(level[inside & (speed == u)]) / 4e-10)) for u in speeds])
    assert sums == pytest.approx([141.04, 141.09, 141.11, 141.12], abs=0.006)
    nothing = np.zeros((4, 1))
    found = speed_fit(sums[:, None], nothing + 0.1, nothing, speed_decibels(speeds, 50.0), np.arange(4), 0.95)
    assert abs(found.exponent[0]) < 0.05
