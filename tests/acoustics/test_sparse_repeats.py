"""Intervals of the smallest campaigns: one operating point, two or three repeats."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.statistics.comparison import RunLevels, condition_mean, difference
from tapeline.statistics.repeat_scatter import RepeatRows, scatter_by_position

CAMPAIGNS = 4000
CONFIDENCE = 0.95


def covered(repeats: int, random_db: float, own_db: float) -> float:
    """Share of 95 % intervals of one position at one operating point that hold the true difference of 0 dB."""
    random = np.random.default_rng(31)
    hits = 0
    for _ in range(CAMPAIGNS):
        groups = []
        for _ in range(2):
            levels = 80.0 + np.hypot(random_db, own_db) * random.normal(size=(repeats, 1, 1))
            nothing = np.zeros(levels.shape)
            unbounded = np.full(levels.shape, np.nan)
            groups.append(RunLevels(levels, nothing + random_db, nothing, unbounded, nothing.astype(np.int8)))
        rows = [RepeatRows.of(group.level_db, group.random_db, np.isfinite(group.upper_bound_db)) for group in groups]
        scatter = scatter_by_position(rows, np.eye(1, dtype=bool))
        cells = [condition_mean(group) for group in groups]
        found = difference(*cells, (scatter, scatter), {}, CONFIDENCE, same_background=True, one_pool=True)
        hits += int(found.lower_db[0, 0] <= 0.0 <= found.upper_db[0, 0])
    return hits / CAMPAIGNS


@pytest.mark.long
@pytest.mark.parametrize("repeats", [2, 3])
def test_intervals_cover_without_excess_scatter(repeats: int) -> None:
    """4000 campaigns know a share of 0.95 within 0.0034; five of these are a false alarm in three million."""
    assert covered(repeats, 0.3, 0.0) > CONFIDENCE - 5 * 0.0034


@pytest.mark.long
@pytest.mark.parametrize(("repeats", "random_db", "own_db"), [(2, 0.1, 0.42), (3, 0.2, 0.25)])
def test_intervals_cover_with_excess_scatter(repeats: int, random_db: float, own_db: float) -> None:
    """Two degrees of freedom in all: an excess that cannot fall below zero costs the smallest campaign up to 2 %."""
    assert covered(repeats, random_db, own_db) > CONFIDENCE - 0.025
