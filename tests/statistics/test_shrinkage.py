"""What is to be expected of the largest of a family: nearly unbiased where plain values are far too large."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tapeline.statistics.shrinkage import ShrinkageEstimates, moderated_errors, shrinkage_estimates

Reals = NDArray[np.float64]
TESTS = 150


def expected(value: Reals, error: Reals, dof: float, asked: int | None = None) -> ShrinkageEstimates:
    every = np.ones(value.shape, dtype=bool)
    chosen = np.arange(value.size) == asked
    return shrinkage_estimates(value, error, np.full(value.shape, dof), 0.95, fitted=every, asked=chosen)


@pytest.mark.parametrize("dof", [3.0, np.inf])
@pytest.mark.parametrize(("mean", "spread"), [(0.0, 0.0), (-2.0, 0.0), (0.0, 0.3), (0.0, 1.0)])
def test_the_largest_is_nearly_unbiased(mean: float, spread: float, dof: float) -> None:
    """0.3 dB errors of their own. By its plain value the largest of so many is 0.2 to 0.8 dB too large."""
    plain, left = [], []
    for seed in range(60):
        random = np.random.default_rng(seed)
        true = mean + random.normal(0.0, spread, TESTS)
        value = true + random.normal(0.0, 0.3, TESTS)
        error = np.full(TESTS, 0.3)
        if np.isfinite(dof):
            error *= np.sqrt(random.chisquare(dof, TESTS) / dof)
        first = int(np.abs(value).argmax())
        sign = np.sign(value[first])
        plain.append(sign * (value[first] - true[first]))
        left.append(sign * (expected(value, error, dof).expected[first] - true[first]))
    assert np.mean(plain) > 0.15
    assert abs(np.mean(left)) < 0.16
    assert abs(np.mean(left)) < 0.6 * np.mean(plain)


def test_one_sure_difference_among_many_that_do_not_differ_stays() -> None:
    random = np.random.default_rng(3)
    value = random.normal(0.0, 0.3, TESTS)
    value[17] = 6.0
    found = expected(value, np.full(TESTS, 0.3), np.inf, asked=17)
    assert found.expected[17] == pytest.approx(6.0, abs=0.2)
    assert found.lower[17] > 5.0
    assert np.abs(np.delete(found.expected, 17)).max() < 0.5


def test_the_interval_reaches_zero_where_nothing_but_chance_is_there() -> None:
    random = np.random.default_rng(4)
    value = random.normal(0.0, 0.3, TESTS)
    value[17] = 1.05  # 3.5 standard errors: shown after adjusting, as in one family of twenty
    found = expected(value, np.full(TESTS, 0.3), np.inf, asked=17)
    assert found.lower[17] == 0.0
    assert found.upper[17] > found.expected[17] > 0.0


def test_one_absurd_difference_does_not_keep_the_others_from_being_shrunken() -> None:
    random = np.random.default_rng(5)
    value = random.normal(-1.0, 0.1, TESTS) + random.normal(0.0, 0.3, TESTS)
    value[17] = 40.0
    found = expected(value, np.full(TESTS, 0.3), np.inf)
    assert found.expected[17] > 30.0
    assert np.delete(found.expected, 17).std() < 0.2


def test_unknown_ones_stay_unknown_and_change_nothing() -> None:
    random = np.random.default_rng(6)
    value = random.normal(0.0, 1.0, TESTS)
    alone = expected(value, np.full(TESTS, 0.3), 5.0).expected
    more = expected(np.append(value, [np.nan, 1.0]), np.append(np.full(TESTS, 0.3), [0.3, np.nan]), 5.0).expected
    assert more[:-2] == pytest.approx(alone)
    assert np.isnan(more[-2:]).all()
    assert np.isnan(expected(np.array([1.0, np.nan]), np.full(2, 0.3), 5.0).expected).all()


def test_errors_that_differ_by_chance_alone_become_alike() -> None:
    random = np.random.default_rng(7)
    stated = 0.3 * np.sqrt(random.chisquare(3.0, 2000) / 3.0)
    error, dof = moderated_errors(stated, np.full(2000, 3.0), np.ones(2000, dtype=bool))
    assert error.std() < 0.05 * stated.std() + 0.02
    assert error.mean() == pytest.approx(0.3, abs=0.01)
    assert dof.min() > 50.0
