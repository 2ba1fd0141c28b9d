"""Differences: intervals that cover, one-sided statements for bounds, the right words."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.statistics.comparison import (
    RunLevels,
    Scatter,
    condition_mean,
    difference,
    findings,
)
from tapeline.statistics.repeat_scatter import RepeatRows, no_scatter, scatter_by_position

NOTHING: dict[str, tuple[np.ndarray, np.ndarray]] = {}


def repeats(levels: np.ndarray, random_db: float, bound: np.ndarray | None = None) -> RunLevels:
    """Levels of shape (runs, positions, items); where `bound`, the value is an upper bound."""
    is_bound = np.zeros(levels.shape, dtype=bool) if bound is None else bound
    return RunLevels(
        np.where(is_bound, np.nan, levels),
        np.full(levels.shape, random_db),
        np.zeros(levels.shape),
        np.where(is_bound, levels, np.nan),
        np.zeros(levels.shape, dtype=np.int8),
    )


def rows_of(runs: RunLevels) -> RepeatRows:
    return RepeatRows.of(runs.level_db, runs.random_db, np.isfinite(runs.upper_bound_db))


@pytest.mark.parametrize(("random_db", "common_db", "own_db"), [(0.3, 0.0, 0.0), (0.1, 0.0, 0.3), (0.1, 0.3, 0.0)])
@pytest.mark.parametrize("n", [2, 3])
def test_intervals_cover(random_db: float, common_db: float, own_db: float, n: int) -> None:
    """95 % intervals over simulated campaigns: no excess scatter, one of each position, a common one."""
    random = np.random.default_rng(11)
    campaigns, positions, points = 400, 6, 3
    covered = []
    for _ in range(campaigns):
        groups = []
        for _ in range(2 * points):
            levels = random.normal(0.0, random_db, (n, positions, 1)) + random.normal(0.0, own_db, (n, positions, 1))
            groups.append(repeats(80.0 + levels + random.normal(0.0, common_db, (n, 1, 1)), random_db))
        scatter = scatter_by_position([rows_of(group) for group in groups], np.eye(1, dtype=bool))
        first, second = condition_mean(groups[0]), condition_mean(groups[1])
        found = difference(first, second, (scatter, scatter), NOTHING, 0.95, same_background=True, one_pool=True)
        covered.append((found.lower_db <= 0.0) & (found.upper_db >= 0.0))
    share = float(np.mean(covered))
    assert 0.93 < share < 0.995


def test_without_repeats_only_random_error_is_left() -> None:
    one = condition_mean(repeats(np.full((1, 1, 1), 80.0), 0.2))
    scatter = no_scatter(1, 1)
    found = difference(one, one, (scatter, scatter), NOTHING, 0.95, same_background=True, one_pool=True)
    assert found.basis[0, 0] == 0
    assert found.standard_error_db[0, 0] == pytest.approx(0.2 * np.sqrt(2.0))


def test_the_background_of_both_cells_does_not_count_twice() -> None:
    scatter = Scatter(np.zeros((1, 1)), np.array([[10.0]]))
    cell = condition_mean(
        RunLevels(*(np.full((2, 1, 1), v) for v in (80.0, 0.1, 0.3, np.nan)), np.zeros((2, 1, 1), np.int8))
    )
    same = difference(cell, cell, (scatter, scatter), NOTHING, 0.95, same_background=True, one_pool=True)
    apart = difference(cell, cell, (scatter, scatter), NOTHING, 0.95, same_background=False, one_pool=False)
    assert same.standard_error_db[0, 0] == pytest.approx(0.1)
    assert apart.standard_error_db[0, 0] == pytest.approx(np.sqrt(0.01 + 0.18))


def test_a_bound_gives_a_one_sided_statement() -> None:
    scatter = Scatter(np.zeros((1, 1)), np.array([[10.0]]))
    value = condition_mean(repeats(np.full((2, 1, 1), 80.0), 0.1))
    bound = condition_mean(repeats(np.full((2, 1, 1), 70.0), 0.1, np.array([True, False]).reshape(2, 1, 1)))
    treated = difference(value, bound, (scatter, scatter), NOTHING, 0.95, same_background=True, one_pool=True)
    assert np.isnan(treated.difference_db[0, 0])
    assert np.isnan(treated.lower_db[0, 0])
    assert -10.0 < treated.upper_db[0, 0] < -9.0
    reference = difference(bound, value, (scatter, scatter), NOTHING, 0.95, same_background=True, one_pool=True)
    assert np.isnan(reference.upper_db[0, 0])
    assert 9.0 < reference.lower_db[0, 0] < 10.0
    both = difference(bound, bound, (scatter, scatter), NOTHING, 0.95, same_background=True, one_pool=True)
    assert np.isnan(both.lower_db[0, 0])
    assert np.isnan(both.upper_db[0, 0])
    assert findings(treated, np.full((1, 1), np.nan), 0.95, 0.5)[0, 0] == "bound"


def test_a_condition_of_bounds_only_still_gives_a_statement() -> None:
    scatter = Scatter(np.zeros((1, 1)), np.array([[10.0]]))
    value = condition_mean(repeats(np.full((2, 1, 1), 78.1), 0.1))
    bounds = condition_mean(repeats(np.full((2, 1, 1), 71.5), 0.1, np.ones((2, 1, 1), dtype=bool)))
    found = difference(bounds, value, (scatter, scatter), NOTHING, 0.95, same_background=True, one_pool=True)
    assert 6.3 < found.lower_db[0, 0] < 6.6
    assert np.isnan(found.upper_db[0, 0])
    assert findings(found, np.full((1, 1), np.nan), 0.95, 0.5)[0, 0] == "bound"


@pytest.mark.parametrize(
    ("change", "error", "word"),
    [
        (-3.0, 0.1, "lower"),
        (3.0, 0.1, "higher"),
        (0.1, 0.05, "equivalent"),
        (0.6, 0.9, "not shown"),
        (-0.9, 0.02, "lower"),
    ],
)
def test_words(change: float, error: float, word: str) -> None:
    scatter = Scatter(np.zeros((1, 1)), np.array([[50.0]]))
    reference, treatment = (
        condition_mean(repeats(np.full((2, 1, 1), level), error)) for level in (80.0, 80.0 + change)
    )
    found = difference(reference, treatment, (scatter, scatter), NOTHING, 0.95, same_background=True, one_pool=True)
    assert findings(found, found.p_value, 0.95, 0.5)[0, 0] == word
