"""Ranks that hold: sure where errors are small, wide where they are not, chance taken off what is all noise."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis.extra import numpy as hnp

from tapeline.acoustics.sure_ranks import sure_ranks

CLEAR = np.array([100.0, 40.0, 15.0, 5.0, 1.0])


def test_small_errors_leave_the_order_as_measured() -> None:
    found = sure_ranks(CLEAR, CLEAR * 0.01, 1000, 0.95)
    assert found.low.tolist() == found.high.tolist() == [1, 2, 3, 4, 5]
    assert found.first_share[0] == 1.0
    assert found.expected == pytest.approx(CLEAR, rel=0.1)


def test_equal_spots_share_the_first_place() -> None:
    found = sure_ranks(np.array([50.0, 50.0, 1.0, 2.0, 0.5, 3.0]), np.full(6, 0.3), 4000, 0.95)
    assert found.first_share[:2] == pytest.approx([0.5, 0.5], abs=0.05)
    assert (found.low[0], found.high[0]) == (1, 2)


def test_a_loud_difference_that_is_all_noise_does_not_come_first() -> None:
    """Measured largest, but with an error as large as itself among spots of a tenth: little is to be expected of it."""
    random = np.random.default_rng(3)
    others = 10.0 ** random.normal(1.0, 0.2, 40)
    values, errors = np.append(others, 100.0), np.append(others * 0.02, 100.0)
    found = sure_ranks(values, errors, 2000, 0.95)
    assert found.expected[-1] < found.expected[:-1].max()
    assert found.first_share[-1] < 0.5
    assert found.high[-1] - found.low[-1] > 20


def test_the_same_levels_give_the_same_ranks() -> None:
    first, second = (sure_ranks(CLEAR, CLEAR * 0.5, 500, 0.95) for _ in range(2))
    assert np.array_equal(first.low, second.low) and np.array_equal(first.first_share, second.first_share)


def test_contributions_below_zero_are_nothing() -> None:
    found = sure_ranks(np.array([-50.0, -3.0, 20.0]), np.array([5.0, 5.0, 1.0]), 1000, 0.95)
    assert found.expected[0] < 1.0
    assert np.all(found.expected >= 0.0)
    assert found.first_share[2] > 0.95


def test_what_lies_far_below_zero_ranks_last() -> None:
    """The closed state is louder by a hundred errors: nothing is contributed, however small the error."""
    found = sure_ranks(np.append(CLEAR, [-400.0, -4.0]), np.append(CLEAR * 0.05, [4.0, 0.001]), 1000, 0.95)
    assert np.all(found.expected[-2:] < 0.5)
    assert np.all(found.low[-2:] >= 5)


@pytest.mark.parametrize("values", [[3.0], [0.0], [-1.0]])
def test_a_single_spot_ranks_first(values: list[float]) -> None:
    found = sure_ranks(np.array(values), np.array([1.0]), 200, 0.95)
    assert (found.low[0], found.high[0], found.first_share[0]) == (1, 1, 1.0)


@settings(deadline=None, max_examples=60)
@given(
    hnp.arrays(float, 12, elements=st.floats(-1e3, 1e6, allow_nan=False)),
    hnp.arrays(float, 12, elements=st.floats(0.0, 1e4, allow_nan=False)),
)
def test_any_values_give_ranks_in_range(values: np.ndarray, errors: np.ndarray) -> None:
    found = sure_ranks(values, errors, 100, 0.95)
    assert np.all((found.low >= 1) & (found.low <= found.high) & (found.high <= values.size))
    assert found.first_share.sum() == pytest.approx(1.0)
    assert np.all(np.isfinite(found.expected) & (found.expected >= 0.0))


@settings(deadline=None, max_examples=30)
@given(st.floats(1e-12, 1e12))
def test_the_unit_of_power_changes_nothing(factor: float) -> None:
    plain, scaled = (sure_ranks(CLEAR * f, CLEAR * 0.4 * f, 300, 0.95) for f in (1.0, factor))
    assert np.array_equal(plain.low, scaled.low) and np.array_equal(plain.high, scaled.high)
    assert scaled.expected == pytest.approx(plain.expected * factor, rel=1e-6)
