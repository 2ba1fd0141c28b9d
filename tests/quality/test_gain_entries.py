"""Gains in the run table that the run's repeats contradict."""

from __future__ import annotations

import pytest
from sessions_of_levels import POSITIONS, codes, dead, edited, found_in, runs, session

from tapeline.quality.reasons import REASONS


@pytest.mark.parametrize("gain_db", [10.0, 30.0, 40.0, 24.5])
def test_a_row_whose_gain_is_not_the_one_that_was_set(gain_db: float) -> None:
    """Fittings say 20 dB and so were all runs recorded; one row says another, by which its levels are off."""
    rows = edited(session(runs("open", "sealed")), "open2", gain_db=gain_db, by_db=20.0 - gain_db)
    assert codes(rows) == {("open2", position): ["gain-contradicted"] for position in POSITIONS}
    (finding,) = found_in(rows)["open2", "p1"]
    assert finding.sentence == (
        f"position p1: the run's row says {gain_db:g} dB, the fitting 20 dB; with 20 dB it agrees with its repeats"
    )
    assert REASONS["gain-contradicted"].verdict == "unusable"


def test_a_row_that_is_right_is_not_touched() -> None:
    """The run was recorded with 30 dB, its row says so, its levels agree."""
    assert codes(edited(session(runs("open")), "open2", gain_db=30.0)) == {}


def test_one_channel_that_kept_its_own_gain() -> None:
    """The row's 20 dB hold for all but p3, whose conditioner stood at the fitting's 30 dB."""
    rows = session(runs("open"))
    for run in ("open1", "open2", "open3"):
        rows = edited(rows, run, "p3", fitted_gain_db=30.0)
    rows = edited(edited(rows, "open2", gain_db=20.0), "open2", "p3", by_db=10.0)
    assert codes(rows) == {("open2", "p3"): ["gain-contradicted"]}
    assert "the run's row says 20 dB, the fitting 30 dB; with 30 dB" in found_in(rows)["open2", "p3"][0].sentence


def test_of_two_runs_the_one_with_a_gain_of_its_own_is_the_suspect() -> None:
    two = session(runs("open", repeats=2), floor=False)
    rows = edited(two, "open1", gain_db=30.0, by_db=-10.0)
    assert codes(rows) == {("open1", position): ["gain-contradicted"] for position in POSITIONS}
    without = edited(two, "open1", by_db=-10.0)
    assert codes(without) == {(run, p): ["gain-step"] for run in ("open1", "open2") for p in POSITIONS}


def test_a_step_that_the_rows_gain_does_not_explain_stays_a_doubt() -> None:
    rows = edited(session(runs("open"), scatter_db=0.2), "open2", gain_db=26.0, by_db=-20.0)
    assert codes(rows) == {("open2", position): ["gain-step"] for position in POSITIONS}
    assert REASONS["gain-step"].verdict == "doubtful"


def test_where_most_rows_differ_from_the_fittings_nobody_can_say_who_is_right() -> None:
    """Two rows say 30 dB, one says nothing: the fitting's 20 dB."""
    rows = session(runs("open"), scatter_db=0.2)
    for run in ("open2", "open3"):
        rows = edited(rows, run, gain_db=30.0, by_db=-10.0)
    found = found_in(rows)
    assert {run for run, _ in found} == {"open1", "open2", "open3"}
    assert {finding.code for findings in found.values() for finding in findings} == {"gain-step"}
    assert "the run's row says 30 dB, the fitting 20 dB; run open1 has no row" in found["open2", "p1"][0].sentence


def test_a_dead_channel_is_not_explained_by_a_gain() -> None:
    rows = session(runs("open"), scatter_db=0.2, floor=False)
    level = next(row.level_db for row in rows if (row.run, row.position) == ("open2", "p3"))
    rows = dead(edited(rows, "open2", gain_db=20.0), "open2", "p3", level - 22.0)
    for run in ("open1", "open2", "open3"):
        rows = edited(rows, run, "p3", fitted_gain_db=-2.0)
    assert codes(rows) == {("open2", "p3"): ["silent"]}


def test_a_contradicted_run_is_no_evidence_for_others() -> None:
    """Of three runs one has a wrong row, another one odd channel: both are named, the third one's doubt is mutual."""
    rows = edited(session(runs("open"), scatter_db=0.2), "open1", gain_db=30.0, by_db=-10.0)
    found = codes(edited(rows, "open2", "p4", by_db=8.0))
    assert all(found["open1", position] == ["gain-contradicted"] for position in POSITIONS)
    assert found["open2", "p4"] == ["outlier-level"]
