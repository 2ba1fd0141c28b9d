"""What a subtraction says where the background is near, far, absent or as loud: bounds, neglect, uncertainties."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from tapeline.acoustics import background
from tapeline.acoustics.background import (
    MarginLimits,
    background_uncertainty_db,
    corrected_interval,
    random_uncertainty_db,
    subtract,
)
from tapeline.acoustics.selection_by_margin import ONE_SIDED_95

LIMITS = MarginLimits(no_correction_above_db=15.0, enough_margin_db=6.0, least_margin_db=3.0, bound_factor=1.645)
DB = 10 / np.log(10)
PROBABILITY = scipy.stats.norm.cdf(1.645)


def one(margin_db: float, u_total: float = 0.0, u_background: float = 0.0) -> background.Subtraction:
    """A total of 1 Pa^2 over a background so many decibels below; relative standard uncertainties of both."""
    below = np.array([10 ** (-margin_db / 10)])
    return subtract(np.ones(1), below, np.array([u_total**2]), (u_background * below) ** 2, LIMITS)


def reach(total: float, u_total: float, below: float, u_below: float) -> float:
    """Distance to the upper end of the difference of two scaled chi-squares at one-sided 95 %, by scipy's chi2."""
    dof = 2.0 / u_total**2, 2.0 / u_below**2
    up = total * dof[0] / scipy.stats.chi2.ppf(1 - PROBABILITY, dof[0]) - total
    down = below - below * dof[1] / scipy.stats.chi2.ppf(PROBABILITY, dof[1])
    return float(np.hypot(up, down))


def test_a_bound_is_the_difference_and_its_coverage() -> None:
    found = one(1.0, 0.03, 0.04)
    below = 10**-0.1
    assert found.state[0] == background.BOUND
    assert np.isnan(found.corrected[0])
    assert found.upper_bound[0] == pytest.approx(1 - below + reach(1.0, 0.03, below, 0.04))
    few = one(1.0, 0.003, 0.004)
    assert few.upper_bound[0] == pytest.approx(1 - below + 1.645 * np.hypot(0.003, 0.004 * below), rel=1e-4)


def test_a_background_louder_by_chance_leaves_only_the_coverage() -> None:
    """0.2 dB are 0.9 standard uncertainties of the difference."""
    found = one(-0.2, 0.03, 0.04)
    assert not found.louder[0]
    assert found.upper_bound[0] == pytest.approx(reach(1.0, 0.03, 10**0.02, 0.04))


def test_a_background_louder_beyond_chance_says_nothing_of_the_run() -> None:
    """0.5 dB are 2.3 of them: the bound is the upper end of the run's own chi-square interval."""
    found = one(-0.5, 0.03, 0.04)
    assert found.louder[0]
    dof = 2.0 / 0.03**2
    assert found.upper_bound[0] == pytest.approx(dof / scipy.stats.chi2.ppf(1 - PROBABILITY, dof))


@pytest.mark.parametrize(("excess", "louder"), [(1.30, False), (1.60, False), (1.70, True), (2.0, True)])
def test_chance_ends_at_1645_standard_uncertainties(excess: float, louder: bool) -> None:
    """One-sided 95 % of the normal law; excess in standard uncertainties of the difference."""
    below = np.array([1.0 + excess * 0.1])
    found = subtract(np.ones(1), below, np.array([0.008]), np.array([0.002]), LIMITS)
    assert found.louder[0] == louder
    assert pytest.approx(scipy.stats.norm.ppf(0.95), abs=1e-3) == ONE_SIDED_95


def test_bounds_close_to_a_surely_louder_band_trust_no_background_either() -> None:
    """Three bands beside each other are bounds, the middle one surely louder; at the second position the same band is
    a bound by itself, and one apart from all others stays as it is."""
    total = np.ones((2, 6))
    below = np.array([[0.1, 0.9, 3.0, 0.9, 0.1, 0.9], [0.1, 0.1, 0.9, 0.1, 0.9, 0.1]])
    found = subtract(total, below, np.full((2, 6), 0.01), np.full((2, 6), 0.01), LIMITS)
    assert found.louder.sum() == 1
    near = background.louder_nearby(found, np.ones((2, 6), dtype=bool))
    assert near.tolist() == [[False, True, True, True, False, False], [False, False, True, False, False, False]]
    after = background.bounded_by_the_run(found, near, LIMITS)
    assert (after.upper_bound[near] > 1.0).all()
    assert after.upper_bound[0, 5] == found.upper_bound[0, 5] < 1.0


def test_a_band_louder_by_what_one_in_many_is_by_chance_reaches_no_other() -> None:
    """2.2 standard uncertainties: beyond chance for itself, not for one of 40 bands (Bonferroni: 3.0)."""
    below = np.full((1, 40), 0.95)
    below[0, 20] = 1.0 + 2.2 * 0.1
    found = subtract(np.ones((1, 40)), below, np.full((1, 40), 0.005), np.full((1, 40), 0.005), LIMITS)
    assert found.louder.sum() == 1
    assert not background.louder_nearby(found, np.ones((1, 40), dtype=bool)).any()


def test_what_is_off_for_certain_widens_intervals_and_bounds_by_all_of_it() -> None:
    """A rectangle's standard deviation is its half width over sqrt 3 (GUM, 4.3.7)."""
    below, half = np.array([0.2, 0.8]), np.array([0.05, 0.05])
    plain, wide = (subtract(np.ones(2), below, np.zeros(2), np.zeros(2), LIMITS, None, w) for w in (None, half))
    ends, wider = (corrected_interval(each, 0.95) for each in (plain, wide))
    assert (ends[0][0] - wider[0][0], wider[1][0] - ends[1][0]) == pytest.approx((0.05, 0.05))
    assert wide.upper_bound[1] - plain.upper_bound[1] == pytest.approx(0.05)
    assert background_uncertainty_db(wide)[0] == pytest.approx(DB * 0.05 / np.sqrt(3) / 0.8)


def test_a_bound_covers_the_true_source_as_stated() -> None:
    """One-sided 95 %: of 20,000 simulated runs at 1.5 dB margin 95 % of the bounds lie above the truth (six sigma)."""
    random = np.random.default_rng(5)
    runs, u = 20_000, 0.05
    truth = 1.0 - 10**-0.15
    total = 1.0 + u * random.normal(size=runs)
    below = 10**-0.15 * (1.0 + u * random.normal(size=runs))
    far = MarginLimits(99.0, 98.0, 97.0, 1.645)
    found = subtract(total, below, (u * total) ** 2, (u * below) ** 2, far)
    share = np.mean(found.upper_bound >= truth)
    assert share == pytest.approx(0.95, abs=6 * np.sqrt(0.95 * 0.05 / runs))


def test_a_clear_total_stands_and_carries_what_was_neglected() -> None:
    """Above the limit nothing is subtracted: K1 in a rectangle from nothing to K1 has the rms K1 / sqrt(3) (GUM)."""
    found = one(16.0, 0.02, 0.5)
    assert found.state[0] == background.CLEAR
    assert found.corrected[0] == 1.0
    assert found.subtracted_variance[0] == 0.0
    assert random_uncertainty_db(found)[0] == pytest.approx(DB * 0.02)
    k1 = 0.1105
    assert background_uncertainty_db(found)[0] == pytest.approx(k1 / np.sqrt(3), rel=0.02)


def test_nothing_is_neglected_where_it_is_subtracted() -> None:
    assert one(10.0).neglected[0] == 0.0
    assert background_uncertainty_db(one(10.0))[0] == 0.0


def test_bounds_have_no_uncertainty_of_a_level() -> None:
    found = one(1.0, 0.1, 0.1)
    assert np.isnan(random_uncertainty_db(found)[0])
    assert np.isnan(background_uncertainty_db(found)[0])


@pytest.mark.parametrize(("total", "below", "state"), [(1.0, 0.0, "CLEAR"), (0.0, 0.0, "BOUND"), (0.0, 1.0, "BOUND")])
def test_silence_is_no_error(total: float, below: float, state: str) -> None:
    with np.errstate(all="raise"):
        found = subtract(np.array([total]), np.array([below]), np.zeros(1), np.zeros(1), LIMITS)
    assert found.state[0] == getattr(background, state)
    assert (found.corrected[0] == total) if state == "CLEAR" else (found.upper_bound[0] == 0.0)


def test_without_a_background_run_the_total_stands() -> None:
    found = background.without_background(np.array([[2.0, 3.0]]), np.array([[0.04, 0.09]]))
    assert (found.state == background.NONE).all()
    assert found.corrected.tolist() == [[2.0, 3.0]]
    assert random_uncertainty_db(found)[0] == pytest.approx([DB * 0.1, DB * 0.1])
    assert background_uncertainty_db(found).tolist() == [[0.0, 0.0]]
    assert np.isnan(found.margin_db).all()


@given(margin=st.floats(-20.0, 40.0), u=st.floats(0.0, 0.5))
def test_a_level_or_a_bound_never_both(margin: float, u: float) -> None:
    found = one(margin, u, u)
    assert np.isnan(found.corrected[0]) == (found.state[0] == background.BOUND) == np.isfinite(found.upper_bound[0])
    assert np.nan_to_num(found.corrected[0]) <= 1.0
    assert found.margin_db[0] == pytest.approx(margin, abs=1e-9)


@pytest.mark.parametrize("dof", [40, 200, 2000])
@pytest.mark.parametrize("margin_db", [3.5, 5.0, 8.0, 12.0, 16.0, 20.0])
def test_intervals_of_corrected_levels_cover(margin_db: float, dof: int) -> None:
    """95 % intervals of the difference of two scaled chi-squares, simulated: true values are covered as stated.

    At one true margin: no margin decides here, all is subtracted. Six standard errors of 20,000 cases, and half a
    percent for the approximation (Ting et al. 1990 find it within some 1 %).
    """
    random = np.random.default_rng(11)
    cases = 20_000
    below = 10 ** (-margin_db / 10)
    total = random.chisquare(dof, cases) / dof
    background_runs = below * random.chisquare(dof, cases) / dof
    all_subtracted = MarginLimits(99.0, 2.0, -99.0, 1.96)
    found = subtract(total, background_runs, 2 * total**2 / dof, 2 * background_runs**2 / dof, all_subtracted)
    low, high = corrected_interval(found, 0.95)
    known = np.isfinite(found.corrected)
    assert known.mean() > 0.98
    share = np.mean((low <= 1 - below) & (high >= 1 - below), where=known)
    assert share == pytest.approx(0.95, abs=6 * np.sqrt(0.95 * 0.05 / cases) + 0.005)


def test_an_interval_holds_the_total_where_nothing_was_subtracted() -> None:
    found = one(15.5, 1e-4, 1e-4)
    low, high = corrected_interval(found, 0.95)
    assert high[0] == 1.0
    assert low[0] == pytest.approx(1 - 10**-1.55, abs=1e-3)


def test_an_interval_that_reaches_nothing_is_open_below() -> None:
    wide = one(8.0, 0.5, 0.5)
    assert wide.state[0] == background.CORRECTED
    assert corrected_interval(wide, 0.95)[0][0] == 0.0


def test_what_references_explain_comes_off_first() -> None:
    """Half of the power is coherent, a tenth of the rest background: 10 lg 2 and 10 lg(1/0.9) off, in one state."""
    found = subtract(np.ones(1), np.array([0.05]), np.array([1e-6]), np.array([1e-6]), LIMITS, kept=np.array([0.5]))
    assert found.corrected[0] == pytest.approx(0.45)
    assert found.state[0] == background.LIMITED
    assert found.margin_db[0] == pytest.approx(-10 * np.log10(0.55))


@pytest.mark.parametrize(
    ("removed_db", "state"), [(0.1, "CLEAR"), (1.0, "CORRECTED"), (9.0, "LIMITED"), (11.0, "BOUND")]
)
def test_how_far_references_may_take_a_level_down(removed_db: float, state: str) -> None:
    kept = np.array([10 ** (-removed_db / 10)])
    found = subtract(np.ones(1), np.zeros(1), np.zeros(1), np.zeros(1), LIMITS, kept=kept)
    assert found.state[0] == getattr(background, state)


def test_loudness_counts_beyond_chance_only() -> None:
    total, below = np.array([1.0, 1.0, 1.0]), np.array([1.05, 1.2, 0.5])
    found = subtract(total, below, np.full(3, 0.0025), np.full(3, 0.0025), LIMITS)
    assert background.significantly_louder(found, 1.645).tolist() == [False, True, False]
