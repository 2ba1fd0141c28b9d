"""Overall sums of corrected bands, and the response of a chart to its ends."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits
from tapeline.acoustics.overall import sum_bands
from tapeline.acoustics.response import response_db

LIMITS = MarginLimits(15.0, 6.0, 3.0, 1.645)


def summed(total: list[float], below: list[float], share: float = 0.1) -> tuple[str, float, float]:
    """State, corrected power and upper bound of one position's sum."""
    t, b = np.array([total]), np.array([below])
    bands = background.subtract(t, b, np.zeros_like(t), np.zeros_like(b), LIMITS)
    found = sum_bands(bands, (np.zeros(1), np.zeros(1)), LIMITS, share)
    name = {v: k for k, v in vars(background).items() if k.isupper() and isinstance(v, int)}[int(found.result.state[0])]
    return name, float(found.result.corrected[0]), float(found.result.upper_bound[0])


def test_a_weak_bound_leaves_the_sum_a_value() -> None:
    state, value, upper = summed([100.0, 1.0], [1.0, 0.9])
    assert state == "CLEAR"
    assert value == pytest.approx(100.1)
    assert np.isnan(upper)


def test_strong_bounds_make_the_sum_a_bound() -> None:
    state, value, upper = summed([100.0, 100.0], [1.0, 60.0])
    assert state == "BOUND"
    assert np.isnan(value)
    assert upper == pytest.approx(140.0)


def test_without_background_the_sum_says_so() -> None:
    total = np.array([[1.0, 2.0]])
    bands = background.without_background(total, np.zeros_like(total))
    found = sum_bands(bands, (np.zeros(1), np.zeros(1)), LIMITS, 0.1)
    assert found.result.state[0] == background.NONE
    assert found.result.corrected[0] == 3.0


def test_a_chart_is_linear_over_log_frequency_and_never_extrapolated() -> None:
    value, covered = response_db([10.0, 100.0, 1000.0, np.sqrt(1e5), 10_000.0], [100.0, 1000.0], [0.0, 2.0])
    assert list(covered) == [False, True, True, True, False]
    assert value == pytest.approx([0.0, 0.0, 2.0, 1.0, 0.0])


def test_the_last_values_of_a_chart_are_not_carried_on() -> None:
    value, covered = response_db([50.0, 100.0, 5000.0, 5001.0], [100.0, 5000.0], [1.0, 3.0])
    assert value.tolist() == pytest.approx([0.0, 1.0, 3.0, 0.0])
    assert covered.tolist() == [False, True, True, False]


def test_the_line_at_0_hz_is_outside_every_chart() -> None:
    value, covered = response_db([0.0, 20.0], [20.0, 100.0], [-1.0, 0.0])
    assert value.tolist() == [0.0, -1.0]
    assert covered.tolist() == [False, True]
