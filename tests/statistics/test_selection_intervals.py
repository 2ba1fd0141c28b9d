"""Intervals after selection against their formula's limits, and whether they hold for what is picked."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray

from tapeline.statistics.selection_intervals import (
    least_sizes,
    miss_rate,
    picked_miss_rate,
    selected_ends,
    size_places,
    student_tail_factor,
)
from tapeline.statistics.significance import benjamini_hochberg, student_p_value

Reals = NDArray[np.float64]
FAMILIES = 400


def test_the_limits_of_the_formula() -> None:
    """Benjamini and Yekutieli 2005: all selected is the plain interval, one selected is Bonferroni's."""
    assert miss_rate([300, 1, 30], 300, 0.95) == pytest.approx([0.05, 0.05 / 300, 0.005])
    assert student_tail_factor([4.0, np.inf], 0.05) == pytest.approx(scipy.stats.t.ppf(0.975, [4.0, 1e9]))
    assert student_tail_factor(5.0, 1e-12) == pytest.approx(scipy.stats.t.isf(5e-13, 5.0))


def test_one_end_and_unknown_ones() -> None:
    ends = np.array([-1.0, np.nan, np.nan]), np.array([np.nan, 2.0, np.nan])
    lower, upper = selected_ends(ends, np.full(3, 0.5), np.full(3, np.inf), 0.95, 0.05 / 300)
    more = 0.5 * (scipy.stats.norm.isf(0.025 / 300) - scipy.stats.norm.isf(0.025))
    assert lower == pytest.approx([-1.0 - more, np.nan, np.nan], nan_ok=True)
    assert upper == pytest.approx([np.nan, 2.0 + more, np.nan], nan_ok=True)


def test_places_and_what_each_may_miss() -> None:
    size = least_sizes(
        np.array([-3.0, np.nan, 1.0, np.nan]),
        np.array([-4.0, 2.0, 0.0, np.nan]),
        np.array([-2.0, np.nan, 2.0, np.nan]),
    )
    assert size.tolist() == [3.0, 2.0, 1.0, 0.0]
    size[3] = np.nan
    places = size_places(size)
    assert places.tolist() == [1, 2, 3, 0]
    missed = picked_miss_rate(places, np.array([True, False, True, False]), 0.95)
    assert missed == pytest.approx([0.05 / 3, 0.1 / 3, 0.1 / 3, np.nan], nan_ok=True)


def families(seed: int, tests: int, mean: float, spread: float, dof: float, correlation: float) -> list[Reals]:
    """Truth, measured value and stated standard error, (families, tests); the true one is 0.3 dB."""
    random = np.random.default_rng(seed)
    shape = FAMILIES, tests
    true = mean + random.normal(0.0, spread, shape)
    common = np.sqrt(correlation) * random.normal(size=(FAMILIES, 1))
    error = 0.3 * (common + np.sqrt(1.0 - correlation) * random.normal(size=shape))
    stated = np.full(shape, 0.3)
    if np.isfinite(dof):
        stated *= np.sqrt(random.chisquare(dof, shape) / dof)
    return [true, true + error, stated]


@pytest.mark.parametrize("correlation", [0.0, 0.5])
@pytest.mark.parametrize("dof", [2.0, 8.0, np.inf])
@pytest.mark.parametrize(("mean", "spread"), [(-2.0, 0.0), (0.0, 0.0), (0.0, 0.3), (0.0, 1.0)])
def test_what_is_picked_is_covered(mean: float, spread: float, dof: float, correlation: float) -> None:
    """The largest, the first 3 and 10, and what is shown; 0.93 less two standard errors of so many families."""
    true, value, error = families(7, 120, mean, spread, dof, correlation)
    p = student_p_value(value / error, dof)
    shown = np.apply_along_axis(benjamini_hochberg, 1, p) <= 0.05
    places = size_places(np.abs(value))
    missed = picked_miss_rate(places, shown, 0.95)
    half = student_tail_factor(dof, 0.05) * error
    lower, upper = selected_ends((value - half, value + half), error, np.full(value.shape, dof), 0.95, missed)
    held = (lower <= true) & (true <= upper)
    for first in (1, 3, 10):
        assert held[places <= first].mean() > 0.93 - 0.025
    false = (~held & shown).sum(axis=1) / np.maximum(shown.sum(axis=1), 1)
    assert 1.0 - false.mean() > 0.93 - 0.025
    if dof == np.inf and spread == 0.0 and not correlation:
        plain = (np.abs(value - true) <= half)[places == 1]
        assert plain.mean() < 0.32
