"""Background correction, intervals and tests against published tables and worked examples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats

from reference_tables import reference_rows
from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits, background_uncertainty_db, correction_db, random_uncertainty_db
from tapeline.statistics.combined_uncertainty import welch_satterthwaite
from tapeline.statistics.significance import (
    benjamini_hochberg,
    chi_square_quantile,
    spectrum_interval_db,
    student_factor,
    student_p_value,
    variance_ratio_p_value,
)

ISO_3744 = MarginLimits(no_correction_above_db=15.0, enough_margin_db=6.0, least_margin_db=3.0, bound_factor=1.645)

FAR_BELOW = replace(ISO_3744, least_margin_db=1.0)
"""Margins of 3 dB are not near the one from which levels are stated."""


@pytest.mark.parametrize(
    ("margin", "k1"),
    [(3, 3.021), (4, 2.205), (5, 1.651), (6, 1.256), (7, 0.967), (8, 0.749), (9, 0.584), (10, 0.458), (12, 0.283)],
)
def test_k1_values(margin: float, k1: float) -> None:
    """K1 = -10 lg(1 - 10^(-0.1 dL)), form of ISO 3744:2010 (from memory); caps 1.26 and 0.46 dB in ECMA TR/107:2017."""
    assert float(correction_db(np.array(float(margin)))) == pytest.approx(k1, abs=6e-4)
    total = np.array([1.0])
    result = background.subtract(total, total * 10 ** (-margin / 10), np.zeros(1), np.zeros(1), ISO_3744)
    assert -10.0 * np.log10(result.corrected[0]) == pytest.approx(k1, abs=6e-4)


def test_93_less_89_decibels() -> None:
    """93 dB total, 89 dB background: 90.8 dB (textbook example; 90.7 from a rounded table)."""
    result = background.subtract(np.array([10**9.3]), np.array([10**8.9]), np.zeros(1), np.zeros(1), ISO_3744)
    assert 10.0 * np.log10(result.corrected[0]) == pytest.approx(90.8, abs=0.05)
    assert result.state[0] == background.LIMITED


@pytest.mark.parametrize(
    ("margin", "on_total", "on_background"),
    [(3, 2.005, 1.005), (6, 1.335, 0.335), (10, 1.111, 0.111), (14, 1.041, 0.041)],
)
def test_sensitivity_factors(margin: float, on_total: float, on_background: float) -> None:
    """1/(1 - r) on the total and r/(1 - r) on the background, by differentiation of the K1 form."""
    total, below = np.array([1.0]), np.array([10 ** (-margin / 10)])
    u = 0.01
    result = background.subtract(total, below, (u * total) ** 2, (u * below) ** 2, FAR_BELOW)
    assert random_uncertainty_db(result)[0] / (4.3429 * u) == pytest.approx(on_total, abs=1e-3)
    assert background_uncertainty_db(result)[0] / (4.3429 * u) == pytest.approx(on_background, abs=1e-3)


@pytest.mark.parametrize(
    ("margin", "state"),
    [
        (2.99, "BOUND"),
        (3.01, "LIMITED"),
        (5.99, "LIMITED"),
        (6.01, "CORRECTED"),
        (14.99, "CORRECTED"),
        (15.01, "CLEAR"),
    ],
)
def test_margins_decide_the_state(margin: float, state: str) -> None:
    """No correction from 15 dB, correction from 6 dB (ISO 3744:2010 form, ISO 10140-4), bound below 3 dB."""
    code = background.states_of(np.array([margin]), ISO_3744)[0]
    assert code == getattr(background, state)


def test_reference_table_of_k1() -> None:
    for row in reference_rows("background_k1.csv"):
        margin = float(row["delta_L_db"])
        assert float(correction_db(np.array(margin))) == pytest.approx(float(row["K1_db"]), abs=1e-4)


@pytest.mark.parametrize(
    ("averages", "lower", "upper"),
    [(10, -2.326, 3.192), (32, -1.383, 1.649), (100, -0.811, 0.896), (400, -0.415, 0.436), (1000, -0.265, 0.273)],
)
def test_chi_square_limits_of_a_spectrum(averages: float, lower: float, upper: float) -> None:
    """95 % interval of an averaged line with 2 n_d degrees of freedom (Bendat and Piersol, Random Data; computed)."""
    found = spectrum_interval_db(averages, 0.95)
    assert (float(found[0]), float(found[1])) == pytest.approx((lower, upper), abs=6e-4)


def test_reference_table_of_spectrum_intervals() -> None:
    for row in reference_rows("psd_confidence_db.csv"):
        lower, upper = spectrum_interval_db(float(row["nd"]), float(row["confidence"]))
        assert float(lower) == pytest.approx(float(row["true_minus_estimate_lower_db"]), abs=1e-4)
        assert float(upper) == pytest.approx(float(row["true_minus_estimate_upper_db"]), abs=1e-4)


def test_effective_degrees_of_freedom_of_gum_h1() -> None:
    """GUM (JCGM 100:2008), H.1: 16.75, which the guide truncates to 16; t99 = 2.92."""
    terms = np.array([25.0, 5.8, 3.9, 6.7, 2.88679, 16.599])
    dof = np.array([18.0, 24.0, 5.0, 8.0, 50.0, 2.0])
    assert float(np.sqrt(np.sum(terms**2))) == pytest.approx(31.664, abs=0.01)
    assert float(welch_satterthwaite(terms**2, dof)) == pytest.approx(16.752, abs=0.01)
    assert float(student_factor(16.0, 0.99)) == pytest.approx(2.92, abs=0.005)


@pytest.mark.parametrize(
    ("first", "second", "t", "dof", "p"),
    [
        pytest.param((4, 25.0, 0.8185), (8, 21.0, 4.208), 2.5922, 7.9925, 0.0320, id="library example g07ca"),
        pytest.param((249, 20.14458, 6.4147), (79, 30.48101, 6.10771), -12.94627, 136.875, None,
                     id="NIST/SEMATECH e-Handbook 1.3.5.3, car mileage"),
    ],
)  # fmt: skip
def test_welch_t_examples(
    first: tuple[int, float, float], second: tuple[int, float, float], t: float, dof: float, p: float | None
) -> None:
    """Two means with unequal variances: statistic, degrees of freedom (Welch-Satterthwaite), p-value."""
    variances = np.array([first[2] ** 2 / first[0], second[2] ** 2 / second[0]])
    degrees = float(welch_satterthwaite(variances, np.array([first[0] - 1.0, second[0] - 1.0])))
    statistic = (first[1] - second[1]) / np.sqrt(variances.sum())
    assert degrees == pytest.approx(dof, abs=0.01)
    assert statistic == pytest.approx(t, abs=2e-3)
    if p is not None:
        assert float(student_p_value(statistic, degrees)) == pytest.approx(p, abs=2e-4)


FIFTEEN = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
           0.7590, 1.0000]  # fmt: skip
"""The p-values of Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289, section 4 (from memory)."""


def test_the_fifteen_p_values_of_1995() -> None:
    """Four rejections at 5 % by the false-discovery rate, three by Bonferroni."""
    shuffled = np.random.default_rng(0).permutation(len(FIFTEEN))
    adjusted = benjamini_hochberg(np.array(FIFTEEN)[shuffled])
    assert np.count_nonzero(adjusted <= 0.05) == 4
    assert np.count_nonzero(np.array(FIFTEEN) * 15 <= 0.05) == 3
    assert adjusted[np.argsort(shuffled)] == pytest.approx(scipy.stats.false_discovery_control(FIFTEEN))


def test_missing_p_values_are_no_tests() -> None:
    """Reference library: scipy's false_discovery_control over the values that are there."""
    with_gaps = np.array([0.01, np.nan, 0.02, 0.5, np.nan])
    adjusted = benjamini_hochberg(with_gaps)
    assert np.isnan(adjusted[[1, 4]]).all()
    assert adjusted[[0, 2, 3]] == pytest.approx(scipy.stats.false_discovery_control([0.01, 0.02, 0.5]))


def test_variance_ratio_against_the_reference_library() -> None:
    """Fisher's F, scipy.stats.f."""
    assert float(variance_ratio_p_value(3.0, 1.2, 4, 20)) == pytest.approx(scipy.stats.f.sf(2.5, 4, 20), rel=1e-10)


def test_reference_table_of_ratios_of_two_spectra() -> None:
    """Ratio of two independent averaged lines: Fisher's F with 2 n_1 and 2 n_2 degrees of freedom (computed table)."""
    for row in reference_rows("psd_ratio_interval_db.csv"):
        dof = 2.0 * float(row["nd1"]), 2.0 * float(row["nd2"])
        upper, lower = 10 ** (float(row["q975_db"]) / 10), 10 ** (-float(row["q025_db"]) / 10)
        assert float(variance_ratio_p_value(upper, 1.0, *dof)) == pytest.approx(0.025, abs=2e-5)
        assert float(variance_ratio_p_value(lower, 1.0, *dof[::-1])) == pytest.approx(0.025, abs=2e-5)


@pytest.mark.parametrize(("dof", "probability", "value"), [
    (10, 0.025, 3.247), (10, 0.975, 20.483), (20, 0.025, 9.591), (20, 0.975, 34.170), (100, 0.025, 74.222),
    (100, 0.975, 129.561),
])  # fmt: skip
def test_chi_square_quantiles(dof: float, probability: float, value: float) -> None:
    """Critical values of the chi-square distribution, NIST/SEMATECH e-Handbook 1.3.6.7.4 (from memory)."""
    assert float(chi_square_quantile(probability, dof)) == pytest.approx(value, abs=6e-4)


def test_the_published_table_of_factors_of_a_subtraction() -> None:
    """dLs/dLmeas and dLs/dLbackground of the reference table, by propagating small uncertainties."""
    for row in reference_rows("background_k1.csv"):
        margin = float(row["delta_L_db"])
        if margin >= ISO_3744.no_correction_above_db:
            continue
        total, below = np.array([1.0]), np.array([10 ** (-margin / 10)])
        u = 1e-3
        found = background.subtract(total, below, (u * total) ** 2, (u * below) ** 2, FAR_BELOW)
        scale = 10.0 / np.log(10.0) * u
        assert random_uncertainty_db(found)[0] / scale == pytest.approx(float(row["dLs_dLmeas"]), abs=1e-4)
        assert background_uncertainty_db(found)[0] / scale == pytest.approx(-float(row["dLs_dLbackground"]), abs=1e-4)
