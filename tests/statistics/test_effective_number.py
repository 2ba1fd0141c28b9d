"""Deviations of repeats: independent, with the squares of those about the mean; what moves together counts as few."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.arrays import Reals
from tapeline.statistics.effective_number import independent_values, repeat_deviations, squared_correlation


@given(st.integers(0, 2**31), st.integers(1, 6))
def test_squares_add_up_to_those_about_the_mean(seed: int, runs: int) -> None:
    random = np.random.default_rng(seed)
    levels = 80.0 + random.normal(size=(runs, 3, 2))
    levels[random.random(levels.shape) < 0.3] = np.nan
    found = repeat_deviations(levels)
    count = np.isfinite(levels).sum(axis=0)
    off = np.where(np.isfinite(levels), levels - np.nansum(levels, axis=0) / np.maximum(count, 1), 0.0)
    assert np.nansum(found**2, axis=0) == pytest.approx((off**2).sum(axis=0), abs=1e-9)
    assert np.array_equal(np.isfinite(found).sum(axis=0), np.maximum(count - 1, 0))


def test_deviations_of_one_cell_are_uncorrelated_and_as_large_as_one_run() -> None:
    random = np.random.default_rng(1)
    found = repeat_deviations(random.normal(0.0, 0.3, (4, 40_000, 1)))[1:, :, 0]
    assert np.cov(found) == pytest.approx(0.09 * np.eye(3), abs=0.003)


def rows(random: np.random.Generator, rho: float, count: int = 12, positions: int = 8, items: int = 15) -> Reals:
    """Items that move together with correlation `rho` at each position."""
    together, alone = random.normal(size=(count, positions, 1)), random.normal(size=(count, positions, items))
    return np.asarray(np.sqrt(rho) * together + np.sqrt(1.0 - rho) * alone)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9])
def test_the_squared_correlation_of_near_items_is_found(rho: float) -> None:
    random = np.random.default_rng(2)
    near = np.abs(np.subtract.outer(np.arange(15), np.arange(15))) <= 2
    found = [squared_correlation(rows(random, rho), near) for _ in range(20)]
    assert np.mean(found) == pytest.approx(rho**2, abs=0.04)


def test_a_position_that_scatters_five_times_as_much_does_not_rule() -> None:
    random = np.random.default_rng(3)
    near, wild = np.ones((15, 15), dtype=bool), np.array([5.0, *[1.0] * 7])[:, None]
    assert np.mean([squared_correlation(wild * rows(random, 0.0), near) for _ in range(40)]) < 0.06


def test_few_rows_are_taken_to_move_together() -> None:
    random = np.random.default_rng(4)
    near = np.ones((15, 15), dtype=bool)
    assert squared_correlation(rows(random, 0.0, 1, 1), near) == 1.0
    assert squared_correlation(rows(random, 0.0, 2, 1), near) >= 0.5
    assert squared_correlation(rows(random, 0.0, 1, 8), near) < 0.4


def test_a_row_is_worth_as_many_values_as_move_by_themselves() -> None:
    random = np.random.default_rng(5)
    assert np.mean([independent_values(rows(random, 0.0)) for _ in range(20)]) > 80.0
    whole = random.normal(size=(12, 1, 1)) + np.zeros((12, 8, 15))
    assert independent_values(whole) == pytest.approx(1.0)
    each = np.repeat(random.normal(size=(12, 8, 1)), 15, axis=2)
    assert independent_values(each) == pytest.approx(8.0, abs=3.0)
    assert independent_values(whole[:1]) == 1.0
