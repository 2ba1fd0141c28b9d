"""Ranks that hold: sure where errors are small, wide where they are not, chance taken off what is all noise."""

from __future__ import annotations

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis.extra import numpy as hnp

from tapeline.statistics.rank_uncertainty import rank_uncertainty

CLEAR = np.array([100.0, 40.0, 15.0, 5.0, 1.0])


def test_small_errors_leave_the_order_as_measured() -> None:
    found = rank_uncertainty(CLEAR, CLEAR * 0.01, 1000, 0.95)
    assert found.low.tolist() == found.high.tolist() == [1, 2, 3, 4, 5]
    assert found.first_probability[0] == 1.0
    assert found.expected == pytest.approx(CLEAR, rel=0.1)


def test_equal_spots_share_the_first_place() -> None:
    found = rank_uncertainty(np.array([50.0, 50.0, 1.0, 2.0, 0.5, 3.0]), np.full(6, 0.3), 4000, 0.95)
    assert found.first_probability[:2] == pytest.approx([0.5, 0.5], abs=0.05)
    assert (found.low[0], found.high[0]) == (1, 2)


def test_a_loud_difference_that_is_all_noise_does_not_come_first() -> None:
    """Measured largest, but with an error as large as itself among spots of a tenth: little is to be expected of it."""
    random = np.random.default_rng(3)
    others = 10.0 ** random.normal(1.0, 0.2, 40)
    values, errors = np.append(others, 100.0), np.append(others * 0.02, 100.0)
    found = rank_uncertainty(values, errors, 2000, 0.95)
    assert found.expected[-1] < found.expected[:-1].max()
    assert found.first_probability[-1] < 0.5
    assert found.high[-1] - found.low[-1] > 20


def test_the_same_levels_give_the_same_ranks() -> None:
    first, second = (rank_uncertainty(CLEAR, CLEAR * 0.5, 500, 0.95) for _ in range(2))
    assert np.array_equal(first.low, second.low) and np.array_equal(first.first_probability, second.first_probability)


def test_contributions_below_zero_are_nothing() -> None:
    found = rank_uncertainty(np.array([-50.0, -3.0, 20.0]), np.array([5.0, 5.0, 1.0]), 1000, 0.95)
    assert found.expected[0] < 1.0
    assert np.all(found.expected >= 0.0)
    assert found.first_probability[2] > 0.95


def test_what_lies_far_below_zero_ranks_last() -> None:
    """The closed state is louder by a hundred errors: nothing is contributed, however small the error."""
    found = rank_uncertainty(np.append(CLEAR, [-400.0, -4.0]), np.append(CLEAR * 0.05, [4.0, 0.001]), 1000, 0.95)
    assert np.all(found.expected[-2:] < 0.5)
    assert np.all(found.low[-2:] >= 5)


@pytest.mark.parametrize("values", [[3.0], [0.0], [-1.0]])
def test_a_single_spot_ranks_first(values: list[float]) -> None:
    found = rank_uncertainty(np.array(values), np.array([1.0]), 200, 0.95)
    assert (found.low[0], found.high[0], found.first_probability[0]) == (1, 1, 1.0)


def without_underflow(power: float) -> float:
    """No power of a sound is so small that its square cannot be computed."""
    return power if abs(power) > 1e-100 else 0.0


@settings(max_examples=60)
@given(
    hnp.arrays(float, 12, elements=st.floats(-1e3, 1e6).map(without_underflow)),
    hnp.arrays(float, 12, elements=st.floats(0.0, 1e4).map(without_underflow)),
)
def test_any_values_give_ranks_in_range(values: np.ndarray, errors: np.ndarray) -> None:
    found = rank_uncertainty(values, errors, 100, 0.95)
    assert np.all((found.low >= 1) & (found.low <= found.high) & (found.high <= values.size))
    assert found.first_probability.sum() == pytest.approx(1.0)
    assert np.all(np.isfinite(found.expected) & (found.expected >= 0.0))


@settings(max_examples=30)
@given(st.floats(1e-12, 1e12))
def test_the_unit_of_power_changes_nothing(factor: float) -> None:
    plain, scaled = (rank_uncertainty(CLEAR * f, CLEAR * 0.4 * f, 300, 0.95) for f in (1.0, factor))
    assert np.array_equal(plain.low, scaled.low) and np.array_equal(plain.high, scaled.high)
    assert scaled.expected == pytest.approx(plain.expected * factor, rel=1e-6)


def test_groups_hold_what_cannot_be_told_from_their_first() -> None:
    """Two far apart pairs and a single one; by hand: within a pair the errors are as large as the distance."""
    values = np.array([100.0, 97.0, 30.0, 29.0, 5.0])
    found = rank_uncertainty(values, np.array([3.0, 3.0, 1.0, 1.0, 0.2]), 1000, 0.95)
    assert found.group.tolist() == [1, 1, 2, 2, 3]


def test_a_chain_of_overlapping_neighbours_is_no_single_group() -> None:
    """Neighbours one error apart overlap all the way down; the last is far from the first."""
    values = 100.0 * 10.0 ** (-np.arange(20) / 20.0)
    found = rank_uncertainty(values, values * 0.1, 1000, 0.95)
    sizes = np.bincount(found.group)[1:]
    assert np.all(found.low[1:] <= found.high[:-1]), "every neighbour's ranks overlap"
    assert len(sizes) >= 3
    assert sizes.max() <= 6


def test_groups_are_told_apart_with_the_confidence_asked_for() -> None:
    """Two spots 3.5 errors of their difference apart are told apart, two at two errors are not: spread is not known."""
    for distance, groups in ((3.5, [1, 2]), (2.0, [1, 1])):
        values = np.array([100.0, 100.0 - distance * 5.0 * np.sqrt(2.0)])
        assert rank_uncertainty(values, np.full(2, 5.0), 500, 0.95).group.tolist() == groups


def test_ranks_are_among_the_spots_ranked_alone() -> None:
    """A loud spot of which nothing is shown says how contributions are spread and takes no rank."""
    values, errors = np.append(CLEAR, 300.0), np.append(CLEAR * 0.01, 400.0)
    ranked = np.array([True, False, True, True, False, False])
    found = rank_uncertainty(values, errors, 1000, 0.95, ranked)
    assert found.low.tolist() == found.high.tolist() == [1, 0, 2, 3, 0, 0]
    assert found.group.tolist() == [1, 0, 2, 3, 0, 0]
    assert found.first_probability[0] == 1.0
    assert np.all(found.expected > 0.0)
    nothing = rank_uncertainty(values, errors, 1000, 0.95, np.zeros(6, dtype=bool))
    assert not nothing.low.any() and not nothing.first_probability.any()


def test_changes_count_by_their_size_whatever_their_sign() -> None:
    signs = np.array([1.0, -1.0, 1.0, -1.0, 1.0])
    up, both = (rank_uncertainty(CLEAR * way, CLEAR * 0.05, 1000, 0.95, either_way=True) for way in (1.0, signs))
    assert np.array_equal(up.low, both.low) and np.array_equal(up.group, both.group)
    assert up.expected == pytest.approx(both.expected)
    assert up.expected == pytest.approx(CLEAR, rel=0.1)


def test_noise_of_either_sign_is_taken_off_a_change() -> None:
    """The largest of 200 changes that are noise alone is measured as three errors; less than one is to be expected."""
    values = np.random.default_rng(4).normal(0.0, 1.0, 200)
    found = rank_uncertainty(values, np.ones(200), 500, 0.95, either_way=True)
    assert np.abs(values).max() > 2.5
    assert found.expected.max() < 1.0
