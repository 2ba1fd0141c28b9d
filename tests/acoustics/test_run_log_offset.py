"""Run logs that slipped by a row are told from sound sessions of any order."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics.run_log_offset import run_log_offset

LIMIT_DB = 3.0
SPEEDS_MPS = (20.0, 24.0, 28.0, 33.0, 36.0, 40.0, 45.0, 50.0)
Row = tuple[str, float]


def session(random: np.random.Generator, order: str, speeds: int, cells_sd_db: float) -> tuple[list[Row], list[float]]:
    """Rows of a log (condition, speed) and levels: one to three conditions that change them by up to 10 dB, one to four
    repeats that scatter by 0.3 dB, and by `cells_sd_db` what each condition does at each speed by itself."""
    chosen = np.sort(random.choice(SPEEDS_MPS, speeds, replace=False)).tolist()
    conditions = [f"c{index}" for index in range(random.integers(1, 4))]
    repeats = int(random.integers(1, 5))
    once = {"random": chosen, "ramp": chosen, "updown": [*chosen, *chosen[::-1]]}[order]
    rows = [(c, v) for c in conditions for _ in range(repeats) for v in once]
    if order == "random":
        rows = [rows[i] for i in random.permutation(len(rows))]
    effect = dict(zip(conditions, random.uniform(-10.0, 10.0, len(conditions)), strict=True))
    own = {row: float(random.normal(0.0, cells_sd_db)) for row in sorted(set(rows))}
    exponent = random.uniform(4.0, 7.0)
    levels = [float(effect[c] + 10.0 * exponent * np.log10(v) + own[c, v] + random.normal(0.0, 0.3)) for c, v in rows]
    return rows, levels


def shift_of(rows: list[Row], levels: list[float]):  # type: ignore[no-untyped-def]
    return run_log_offset(levels, [v for _, v in rows], [c for c, _ in rows], LIMIT_DB)


@pytest.mark.parametrize("order", ["random", "ramp", "updown"])
@pytest.mark.parametrize("cells_sd_db", [0.0, 3.0])
def test_sound_sessions_of_any_order_show_no_slip(order: str, cells_sd_db: float) -> None:
    random = np.random.default_rng(7)
    sound = [session(random, order, int(random.integers(1, 6)), cells_sd_db) for _ in range(150)]
    assert [rows for rows, levels in sound if shift_of(rows, levels) is not None] == []


@pytest.mark.parametrize("speeds", [2, 5])
def test_single_wrong_runs_are_no_slip(speeds: int) -> None:
    """One run of a session is 10 dB off, two others are exchanged: taken for a slip in 2 of 1500 such sessions."""
    random = np.random.default_rng(8)
    for _ in range(100):
        rows, levels = session(random, "random", speeds, 0.0)
        levels[int(random.integers(len(levels)))] += 10.0
        one, other = random.integers(len(levels), size=2)
        levels[one], levels[other] = levels[other], levels[one]
        assert shift_of(rows, levels) is None


@pytest.mark.parametrize("rows_on", [1, -1])
def test_a_slip_of_the_whole_log_is_found(rows_on: int) -> None:
    """Up and down over three speeds, twice: every row stands one too early, or too late."""
    truth = [("open", v) for v in (28.0, 36.0, 45.0, 45.0, 36.0, 28.0) * 2]
    random = np.random.default_rng(3)
    levels = [50.0 * np.log10(v) + random.normal(0.0, 0.3) for _, v in truth]
    logged = truth[-rows_on:] + truth[:-rows_on]
    found = shift_of(logged, levels)
    assert found is not None
    assert found.rows == rows_on
    assert found.slipped_rest_db < 0.5
    assert found.rest_db > 2.0
    differ = {i for i, (row, true) in enumerate(zip(logged, truth, strict=True)) if row != true}
    assert set(found.changed) >= differ


def test_a_slip_of_a_part_names_that_part() -> None:
    """Runs 4 to 11 of 16 were entered one row too early; the rows around them are right."""
    random = np.random.default_rng(5)
    speeds = [28.0, 36.0, 28.0, 45.0, 36.0, 28.0, 45.0, 28.0, 36.0, 45.0, 28.0, 36.0, 45.0, 36.0, 28.0, 45.0]
    truth = [("open", v) for v in speeds]
    levels = [50.0 * np.log10(v) + random.normal(0.0, 0.3) for v in speeds]
    logged = [*truth[:4], truth[11], *truth[4:11], *truth[12:]]
    found = shift_of(logged, levels)
    assert found is not None
    assert (found.start, found.stop, found.rows) == (4, 12, 1)
    assert set(found.changed) >= {i for i in range(16) if logged[i] != truth[i]}
    assert found.changed[0] >= 4
    assert found.changed[-1] <= 11


def test_most_slips_of_logs_in_random_order_are_found() -> None:
    random = np.random.default_rng(9)
    found = total = 0
    while total < 60:
        rows, levels = session(random, "random", 3, 0.0)
        if len(rows) >= 12:
            total += 1
            found += shift_of(rows[1:] + rows[:1], levels) is not None
    assert found >= 54
