"""Pairs of repeats through the job: which pairs, on which lines, and what is called changed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from repeated_sessions import GivenRepeats

from tapeline.campaign.settings import Repeatability
from tapeline.jobs.repeat import RepeatRun
from tapeline.jobs.repeat.repeat_test_rows import pairs_of, repeat_test_rows
from tapeline.jobs.table_files import session_table
from tapeline.store import parquet, tables

AVERAGES, LINES = 2000.0, 800
RUNS = {f"june-open-{i}": (90.0, 70.0) for i in (1, 2, 3)} | {"june-shut-1": (80.0, 60.0)}


def written(results: Path, densities: dict[tuple[str, str], Any], correction_db: float | None = None) -> None:
    """A narrowband table of gamma distributed densities about those given; a size other than LINES is another grid."""
    random = np.random.default_rng(32)
    rows = []
    for (run, position), density in sorted(densities.items()):
        true = np.broadcast_to(density, (LINES,)) if np.ndim(density) == 0 else np.asarray(density)
        rows.append(
            {
                "run": run,
                "position": position,
                "first_hz": 20.0,
                "step_hz": 4.0,
                "effective_averages": AVERAGES,
                "nominal_correction_db": correction_db if run.endswith("2") else correction_db and 0.0,
                "psd_pa2_per_hz": (true * random.gamma(AVERAGES, 1.0 / AVERAGES, true.size)).astype(np.float32),
            }
        )
    path = session_table(results, tables.NARROWBAND.name, "june")
    parquet.write_rows(tables.NARROWBAND, path, rows, campaign="given", digest="none")


def found(results: Path, given: GivenRepeats) -> dict[tuple[str, str, str], dict[str, Any]]:
    every = [row for part in repeat_test_rows(given.job(), results) for row in part]
    return {(row["run_a"][-1], row["run_b"][-1], row["position"]): row for row in every}


def everywhere(density: Any = 1e-3) -> dict[tuple[str, str], Any]:
    return {(run, position): density for run in RUNS for position in ("p", "q")}


def campaign(
    odd: dict[str, np.ndarray | float] | None = None, conditions: int = 14
) -> tuple[dict[str, tuple[float, float]], dict[tuple[str, str], Any]]:
    """Pairs of repeats of many conditions whose levels scatter by 0.3 dB, and by 0.2 dB smoothly over frequency."""
    random = np.random.default_rng(44)
    octaves = np.log2((20.0 + 4.0 * np.arange(LINES)) / 20.0)
    runs, densities = {}, {}
    for c in range(conditions):
        for i in (1, 2):
            name = f"june-c{c:02d}-{i}"
            runs[name] = (90.0, 70.0)
            waves = [
                random.normal(0.0, 0.3) * f(octaves * k + random.uniform(0.0, 6.0))
                for k, f in ((1, np.sin), (2, np.cos))
            ]
            level_db = random.normal(0.0, 0.3) + np.sum(waves, axis=0) + (odd or {}).get(name, 0.0)
            for position in "pq":
                densities[name, position] = 1e-3 * 10 ** (level_db / 10.0)
    return runs, densities


def unusual(results: Path, odd: dict[str, np.ndarray | float] | None = None, conditions: int = 14) -> set[str]:
    runs, densities = campaign(odd, conditions)
    written(results, densities)
    rows = [row for part in repeat_test_rows(GivenRepeats(runs).job(), results) for row in part]
    assert not any(row["same"] for row in rows), "random error alone calls every pair different"
    return {row["condition"] for row in rows if row["as_usual"] is False}


def test_honest_scatter_names_no_pair_and_an_odd_run_is_named(tmp_path: Path) -> None:
    """0.3 dB of level, 0.2 dB of shape: 3 dB more level, or 3 dB in one octave (320 to 640 Hz), is told from that."""
    hz = 20.0 + 4.0 * np.arange(LINES)
    assert unusual(tmp_path) == set()
    assert unusual(tmp_path, {"june-c03-2": 3.0}) == {"c03"}
    assert unusual(tmp_path, {"june-c05-1": np.where((hz > 320.0) & (hz < 640.0), 3.0, 0.0)}) == {"c05"}


def test_few_repeats_tell_no_scatter(tmp_path: Path) -> None:
    """Six pairs leave five others."""
    runs, densities = campaign(conditions=6)
    written(tmp_path, densities)
    rows = [row for part in repeat_test_rows(GivenRepeats(runs).job(), tmp_path) for row in part]
    assert {row["independent_differences"] for row in rows} == {5}
    assert not any("as_usual" in row for row in rows)


def test_neighbours_and_the_first_are_paired_up_to_a_number() -> None:
    runs = [RepeatRun(str(i), "s", "open", 30.0, 0.0) for i in range(5)]
    names = [f"{a.run}{b.run}" for a, b in pairs_of(runs, 10)]
    assert names == ["01", "12", "02", "23", "03", "34", "04"]
    assert [f"{a.run}{b.run}" for a, b in pairs_of(runs, 2)] == ["01", "12"]
    assert pairs_of(runs[:1], 10) == []


def test_repeats_that_are_the_same_pass_at_each_position(tmp_path: Path) -> None:
    written(tmp_path, everywhere())
    rows = found(tmp_path, GivenRepeats(RUNS))
    assert set(rows) == {(a, b, p) for a, b in ("12", "23", "13") for p in "pq"}, "no pair across conditions"
    assert all(row["same"] and not row["changed"] for row in rows.values())
    assert {row["lines"] for row in rows.values()} == {LINES}
    assert all(row["adjusted_p_value"] >= row["p_value"] for row in rows.values())


def test_a_change_is_found_where_it_is_and_small_ones_are_not_called_changed(tmp_path: Path) -> None:
    tilted = 1e-3 * 10 ** (np.linspace(-0.06, 0.06, LINES))
    written(tmp_path, everywhere() | {("june-open-2", "p"): 1e-3 * 10**0.01, ("june-open-3", "q"): tilted})
    rows = found(tmp_path, GivenRepeats(RUNS, settings=Repeatability(excess_db=0.2)))
    louder, other = rows["1", "2", "p"], rows["2", "3", "q"]
    assert (louder["same"], louder["changed"]) == (False, False), "0.1 dB is certain and does not matter"
    assert louder["level_difference_db"] == pytest.approx(0.1, abs=0.02)
    assert louder["shape_p_value"] > 0.01
    assert (other["same"], other["changed"]) == (False, True)
    assert other["excess_db"] == pytest.approx(1.2 / np.sqrt(12.0), rel=0.1), "rms of a slope of 1.2 dB"
    assert other["shape_p_value"] < 1e-6
    assert rows["1", "2", "q"]["same"]


def test_what_speed_and_air_explain_is_no_change(tmp_path: Path) -> None:
    written(tmp_path, everywhere() | {("june-open-2", "p"): 1e-3 * 10**0.05}, correction_db=-0.5)
    row = found(tmp_path, GivenRepeats(RUNS))["1", "2", "p"]
    assert row["same"]
    assert row["level_basis"] == "nominal"
    assert not found(tmp_path, GivenRepeats(RUNS, settings=Repeatability(at_nominal=False)))["1", "2", "p"]["same"]


def test_unusable_channels_and_other_lines_are_not_tested(tmp_path: Path) -> None:
    written(tmp_path, everywhere() | {("june-open-2", "q"): np.full(LINES // 2, 1e-3)})
    rows = found(tmp_path, GivenRepeats(RUNS, unusable=frozenset({("june-open-1", "p")})))
    assert ("1", "2", "p") not in rows
    assert rows["1", "2", "q"]["not_tested"] == "other lines"
    assert "p_value" not in rows["1", "2", "q"]
    silent = np.where(np.arange(LINES) < 5, 1e-3, 0.0)
    written(tmp_path, everywhere() | {("june-open-3", "p"): silent})
    row = found(tmp_path, GivenRepeats(RUNS))["1", "3", "p"]
    assert (row["not_tested"], row["lines"]) == ("too few lines", 5)
