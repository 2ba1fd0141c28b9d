"""How far sessions differ at each position: measured without bias, drawn to others as far as positions are alike."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.statistics.comparison import ConditionMean, RunLevels, Scatter, condition_mean
from tapeline.statistics.session_scatter import SessionChange, session_change, session_scatter


def alone(items: int) -> NDArray[np.bool_]:
    return np.eye(items, dtype=bool)


RUN_SD_DB, SESSION_SD_DB = 0.3, 0.8


def repeats(levels: Reals) -> ConditionMean:
    """Levels of shape (runs, positions, items) without a known random error."""
    nothing = np.zeros(levels.shape)
    return condition_mean(RunLevels(levels, nothing, nothing, np.full(levels.shape, np.nan), nothing.astype(np.int8)))


def changes(
    random: np.random.Generator, sessions: int, positions: int, items: int, alike: float
) -> list[SessionChange]:
    """All pairs of sessions with one condition of two runs; a share `alike` of the sessions' variance is everywhere."""
    scatter = Scatter(np.full(items, RUN_SD_DB**2), np.full(items, 50.0))
    cells = []
    for _ in range(sessions):
        common, own = random.normal(0.0, 1.0, (1, items)), random.normal(0.0, 1.0, (positions, items))
        level = 80.0 + SESSION_SD_DB * (np.sqrt(alike) * common + np.sqrt(1.0 - alike) * own)
        cells.append(repeats(level + random.normal(0.0, RUN_SD_DB, (2, positions, items))))
    return [session_change([pair], (scatter, scatter)) for pair in itertools.combinations(cells, 2)]


@pytest.mark.parametrize("sessions", [2, 3, 5])
def test_the_variance_of_sessions_is_found_without_bias(sessions: int) -> None:
    random = np.random.default_rng(4)
    found = [
        session_scatter(changes(random, sessions, 6, 10, 0.0), np.full(6, sessions - 1.0), alone(10)).variance_db2
        for _ in range(200)
    ]
    error = np.std([part.mean() for part in found]) / np.sqrt(len(found))
    assert np.mean(found) == pytest.approx(SESSION_SD_DB**2, abs=4.0 * float(error))


def test_repeats_do_not_pass_as_a_change_between_sessions() -> None:
    """Sessions that differ by their repeats alone: what is left is nothing, for all their number."""
    random = np.random.default_rng(6)
    cells = [repeats(80.0 + random.normal(0.0, 0.5, (2, 400, 1))) for _ in range(4)]
    scatter = Scatter(np.array([0.25]), np.array([50.0]))
    parts = [session_change([pair], (scatter, scatter)) for pair in itertools.combinations(cells, 2)]
    assert session_scatter(parts, np.full(400, 3.0), alone(1)).variance_db2.max() < 0.02


def test_a_position_that_is_hard_to_fit_anew_has_its_own_scatter() -> None:
    """Eleven positions that change by 0.1 dB and one that changes by 2 dB, over six sessions."""
    random = np.random.default_rng(5)
    sd = np.array([2.0, *[0.1] * 11])[:, None]
    levels = [repeats(80.0 + sd * random.normal(size=(12, 1)) + np.zeros((2, 12, 1))) for _ in range(6)]
    nothing = Scatter(np.zeros(1), np.array([50.0]))
    parts = [session_change([pair], (nothing, nothing)) for pair in itertools.combinations(levels, 2)]
    found = session_scatter(parts, np.full(12, 5.0), alone(1))
    own = np.array([level.mean_db for level in levels]).var(axis=0, ddof=1)
    assert found.variance_db2[0, 0] > 0.5 * own[0, 0]
    assert found.variance_db2[1:].max() < 0.2


def test_positions_that_change_alike_share_what_they_know() -> None:
    random = np.random.default_rng(6)
    found = session_scatter(changes(random, 3, 40, 1, 0.0), np.full(40, 2.0), alone(1))
    assert found.changes.min() > 20.0
    assert np.ptp(found.variance_db2) < 0.3 * SESSION_SD_DB**2


def test_a_position_alone_has_its_own_change() -> None:
    change = SessionChange(np.array([[2.0]]), np.array([[4.0]]), np.array([[0.5]]))
    found = session_scatter([change], np.ones(1), alone(1))
    assert (found.variance_db2[0, 0], found.changes[0, 0]) == (pytest.approx(1.75), 1.0)
    assert found.degrees_of_freedom[0, 0] == pytest.approx((1.75 / 2.0) ** 2)


def test_positions_that_move_together_count_as_few() -> None:
    random = np.random.default_rng(9)
    apart, together = (
        np.mean(
            [session_scatter(changes(random, 3, 8, 12, alike), np.full(8, 2.0), alone(12)).changes for _ in range(40)]
        )
        for alike in (0.0, 1.0)
    )
    assert apart > 12.0
    assert 2.0 <= together < 2.6


def test_nothing_measured_twice_says_nothing() -> None:
    found = session_scatter([], np.zeros(3), alone(2))
    assert not found.changes.any() and not found.variance_db2.any() and not found.degrees_of_freedom.any()
    unknown = np.full((3, 2), np.nan)
    found = session_scatter([SessionChange(unknown, unknown, unknown)], np.ones(3), alone(2))
    assert not found.changes.any() and not found.variance_db2.any()


def test_what_a_session_does_to_all_conditions_counts_once() -> None:
    """Ten conditions that moved alike are one change, whose noise is that of their mean square."""
    one = (repeats(np.full((2, 4, 1), 80.0)), repeats(np.full((2, 4, 1), 81.0)))
    scatter = Scatter(np.array([0.04]), np.array([50.0]))
    found = [session_change([one] * count, (scatter, scatter)) for count in (1, 10)]
    assert [part.squares_db2[0, 0] for part in found] == [1.0, 1.0]
    assert [part.noise_db2[0, 0] for part in found] == pytest.approx([0.04, 0.04])


def test_near_bands_are_pooled_and_count_as_far_as_they_move_alone() -> None:
    random = np.random.default_rng(12)
    near = np.ones((12, 12), dtype=bool)
    parts = changes(random, 3, 6, 12, 0.0)
    by_itself, together = (session_scatter(parts, np.full(6, 2.0), which) for which in (alone(12), near))
    assert together.variance_db2[:, 0] == pytest.approx(by_itself.variance_db2.mean(axis=1), rel=0.3)
    assert np.all(together.changes > 6.0 * by_itself.changes)
    same = [SessionChange(*(np.repeat(part[:, :1], 12, axis=1) for part in (c.mean_db, c.squares_db2, c.noise_db2)))
            for c in parts]  # fmt: skip
    by_itself, together = (session_scatter(same, np.full(6, 2.0), which) for which in (alone(12), near))
    assert together.changes == pytest.approx(by_itself.changes)
    assert together.variance_db2 == pytest.approx(by_itself.variance_db2)
