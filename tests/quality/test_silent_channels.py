"""Channels that hear nothing are unusable; quiet, whistling and wrongly amplified ones are not taken for them."""

from __future__ import annotations

import pytest
from sessions_of_levels import FLOW_HZ, POSITIONS, RATE_HZ, codes, dead, edited, found_in, runs, session

from tapeline.quality.reasons import REASONS


def everywhere(run: str, code: str) -> dict[tuple[str, str], list[str]]:
    return {(run, position): [code] for position in POSITIONS}


@pytest.mark.parametrize("floor", [True, False])
@pytest.mark.parametrize("level_db", [1.0, 40.0, 72.0])
def test_one_dead_channel_of_one_run(floor: bool, level_db: float) -> None:
    rows = dead(session(runs("open", "sealed"), floor=floor), "open2", "p3", level_db)
    assert codes(rows) == {("open2", "p3"): ["silent"]}
    assert REASONS["silent"].verdict == "unusable"
    ((finding,),) = found_in(rows).values()
    assert "dB from what its other runs and the other positions let expect" in finding.sentence
    assert finding.sentence.endswith("it hears nothing")


def test_a_dead_channel_exactly_twenty_decibels_down_has_another_spectrum() -> None:
    """A gain leaves the spectrum's shape as it is; noise of electronics, or hum, has its own."""
    rows = session(runs("open"), scatter_db=0.1, floor=False)
    gain = edited(rows, "open2", "p3", by_db=-20.3)
    assert codes(gain) == {("open2", "p3"): ["gain-step"]}
    for hertz in (RATE_HZ / 4.0, 50.0):
        assert codes(edited(gain, "open2", "p3", frequency_hz=hertz)) == {("open2", "p3"): ["silent"]}
    assert codes(edited(rows, "open2", "p3", by_db=20.3)) == {("open2", "p3"): ["gain-step"]}


def test_twenty_decibels_of_gain_that_reach_the_floor_are_still_a_gain() -> None:
    rows = session(runs("open"), scatter_db=0.1, floor=False)
    level = next(row.level_db for row in rows if (row.run, row.position) == ("open2", "p3"))
    floors = [row for row in session(runs("open")) if row.run == "calm"]
    wrong = edited([*rows, *floors], "calm", "p3", level_db=level - 19.0)
    found = codes(edited(wrong, "open2", "p3", by_db=-20.0))
    assert set(found["open2", "p3"]) == {"gain-step", "at-floor"}
    assert codes(dead(wrong, "open2", "p3", level - 20.0)) == {("open2", "p3"): ["silent"]}


def test_a_run_whose_input_was_off() -> None:
    rows = session(runs("open", "sealed"))
    assert codes(dead(rows, "open2")) == everywhere("open2", "silent")
    assert codes(dead(session(runs("open"), floor=False), "open2")) == everywhere("open2", "silent")


def test_most_channels_of_a_run_dead_leave_the_live_ones_alone() -> None:
    rows = session(runs("open"))
    for position in POSITIONS[:4]:
        rows = dead(rows, "open2", position, 60.0)
    assert codes(rows) == {("open2", position): ["silent"] for position in POSITIONS[:4]}


def test_of_two_runs_the_silent_one_is_the_faulty_one() -> None:
    two = session(runs("open", repeats=2))
    assert codes(dead(two, "open2", "p3", 71.0)) == {("open2", "p3"): ["silent"]}
    assert codes(dead(two, "open1", level_db=71.0)) == everywhere("open1", "silent")
    other_conditions = session(runs("open", "sealed", repeats=2), floor=False)
    assert codes(dead(other_conditions, "open2", "p3", 60.0)) == {("open2", "p3"): ["silent"]}
    assert codes(edited(other_conditions, "open2", "p3", by_db=33.0)) == {
        ("open1", "p3"): ["outlier-level"],
        ("open2", "p3"): ["outlier-level"],
    }


def test_of_two_runs_alone_nobody_can_say_which_is_right() -> None:
    two = session(runs("open", repeats=2), floor=False)
    rows = edited(two, "open2", "p3", by_db=-33.0)
    assert codes(rows) == {("open1", "p3"): ["outlier-level"], ("open2", "p3"): ["outlier-level"]}


def test_a_channel_that_died_after_the_background_runs() -> None:
    rows = session(runs("open", "sealed", repeats=1))
    for run in ("open1", "sealed1"):
        rows = dead(rows, run, "p3", 45.0)
    assert codes(rows) == {("open1", "p3"): ["silent"], ("sealed1", "p3"): ["silent"]}


def test_a_single_run_below_its_own_background() -> None:
    """No repeats, no floor: the background run at the speed of the flow lies 40 dB above."""
    rows = session([("open1", "open", 28.0), ("sealed1", "sealed", 28.0), ("hood", "open", 28.0)], floor=False)
    rows = edited(rows, "hood", kind="background", condition=None, by_db=-12.0)
    assert codes(rows) == {}
    assert codes(dead(rows, "open1", level_db=48.0)) == everywhere("open1", "silent")
    assert codes(dead(rows, "open1", "p2", 48.0)) == {("open1", "p2"): ["silent"]}


def test_a_background_run_that_was_knocked_at_makes_no_channel_silent() -> None:
    rows = session(runs("open", "sealed"))
    loud = edited(rows, "calm", level_db=130.0)
    assert not any("silent" in found for found in codes(loud).values())
    one = edited(rows, "calm", "p3", level_db=130.0)
    assert not any("silent" in found for found in codes(one).values())


def test_a_shielded_position_is_sound() -> None:
    """25 dB quieter in all runs, at all speeds, with and without a floor."""
    measured = [(f"r{i}", "open", speed) for i, speed in enumerate((28.0, 28.0, 36.0, 36.0, 50.0))]
    for floor in (True, False):
        rows = session(measured, floor=floor, scatter_db=0.3)
        for run, _, _ in measured:
            rows = edited(rows, run, "p3", by_db=-25.0)
        assert codes(rows) == {}


def test_a_shielded_position_that_is_mostly_floor_is_not_silent() -> None:
    """It stays at 72 dB while the others rise by 20 dB over the speeds."""
    measured = [("r1", "open", 20.0), ("r2", "open", 20.0), ("r3", "open", 55.0)]
    rows = session(measured, floor=False)
    for run, _, _ in measured:
        rows = edited(rows, run, "p3", level_db=72.0)
    assert not any("silent" in found for found in codes(rows).values())


def test_a_seal_that_makes_one_position_much_quieter_is_sound() -> None:
    rows = session(runs("open", "sealed", repeats=2))
    for run in ("sealed1", "sealed2"):
        rows = edited(rows, run, "p3", by_db=-25.0, frequency_hz=2 * FLOW_HZ)
    assert codes(rows) == {}
    one_each = edited(session(runs("open", "sealed", repeats=1)), "sealed1", by_db=-25.0)
    assert codes(one_each) == {}


def test_a_whistle_that_stopped_in_one_run_is_no_silence() -> None:
    """A tone of 26 dB above all else at one position: without it the high frequencies are as they were."""
    rows = session(runs("open"), scatter_db=0.2, floor=False)
    for run in ("open1", "open3"):
        rows = edited(rows, run, "p3", by_db=26.0, frequency_hz=FLOW_HZ * 1.3 / 20.0)
    assert codes(rows) == {("open2", "p3"): ["outlier-level"]}


def test_one_or_two_positions_have_their_repeats_alone() -> None:
    for kept in (POSITIONS[:1], POSITIONS[:2]):
        rows = [row for row in session(runs("open")) if row.position in kept]
        assert codes(dead(rows, "open2", "p0", 60.0)) == {("open2", "p0"): ["silent"]}
        assert codes(rows) == {}


def test_a_dead_run_does_not_spoil_the_verdict_of_others() -> None:
    """Without the silent run two are left, and of their one difference nobody can say which is right."""
    rows = dead(session(runs("open"), scatter_db=0.1), "open2")
    rows = edited(rows, "open3", "p1", by_db=-8.0)
    found = codes(rows)
    assert found.pop(("open3", "p1")) == ["outlier-level"]
    assert found.pop(("open1", "p1")) == ["outlier-level"]
    assert found == everywhere("open2", "silent")


@pytest.mark.parametrize("seed", range(30))
def test_sound_sessions_have_no_silent_channel(seed: int) -> None:
    measured = [*runs("open", "sealed", repeats=1 + seed % 4), ("fast", "open", 50.0)]
    rows = session(measured, seed, scatter_db=0.7, floor=bool(seed % 2))
    assert codes(rows) == {}
