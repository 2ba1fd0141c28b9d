"""Slope of repeats against time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from tapeline.statistics.level_drift import level_drift

Group = tuple[np.ndarray, np.ndarray]

levels = arrays(np.float64, (4, 2, 1), elements=st.floats(40.0, 130.0))
hours = st.lists(st.integers(0, 600), min_size=4, max_size=4, unique=True).map(lambda minutes: np.array(minutes) / 60.0)


def group(values: list[float], times: list[float]) -> Group:
    return np.array(values)[:, None, None], np.array(times)


def test_two_groups_by_hand() -> None:
    """(0, 1 h: +1 dB) and (0, 2 h: +4 dB): sum of products 0.5 + 4, of squares 0.5 + 2."""
    found = level_drift([group([90.0, 91.0], [0.0, 1.0]), group([70.0, 74.0], [3.0, 5.0])])
    assert found.slope_db_per_hour[0, 0] == pytest.approx(4.5 / 2.5)
    assert found.variance_per_db2[0, 0] == pytest.approx(1.0 / 2.5)


def test_one_group_is_the_straight_line_of_numpy() -> None:
    times, values = [0.0, 0.4, 1.1, 2.5], [80.0, 80.3, 79.9, 81.0]
    found = level_drift([group(values, times)])
    assert found.slope_db_per_hour[0, 0] == pytest.approx(np.polyfit(times, values, 1)[0])


def test_what_the_slope_leaves_about_the_means() -> None:
    """Against numpy's straight line through one group; two groups of two share one slope: one degree of freedom."""
    times, values = [0.0, 0.4, 1.1, 2.5], [80.0, 80.3, 79.9, 81.0]
    found = level_drift([group(values, times)])
    residual = np.polyfit(times, values, 1, full=True)[1][0]
    assert found.residual_db2[0, 0] == pytest.approx(residual)
    assert found.degrees_of_freedom[0, 0] == 2.0
    two = level_drift([group([90.0, 91.0], [0.0, 1.0]), group([70.0, 74.0], [3.0, 5.0])])
    assert two.residual_db2[0, 0] == pytest.approx(0.5 + 8.0 - 4.5**2 / 2.5)
    assert two.degrees_of_freedom[0, 0] == 1.0


@pytest.mark.parametrize("hour", [0.0, 0.1, 1.0 / 3.0, 7.77])
@pytest.mark.parametrize("runs", [1, 2, 3, 7])
def test_repeats_at_one_time_have_no_slope(hour: float, runs: int) -> None:
    """The mean of three times 0.1 is not 0.1 in binary numbers."""
    found = level_drift([group([80.0 + k for k in range(runs)], [hour] * runs)])
    assert np.isnan(found.slope_db_per_hour).all()
    assert np.isnan(found.variance_per_db2).all()


def test_no_group_is_an_error() -> None:
    with pytest.raises(ValueError, match="one group"):
        level_drift([])


def test_levels_without_a_value_are_left_out() -> None:
    with_gap = level_drift([group([80.0, np.nan, 82.0], [0.0, 1.0, 2.0])])
    without = level_drift([group([80.0, 82.0], [0.0, 2.0])])
    assert with_gap.slope_db_per_hour == pytest.approx(without.slope_db_per_hour)
    assert with_gap.variance_per_db2 == pytest.approx(without.variance_per_db2)
    nothing = level_drift([group([80.0, np.nan], [0.0, 1.0])])
    assert np.isnan(nothing.slope_db_per_hour).all()


@given(levels, hours, st.floats(-60.0, 60.0), st.floats(-24.0, 24.0), st.permutations(range(4)))
def test_shifts_and_order_of_runs_change_nothing(
    values: np.ndarray, times: np.ndarray, shift: float, later: float, order: list[int]
) -> None:
    found = level_drift([(values, times)])
    moved = level_drift([((values + shift)[order], (times + later)[order])])
    assert moved.slope_db_per_hour == pytest.approx(found.slope_db_per_hour, rel=1e-4, abs=1e-4)
    assert moved.variance_per_db2 == pytest.approx(found.variance_per_db2, rel=1e-6)


@given(levels, hours, st.floats(-5.0, 5.0))
def test_a_true_slope_is_added(values: np.ndarray, times: np.ndarray, slope: float) -> None:
    found = level_drift([(values, times)])
    sloped = level_drift([(values + slope * times[:, None, None], times)])
    assert sloped.slope_db_per_hour == pytest.approx(found.slope_db_per_hour + slope, rel=1e-6, abs=1e-6)


def test_the_slope_scatters_as_its_variance_says() -> None:
    """4000 sessions of 0.3 dB repeats in two groups: a standard deviation is known within 1.1 %."""
    random = np.random.default_rng(4)
    times = (np.array([0.0, 0.5, 3.0]), np.array([1.0, 2.5]))
    groups = [(80.0 - 0.2 * t[:, None, None] + 0.3 * random.normal(size=(t.size, 1, 4000)), t) for t in times]
    found = level_drift(groups)
    error = 0.3 * np.sqrt(found.variance_per_db2)
    z = (found.slope_db_per_hour + 0.2) / error
    assert float(z.std()) == pytest.approx(1.0, abs=0.045)
    assert float(np.abs(z.mean())) < 0.06
    assert 0.93 <= float((np.abs(z) <= 1.96).mean()) <= 0.97
