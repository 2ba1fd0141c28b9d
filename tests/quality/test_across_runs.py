"""What only shows beside other runs and channels, in tables of levels with planted faults."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.quality.across_runs import AcrossLimits, findings_across
from tapeline.quality.level_table import RunLevel, median_polish, off_repeats
from tapeline.quality.reasons import REASONS

LIMITS = AcrossLimits(odd_level_db=6.0, area_level_db=15.0, speed_level_db=3.0, silent_level_db=20.0)
POSITIONS = tuple(f"p{index}" for index in range(6))
RUNS = (("r1", 28.0), ("r2", 28.0), ("r3", 28.0), ("r4", 36.0), ("r5", 36.0), ("r6", 36.0))


def levels(seed: int = 1, runs: tuple[tuple[str, float], ...] = RUNS, scatter_db: float = 0.7) -> list[RunLevel]:
    """Levels that grow with the fifth power of speed; positions differ by some dB, repeats by their scatter."""
    random = np.random.default_rng(seed)
    own = random.uniform(-6.0, 6.0, len(POSITIONS))
    return [
        RunLevel(run, position, "measurement", "open", speed, 0.0, order, 100.0 + 50.0 * np.log10(speed / 28.0)
                 + own[index] + float(random.normal(0.0, scatter_db)), True)
        for order, (run, speed) in enumerate(runs)
        for index, position in enumerate(POSITIONS)
    ]  # fmt: skip


def changed(rows: list[RunLevel], run: str, position: str | None, decibels: float) -> list[RunLevel]:
    """The same with one channel, or all of one run, off by some decibels."""
    return [
        RunLevel(**{**vars_of(row), "level_db": row.level_db + decibels})
        if row.run == run and position in (None, row.position)
        else row
        for row in rows
    ]


def vars_of(row: RunLevel) -> dict[str, object]:
    return {name: getattr(row, name) for name in RunLevel.__dataclass_fields__}


def codes(rows: list[RunLevel], areas: dict[str, str] | None = None) -> dict[tuple[str, str], list[str]]:
    found = findings_across(rows, areas or {}, LIMITS)
    return {place: [finding.code for finding in findings] for place, findings in found.items()}


@pytest.mark.parametrize("seed", range(20))
def test_repeats_that_scatter_as_usual_give_no_reason(seed: int) -> None:
    assert codes(levels(seed), dict.fromkeys(POSITIONS, "seam")) == {}


def test_one_channel_off_in_one_run() -> None:
    rows = changed(levels(), "r2", "p3", -15.0)
    assert codes(rows) == {("r2", "p3"): ["outlier-level"]}
    (finding,) = findings_across(rows, {}, LIMITS)["r2", "p3"]
    assert finding.sentence.startswith("position p3: -1")
    assert finding.sentence.endswith("dB from what its other runs and the other positions let expect")


@pytest.mark.parametrize("step", [-20.0, 10.0, 20.0])
def test_a_usual_step_of_gain_is_named(step: float) -> None:
    rows = changed(levels(scatter_db=0.2), "r5", "p0", step)
    assert codes(rows) == {("r5", "p0"): ["gain-step"]}
    whole = changed(levels(scatter_db=0.2), "r5", None, step)
    assert codes(whole) == {("r5", position): ["gain-step"] for position in POSITIONS}
    (finding,) = findings_across(whole, {}, LIMITS)["r5", "p1"]
    assert f"a range change of {abs(step):g} dB that the tables do not name" in finding.sentence


def test_a_run_log_shifted_by_a_row() -> None:
    """Runs taken at 28 28 28 36 36 36 m/s, entered as 28 28 36 36 36 28: at 28 m/s one of three is 5.5 dB off."""
    shifted = (("r1", 28.0), ("r2", 28.0), ("r3", 36.0), ("r4", 36.0), ("r5", 36.0), ("r6", 28.0))
    truth = {(row.run, row.position): row.level_db for row in levels(scatter_db=0.3)}
    rows = [RunLevel(**{**vars_of(row), "level_db": truth[row.run, row.position]}) for row in levels(runs=shifted)]
    found = codes(rows)
    assert {run for run, _ in found} == {"r3", "r6"}
    assert {code for reasons in found.values() for code in reasons} <= {"off-speed", "gain-step"}


def test_of_two_repeats_that_differ_both_are_doubted() -> None:
    two = (("r1", 28.0), ("r2", 28.0), ("r3", 36.0), ("r4", 36.0))
    rows = changed(levels(runs=two, scatter_db=0.2), "r2", None, 4.5)
    assert {run for run, _ in codes(rows)} == {"r1", "r2"}


def test_a_position_far_from_its_area() -> None:
    areas = {"p0": "seam", "p1": "seam", "p2": "seam", "p3": "roof"}
    rows = levels()
    for run, _ in RUNS:
        rows = changed(rows, run, "p1", -30.0)
    assert codes(rows, areas) == {(run, "p1"): ["outlier-in-area"] for run, _ in RUNS}
    assert codes(rows, {"p1": "seam"}) == {}


def test_a_channel_that_shows_no_more_than_without_wind() -> None:
    calm = [RunLevel("calm", p, "background", None, 0.0, 0.0, 9, 70.0, True) for p in POSITIONS]
    rows = [RunLevel(**{**vars_of(r), "level_db": 71.0}) if r.position == "p4" else r for r in levels()]
    found = codes([*rows, *calm])
    assert {place for place, reasons in found.items() if "at-floor" in reasons} == {(run, "p4") for run, _ in RUNS}


def test_unusable_channels_are_no_evidence() -> None:
    rows = [RunLevel(**{**vars_of(r), "usable": r.run != "r2"}) for r in changed(levels(), "r2", None, 40.0)]
    assert codes(rows) == {}


def test_the_polish_of_a_table_of_a_textbook_kind() -> None:
    """Tukey (1977): an additive table comes apart without rest, and one odd cell stays in the rest."""
    cells = np.add.outer([10.0, 20.0, 40.0], [0.0, 1.0, 5.0])
    cells[1, 2] += 7.0
    rows, columns, rest = median_polish(cells)
    assert rows == pytest.approx([11.0, 21.0, 41.0])
    assert columns == pytest.approx([-1.0, 0.0, 4.0])
    expected = np.zeros((3, 3))
    expected[1, 2] = 7.0
    assert rest == pytest.approx(expected)
    missing = cells.copy()
    missing[0, 0] = np.nan
    assert np.isnan(median_polish(missing)[2][0, 0])


def test_a_single_run_off_the_line_of_five_speeds() -> None:
    speeds = [20.0, 25.0, 30.0, 35.0, 40.0]
    level = 50.0 * np.log10(np.array(speeds))
    level[3] += 6.0
    assert off_repeats(speeds, level.tolist()) == pytest.approx([0.0, 0.0, 0.0, 6.0, 0.0], abs=0.7)
    assert off_repeats(speeds[:3], level[:3].tolist()) == pytest.approx([0.0, 0.0, 0.0])


def test_a_slipped_run_log_names_the_runs_concerned() -> None:
    """Twelve runs up and down three speeds, entered one row late."""
    truth = [28.0, 36.0, 45.0, 45.0, 36.0, 28.0] * 2
    names = [f"r{index:02d}" for index in range(12)]
    rows = levels(runs=tuple(zip(names, truth, strict=True)), scatter_db=0.5)
    logged = dict(zip(names, [*truth[-1:], *truth[:-1]], strict=True))
    assert not any("log-shifted" in found for found in codes([with_log(row, row.speed_mps) for row in rows]).values())
    found = codes([with_log(row, logged[row.run]) for row in rows])
    concerned = {run for (run, _), reasons in found.items() if "log-shifted" in reasons}
    assert concerned >= {name for name, speed in zip(names, truth, strict=True) if logged[name] != speed}
    assert REASONS["log-shifted"].verdict == "doubtful"
    assert REASONS["log-shifted"].of_level
    sentences = findings_across([with_log(row, logged[row.run]) for row in rows], {}, LIMITS)["r05", "p1"]
    assert any("fit the row of the run after each: the log is off by one row there" in f.sentence for f in sentences)


def with_log(row: RunLevel, speed: float | None) -> RunLevel:
    return RunLevel(**{**vars_of(row), "speed_mps": speed, "logged_mps": speed})
