"""Control charts of individuals against a published worked example, and the rules at their edges."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.statistics.control_chart import common_shift, control_limits, moving_ranges, outside, stages, trends

BATCHES = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
"""Ten batches, NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2 (from memory)."""


def test_individuals_and_moving_ranges_of_the_handbook() -> None:
    """Mean 50.81, mean moving range 1.8778, limits 55.8041 and 45.8159 (e-Handbook 6.3.2.2, from memory)."""
    limits = control_limits(BATCHES)
    assert limits.centre == pytest.approx(50.81, abs=5e-5)
    assert limits.mean_moving_range == pytest.approx(1.8778, abs=5e-5)
    assert limits.upper == pytest.approx(55.8041, abs=5e-5)
    assert limits.lower == pytest.approx(45.8159, abs=5e-5)
    np.testing.assert_allclose(moving_ranges(BATCHES), [2.0, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 1.2, 1.5])
    assert not outside(BATCHES, limits).any()


def test_upper_limit_of_the_moving_range() -> None:
    """D4 = 3.267 for two values (tables of control chart constants, ISO 7870-2, from memory)."""
    limits = control_limits([0.0, 1.0, 0.0, 1.0])
    assert limits.upper_moving_range == pytest.approx(3.267)
    assert limits.upper - limits.centre == pytest.approx(2.66, abs=5e-4)


def test_constants_follow_from_the_normal_distribution() -> None:
    """d2 = 2/sqrt(pi), D4 = 1 + 3 sqrt(2 - d2^2)/d2: mean and scatter of |x1 - x2| of normal values (textbook)."""
    mean_range = 2.0 / np.sqrt(np.pi)
    scatter_of_range = np.sqrt(2.0 - mean_range**2)
    limits = control_limits([0.0, 1.0])
    assert (limits.upper - limits.centre) == pytest.approx(3.0 / mean_range, abs=1e-3)
    assert limits.upper_moving_range == pytest.approx(1.0 + 3.0 * scatter_of_range / mean_range, abs=1e-3)


def test_a_value_on_a_limit_is_inside() -> None:
    limits = control_limits([0.0, 1.0, 0.0, 1.0])
    assert outside([limits.lower, limits.upper, limits.upper + 1e-6, limits.lower - 1e-6], limits).tolist() == [
        False,
        False,
        True,
        True,
    ]
    assert not outside([0.1] * 5, control_limits([0.1] * 5)).any()


def test_six_values_in_a_row_are_a_trend_and_five_are_not() -> None:
    """Six values steadily increasing or decreasing (ISO 8258:1991, test 3, from memory)."""
    assert trends([0, 1, 2, 3, 4]) == ()
    assert trends([0, 1, 2, 3, 4, 5]) == ((0, 5),)
    assert trends([9, 0, 1, 2, 3, 4, 5, 6, 0, -1, -2, -3, -4]) == ((1, 7), (7, 12))
    assert trends([0, 1, 2, 3, 3, 4, 5]) == ()
    assert trends([]) == trends([1.0]) == ()


def test_limits_begin_anew_after_a_step_and_go_on_after_a_lone_value() -> None:
    """Limits hold for one state of a process and are computed anew after a known change (common practice)."""
    assert stages([0.0, 0.1, -0.9, -1.0, -0.9], 0.5).tolist() == [0, 0, 1, 1, 1]
    assert stages([0.0, 0.1, -0.9, 0.0, 0.1], 0.5).tolist() == [0, 0, -1, 0, 0]
    assert stages([0.0, 0.5, 1.0], 0.5).tolist() == [0, 0, 0]
    assert stages([0.0, -0.9], 0.5).tolist() == [0, 1]
    assert stages([], 0.5).tolist() == []


def test_the_common_shift_is_the_median_and_needs_three_series() -> None:
    """A median is not moved by a minority (robust statistics, textbook)."""
    earlier = np.array([0.0, 0.1, 0.2, 0.3, np.nan])
    later = np.array([-0.3, -0.2, -5.0, np.nan, 0.0])
    assert common_shift(earlier, later) == pytest.approx(-0.3)
    assert common_shift(earlier[1:], later[1:]) is None


@pytest.mark.parametrize("values", [[0.0, np.nan], [[0.0, 1.0]], [1.0]])
def test_what_is_no_series_is_refused(values: list[float]) -> None:
    with pytest.raises(ValueError, match="values"):
        control_limits(values)
    with pytest.raises(ValueError, match="shapes"):
        common_shift([0.0, 1.0], [0.0])
    with pytest.raises(ValueError, match="above zero"):
        stages([0.0], 0.0)
