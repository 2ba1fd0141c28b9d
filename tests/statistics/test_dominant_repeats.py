"""Single runs that make most of a position's scatter: who they are, and the variance without them."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.arrays import Reals
from tapeline.statistics.dominant_repeats import dominant_repeats
from tapeline.statistics.effective_number import mean_correlation
from tapeline.statistics.repeat_scatter import RepeatRows

ALONE = np.eye(1, dtype=bool)


def repeats(*levels: float, bound: bool = False) -> RepeatRows:
    """One position and item."""
    values = np.array(levels, dtype=float)[:, None, None]
    return RepeatRows.of(values, np.zeros(values.shape), np.full(values.shape, bound))


def test_repeats_hold_their_squares_run_by_run() -> None:
    """Leaving a run out of 1, 2, 6 leaves 12.5, 12.5 and 0.5 of the sum of squares 14."""
    found = repeats(1.0, 2.0, 6.0)
    assert found.degrees_of_freedom[0, 0] == 2
    assert 14.0 - found.squares_of_runs_db2[:, 0, 0] == pytest.approx([8.0, 12.5, 0.5])
    assert (found.deviation_db**2).sum() == pytest.approx(14.0), "the independent deviations hold the same sum"
    assert repeats(1.0, 2.0, bound=True).squares_of_runs_db2.sum() == 0.0, "beside a bound nothing is said"


def test_the_run_that_is_off_dominates_and_the_rest_is_left() -> None:
    found = dominant_repeats([repeats(80.0, 80.1, 80.2, 83.0)], ALONE)
    assert found.largest[:, 0, 0].tolist() == [False, False, False, True]
    left = np.var([80.0, 80.1, 80.2], ddof=1) / np.var([80.0, 80.1, 80.2, 83.0], ddof=1)
    assert found.variance_share_left[0, 0] == pytest.approx(left)
    assert found.is_tested[0, 0]


def test_of_two_repeats_nothing_tells_which_is_off() -> None:
    found = dominant_repeats([repeats(80.0, 80.1, 80.0), repeats(70.0, 74.0)], ALONE)
    assert found.largest[:, 0, 0].tolist() == [False, False, False, True, True]
    assert not dominant_repeats([repeats(70.0, 74.0)], ALONE).is_tested[0, 0], "nothing would be left"


def _by_pairs(values: Reals, near: np.ndarray) -> float:
    """The definition, pair by pair."""
    crossed = own = 0.0
    for row in values:
        for j, k in np.argwhere(near & ~np.eye(len(near), dtype=bool)):
            crossed, own = crossed + row[j] * row[k], own + row[j] ** 2
    return float(min(max(crossed / own, 0.0), 1.0))


@pytest.mark.parametrize("shared", [0.0, 1.0, 3.0])
def test_one_mean_correlation_for_all_members_and_for_those_near_each_other(shared: float) -> None:
    random = np.random.default_rng(3)
    values = random.normal(size=(40, 6)) + shared * random.normal(size=(40, 1))
    known, every = np.ones(values.shape, dtype=bool), np.ones((6, 6), dtype=bool)
    assert mean_correlation(values, known, axis=1) == pytest.approx(_by_pairs(values, every))
    assert mean_correlation(values, known, axis=1, near=every) == pytest.approx(_by_pairs(values, every))
    near = np.abs(np.subtract.outer(np.arange(6), np.arange(6))) <= 1
    assert mean_correlation(values, known, axis=1, near=near) == pytest.approx(_by_pairs(values, near))


def test_a_single_member_tells_nothing_of_correlation() -> None:
    assert mean_correlation(np.ones((4, 1)), np.ones((4, 1), dtype=bool), axis=1) == 1.0
