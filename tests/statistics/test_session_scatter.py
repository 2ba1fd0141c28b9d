"""How far sessions differ at each position, drawn to others as far as positions are alike; the error of a shift."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from long_evidence import few_or_many
from tapeline.arrays import Reals
from tapeline.statistics.comparison import ConditionMean, RunLevels, condition_mean
from tapeline.statistics.repeat_scatter import RepeatRows, Scatter, homogeneous_cells, no_scatter, scatter_by_position
from tapeline.statistics.session_scatter import SessionChange, ShiftError, session_change, session_scatter, shift_error
from tapeline.statistics.significance import student_p_value

POSITIONS, ITEMS, CELLS, SESSIONS = 5, 4, 6, 2
RANDOM_DB = 0.03
USUAL_DB = 0.05

Cells = list[list[RunLevels]]
"""Repeats by cell and session."""


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


def group(levels: Reals, random_db: float = RANDOM_DB) -> RunLevels:
    nothing, state = np.zeros(levels.shape), np.zeros(levels.shape, dtype=np.int8)
    return RunLevels(levels, nothing + random_db, nothing, np.full(levels.shape, np.nan), state)


def drawn(rng: np.random.Generator, first_db: float, alike: float, repeats: int = 2) -> Cells:
    """Cells of two sessions without a shift; the first has a scatter of its own, of which `alike` is common."""

    def one(sd: float) -> RunLevels:
        shape = (repeats, POSITIONS, ITEMS)
        run, own, error = rng.normal(size=(repeats, 1, ITEMS)), rng.normal(size=shape), rng.normal(size=shape)
        return group(80.0 + sd * (np.sqrt(alike) * run + np.sqrt(1.0 - alike) * own) + RANDOM_DB * error)

    return [[one(sd) for _ in range(SESSIONS)] for sd in [first_db] + [USUAL_DB] * (CELLS - 1)]


def scatter_of_first(cells: list[RunLevels]) -> Scatter:
    rows = [RepeatRows.of(runs.level_db, runs.random_db, np.isfinite(runs.upper_bound_db)) for runs in cells]
    rows = [row for row in rows if row.deviation_db.size]
    if not rows:
        return no_scatter(*cells[0].level_db.shape[1:])
    like = homogeneous_cells(rows)[0]
    return scatter_by_position(
        [row for row, kept in zip(rows, like, strict=True) if kept],
        np.eye(rows[0].random_variance.shape[1], dtype=bool),
    )


def error_of_first(cells: Cells) -> ShiftError:
    scatters = [scatter_of_first([runs[s] for runs in cells]) for s in range(SESSIONS)]
    first = np.zeros(cells[0][0].level_db.shape[1:], dtype=np.int64)
    return shift_error([condition_mean(runs) for runs in cells[0]], scatters, (first, first + 1))


def shown(cells: Cells, shift_db: float = 0.0) -> float:
    """Share of the first cell's shifts with p below 0.05."""
    error = error_of_first(cells)
    shift = condition_mean(cells[0][1]).mean_db - condition_mean(cells[0][0]).mean_db + shift_db
    return float(np.mean(student_p_value(shift / error.error_db, error.degrees_of_freedom) < 0.05))


@pytest.mark.parametrize(
    ("first_db", "alike", "least", "most"),
    [(USUAL_DB, 1.0, 0.02, 0.065), (USUAL_DB, 0.3, 0.02, 0.06), (0.25, 1.0, 0.01, 0.085), (0.25, 0.3, 0.01, 0.065)],
)
@pytest.mark.parametrize("campaigns", few_or_many(100, 400))
def test_false_shifts_are_rare(first_db: float, alike: float, least: float, most: float, campaigns: int) -> None:
    """Campaigns of 20 shifts, those of one item alike at all positions: of 400 one standard error is 0.5 % to 0.7 %.

    With one scatter for all cells a third of the shifts of one with five times the scatter of the others is shown.
    """
    rng = np.random.default_rng(17)
    assert least < np.mean([shown(drawn(rng, first_db, alike)) for _ in range(campaigns)]) < most


@pytest.mark.parametrize("campaigns", few_or_many(50, 200))
def test_true_shifts_are_found(campaigns: int) -> None:
    """0.2 dB with 0.05 dB scatter, two runs a session and six cells: twelve degrees of freedom of each position."""
    rng = np.random.default_rng(5)
    assert np.mean([shown(drawn(rng, USUAL_DB, 1.0), 0.2) for _ in range(campaigns)]) > 0.65
    assert np.mean([shown(drawn(rng, USUAL_DB, 0.3), 0.2) for _ in range(campaigns)]) > 0.75


def test_one_position_by_itself_may_scatter_more_than_its_session() -> None:
    """Four runs a session; one of twelve positions scatters ten times as much as all others, in every cell."""
    rng = np.random.default_rng(2)
    sd = np.full((12, 1), 0.05)
    sd[3] = 0.5
    cells = [[group(80.0 + sd * rng.normal(size=(4, 12, 1)), 0.01) for _ in range(2)] for _ in range(6)]
    found = error_of_first(cells)
    assert found.error_db[3, 0] == pytest.approx(0.5 * np.sqrt(2.0 / 4.0), rel=0.25)
    assert np.delete(found.error_db, 3, axis=0).max() < 0.08


def test_without_repeats_nothing_is_said() -> None:
    level = 80.0 + np.array([0.0, 0.3])[:, None, None] + np.zeros((2, 3, 1))
    found = error_of_first([[group(level), group(level)]])
    assert found.degrees_of_freedom == pytest.approx(2.0)
    assert found.error_db == pytest.approx(np.sqrt(0.3**2 / 2.0))
    single = error_of_first([[group(level[:1]), group(level[:1])]])
    assert np.isnan(single.error_db).all()
    assert np.isnan(single.degrees_of_freedom).all()
