"""Levels that were chosen by their measured margin: bounds hold and intervals cover at each true margin."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from long_evidence import few_or_many
from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits, corrected_interval, subtract
from tapeline.acoustics.selection_by_margin import SelectionByMargin, needed_margin_db

LIMITS = MarginLimits(no_correction_above_db=15.0, enough_margin_db=6.0, least_margin_db=3.0, bound_factor=1.96)
DB = 10.0 / np.log(10.0)


@pytest.fixture(params=few_or_many(5_000, 20_000))
def cases(request: pytest.FixtureRequest) -> int:
    return int(request.param)


def drawn(averages: int, margin_db: float, cases: int) -> background.Subtraction:
    """Runs and backgrounds of the same true powers, the background 1 Pa^2, each of so many effective averages."""
    random, dof = np.random.default_rng([averages, round(10 * margin_db)]), 2 * averages
    total = 10 ** (margin_db / 10) * random.chisquare(dof, cases) / dof
    below = random.chisquare(dof, cases) / dof
    return subtract(total, below, 2 * total**2 / dof, 2 * below**2 / dof, LIMITS)


@pytest.mark.parametrize("averages", [20, 40, 100, 1000])
@pytest.mark.parametrize("margin_db", [0.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 15.0])
def test_bounds_hold_and_intervals_cover_at_every_margin(margin_db: float, averages: int, cases: int) -> None:
    """95 % of bounds and of intervals, of those chosen in 2 % of cases and more; three standard errors.

    Where the choice leaves no low levels the upper end of an interval cannot fail: then 97.5 %.
    """
    found, source = drawn(averages, margin_db, cases), 10 ** (margin_db / 10) - 1.0
    bound = found.state == background.BOUND
    low, high = corrected_interval(found, 0.95)
    for chosen, right, most in (
        (bound, found.upper_bound >= source, 1.0),
        (~bound, (low <= source) & (source <= high), 0.98),
    ):
        if chosen.mean() > 0.02:
            share, error = right[chosen].mean(), np.sqrt(0.05 * 0.95 / chosen.sum())
            assert 0.93 - 3 * error <= share <= most + 3 * error


@pytest.mark.parametrize("averages", [20, 40, 100, 1000])
def test_levels_near_the_limit_are_off_by_less_than_they_state(averages: int, cases: int) -> None:
    """Mean error where at least a tenth is stated: below the standard uncertainty; half of it where most are."""
    for margin_db in np.arange(1.0, 15.0, 0.5):
        found, source = drawn(averages, margin_db, cases), 10 ** (margin_db / 10) - 1.0
        stated = found.state != background.BOUND
        if stated.mean() > 0.1:
            error = DB * np.log(found.corrected[stated] / source)
            each = np.hypot(background.random_uncertainty_db(found), background.background_uncertainty_db(found))
            most = 0.5 if stated.mean() > 0.45 else 0.9
            assert abs(error.mean()) < most * np.sqrt(np.mean(each[stated] ** 2))


def test_long_records_are_judged_by_the_measured_margin_alone() -> None:
    """From 103 averages on, 2 (1.645 x 4.34)^2; with 20 the standard uncertainty of the margin is 1.37 dB."""
    one = np.ones(1)
    for averages, needed in ((20, 2.0 + 1.645 * DB * np.sqrt(2 / 20)), (40, 2.0 + 1.645 * DB * np.sqrt(2 / 40))):
        assert needed_margin_db(one, one, one / averages, one / averages, 3.0)[0] == pytest.approx(needed)
    for averages in (103, 200, 1000, np.inf):
        assert needed_margin_db(one, one, one / averages, one / averages, 3.0)[0] == 3.0


def test_a_choice_far_away_changes_no_tail() -> None:
    dof = np.full(2, 400.0), np.full(2, 400.0)
    far = SelectionByMargin(np.array([30.0, 1.0]), np.full(2, 2.0), dof)
    assert far.low_tail(0.025).tolist() == [0.025, 0.025]
    assert far.tail_of_bound(0.025) == pytest.approx([0.025, 0.025])
    never = SelectionByMargin(np.array([2.1, 1.9]), np.full(2, np.nan), dof)
    assert never.high_tail(0.025).tolist() == [0.025, 0.025]


def test_the_tail_after_a_choice_is_that_of_the_truncated_ratio() -> None:
    """By scipy's F: at the end found, a ratio as high among those above the limit has the chance asked for."""
    dof, needed, measured = 80.0, 2.0, 2.6
    chosen = SelectionByMargin(np.array([measured]), np.array([needed]), (np.array([dof]), np.array([dof])))
    tail = float(chosen.low_tail(0.05)[0])
    true = measured / scipy.stats.f.isf(tail, dof, dof)
    among = scipy.stats.f.sf(measured / true, dof, dof) / scipy.stats.f.sf(needed / true, dof, dof)
    assert tail < 0.05
    assert among == pytest.approx(0.05, abs=2e-3)
