"""What a subtraction says where the background is near, far, absent or as loud: bounds, neglect, uncertainties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits, background_uncertainty_db, random_uncertainty_db, subtract

LIMITS = MarginLimits(no_correction_above_db=15.0, enough_margin_db=6.0, least_margin_db=3.0, bound_factor=1.645)
DB = 10 / np.log(10)


def one(margin_db: float, u_total: float = 0.0, u_background: float = 0.0) -> background.Subtraction:
    """A total of 1 Pa^2 over a background so many decibels below; relative standard uncertainties of both."""
    below = np.array([10 ** (-margin_db / 10)])
    return subtract(np.ones(1), below, np.array([u_total**2]), (u_background * below) ** 2, LIMITS)


def test_a_bound_is_the_difference_and_its_coverage() -> None:
    found = one(2.0, 0.03, 0.04)
    below = 10**-0.2
    assert found.state[0] == background.BOUND
    assert np.isnan(found.corrected[0])
    assert found.upper_bound[0] == pytest.approx(1 - below + 1.645 * np.hypot(0.03, 0.04 * below))


def test_a_background_louder_than_the_run_leaves_only_the_coverage() -> None:
    found = one(-0.5, 0.03, 0.04)
    assert found.upper_bound[0] == pytest.approx(1.645 * np.hypot(0.03, 0.04 * 10**0.05))


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
    assert found.background_variance[0] == 0.0
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
