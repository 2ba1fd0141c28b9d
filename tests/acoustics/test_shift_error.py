"""Shifts between sessions: false ones are rare where one cell scatters more than those it is pooled with."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics.comparison import RunLevels, cell_of
from tapeline.acoustics.scatter_sums import ScatterSums, pooled_scatter
from tapeline.acoustics.shift_error import ShiftError, shift_error
from tapeline.acoustics.statistics import student_p_value
from tapeline.acoustics.windows import Reals

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


def error_of_first(cells: Cells) -> ShiftError:
    sums = [[ScatterSums.of(runs[s]) for runs in cells] for s in range(SESSIONS)]
    none = ScatterSums.none(cells[0][0].level_db.shape[2])
    others = [(sum(own, none) - own[0]).scatter() for own in sums]
    of_cell = sum((own[0] for own in sums), none).scatter()
    first = np.zeros(cells[0][0].level_db.shape[1:], dtype=np.int64)
    return shift_error([cell_of(runs) for runs in cells[0]], others, of_cell, (first, first + 1))


def shown(cells: Cells, shift_db: float = 0.0) -> float:
    """Share of the first cell's shifts with p below 0.05."""
    error = error_of_first(cells)
    shift = cell_of(cells[0][1]).mean_db - cell_of(cells[0][0]).mean_db + shift_db
    return float(np.mean(student_p_value(shift / error.error_db, error.degrees_of_freedom) < 0.05))


def test_sums_of_groups_are_pooled_scatter_and_can_be_taken_apart() -> None:
    rng = np.random.default_rng(3)
    groups = [runs for cell in drawn(rng, 0.3, 0.4, 3) for runs in cell]
    none = ScatterSums.none(ITEMS)
    for found, groups_in_it in (
        (sum(map(ScatterSums.of, groups), none), groups),
        (sum(map(ScatterSums.of, groups), none) - ScatterSums.of(groups[0]), groups[1:]),
    ):
        pooled = pooled_scatter(groups_in_it, ITEMS)
        assert found.scatter().excess == pytest.approx(pooled.excess, rel=1e-9)
        assert found.scatter().degrees_of_freedom == pytest.approx(pooled.degrees_of_freedom, rel=1e-9)


@pytest.mark.parametrize(
    ("first_db", "alike", "least", "most"),
    [(USUAL_DB, 1.0, 0.02, 0.055), (USUAL_DB, 0.3, 0.025, 0.06), (0.25, 1.0, 0.03, 0.085), (0.25, 0.3, 0.03, 0.065)],
)
def test_false_shifts_are_rare(first_db: float, alike: float, least: float, most: float) -> None:
    """400 campaigns of 20 shifts, those of one item alike at all positions: one standard error is 0.5 % to 0.7 %.

    With the pool alone a third of the shifts of a cell with five times the scatter of the others is shown.
    """
    rng = np.random.default_rng(17)
    assert least < np.mean([shown(drawn(rng, first_db, alike)) for _ in range(400)]) < most


def test_true_shifts_are_found() -> None:
    """0.2 dB with 0.05 dB scatter, two runs a session: 82 % by the pool alone."""
    rng = np.random.default_rng(5)
    assert np.mean([shown(drawn(rng, USUAL_DB, 1.0), 0.2) for _ in range(200)]) > 0.65
    assert np.mean([shown(drawn(rng, USUAL_DB, 0.3), 0.2) for _ in range(200)]) > 0.75


def test_the_error_is_never_far_below_what_the_cell_itself_shows() -> None:
    """Two runs a session 1 dB apart at all positions, others within 0.01 dB: s = 0.71 dB, of two degrees of freedom."""
    quiet = [group(80.0 + np.array([0.0, 0.01])[:, None, None] + np.zeros((2, POSITIONS, 1))) for _ in range(2)]
    wild = [group(80.0 + np.array([0.0, 1.0])[:, None, None] + np.zeros((2, POSITIONS, 1))) for _ in range(2)]
    found = error_of_first([wild, *[quiet] * 5])
    assert found.own.all()
    assert found.error_db == pytest.approx(np.sqrt(0.5), rel=1e-3)
    assert found.degrees_of_freedom == pytest.approx(2.0, rel=1e-2)


def test_one_position_by_itself_may_scatter_more_than_its_cell() -> None:
    """Four runs a session; one of twelve positions scatters ten times as much as all others."""
    rng = np.random.default_rng(2)
    sd = np.full((12, 1), 0.05)
    sd[3] = 0.5
    odd, usual = ([group(80.0 + s * rng.normal(size=(4, 12, 1)), 0.01) for _ in range(2)] for s in (sd, 0.05))
    found = error_of_first([odd, *[usual] * 5])
    alone = np.mean([runs.level_db[:, 3, 0].var(ddof=1) for runs in odd])
    assert found.error_db[3, 0] == pytest.approx(np.sqrt(alone / 2.0), rel=1e-9)
    assert found.degrees_of_freedom[3, 0] == pytest.approx(6.0)


def test_without_any_other_repeats_the_cell_has_its_own_and_without_any_nothing_is_said() -> None:
    level = 80.0 + np.array([0.0, 0.3])[:, None, None] + np.zeros((2, 3, 1))
    found = error_of_first([[group(level), group(level[:1])]])
    assert found.degrees_of_freedom == pytest.approx(1.0, rel=0.03)
    assert found.error_db == pytest.approx(np.sqrt(0.3**2 / 2.0 * 1.5), rel=1e-3)
    single = error_of_first([[group(level[:1]), group(level[:1])]])
    assert np.isnan(single.error_db).all()
    assert np.isnan(single.degrees_of_freedom).all()
