"""Shifts between sessions: false ones are rare where one cell or one position scatters more than the others."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.arrays import Reals
from tapeline.statistics.comparison import RunLevels, condition_mean
from tapeline.statistics.repeat_scatter import RepeatRows, Scatter, homogeneous_cells, no_scatter, scatter_by_position
from tapeline.statistics.session_scatter import ShiftError, shift_error
from tapeline.statistics.significance import student_p_value

POSITIONS, ITEMS, CELLS, SESSIONS = 5, 4, 6, 2
RANDOM_DB = 0.03
USUAL_DB = 0.05

Cells = list[list[RunLevels]]
"""Repeats by cell and session."""


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
def test_false_shifts_are_rare(first_db: float, alike: float, least: float, most: float) -> None:
    """400 campaigns of 20 shifts, those of one item alike at all positions: one standard error is 0.5 % to 0.7 %.

    With one scatter for all cells a third of the shifts of one with five times the scatter of the others is shown.
    """
    rng = np.random.default_rng(17)
    assert least < np.mean([shown(drawn(rng, first_db, alike)) for _ in range(400)]) < most


def test_true_shifts_are_found() -> None:
    """0.2 dB with 0.05 dB scatter, two runs a session and six cells: twelve degrees of freedom of each position."""
    rng = np.random.default_rng(5)
    assert np.mean([shown(drawn(rng, USUAL_DB, 1.0), 0.2) for _ in range(200)]) > 0.65
    assert np.mean([shown(drawn(rng, USUAL_DB, 0.3), 0.2) for _ in range(200)]) > 0.75


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
