"""Comparisons line by line, from narrowband tables with known densities."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_cubes import Given, Small

from tapeline.jobs.compare.line_difference_rows import line_difference_rows
from tapeline.jobs.table_files import session_table
from tapeline.statistics.significance import student_factor
from tapeline.store import parquet, tables

SEAM = {"seam": ("open", "taped")}
STEP_HZ, LINES, AVERAGES = 4.0, 500, 80.0
Density = float | np.ndarray


def runs_of(session: str = "a", change: float = -3.0, level: float = 80.0) -> list[Given]:
    return [
        Given(f"{session}-{condition}-{k}", (level + step, level + step))
        for condition, step in (("open", 0.0), ("taped", change))
        for k in range(2)
    ]


def written(results: Path, small: Small, special: Mapping[tuple[str, str], Mapping[str, Any]] | None = None) -> Path:
    """The narrowband tables of a campaign: densities as high as the levels; `special` replaces columns of spectra."""
    by_session: dict[str, list[dict[str, Any]]] = {}
    for one in small.runs:
        for position, level in zip(small.positions, one.levels, strict=True):
            density = np.full(LINES, 1e-10 * 10.0 ** (level / 10.0), dtype=np.float32)
            row: dict[str, Any] = {
                "run": one.run,
                "position": position,
                "first_hz": 100.0,
                "step_hz": STEP_HZ,
                "effective_averages": AVERAGES,
                "corrected_psd_pa2_per_hz": density,
            }
            row |= (special or {}).get((one.run, position), {})
            row.setdefault("psd_pa2_per_hz", row["corrected_psd_pa2_per_hz"])
            by_session.setdefault(one.run.split("-")[0], []).append(row)
    for session, rows in by_session.items():
        path = session_table(results, "narrowband", session)
        path.parent.mkdir(parents=True, exist_ok=True)
        parquet.write_rows(tables.NARROWBAND, path, rows, campaign="small", digest="none")
    return results


def rows_of(results: Path, small: Small) -> list[dict[str, Any]]:
    """The rows as the table holds them."""
    job = small.job()
    path = results / "lines.parquet"
    with parquet.writing_parts(tables.LINE_DIFFERENCES, path, campaign="small", digest="none") as writer:
        for part in line_difference_rows(results, job, "seam", small.compared(job, "seam")):
            writer.write_rows(part)
    found = parquet.read_rows(tables.LINE_DIFFERENCES, path)
    keys = [tuple(row[name] for name in tables.LINE_DIFFERENCES.own_key) for row in found]
    assert len(set(keys)) == len(keys)
    assert keys == sorted(keys, key=lambda key: (key[3], *key[1:3], *key[4:])), "in the table's order as a whole"
    return found


def test_a_known_difference(tmp_path: Path) -> None:
    small = Small(runs_of(), comparisons=SEAM)
    found = rows_of(written(tmp_path, small), small)
    assert [row["position"] for row in found] == ["p", "q"]
    row = found[0]
    assert (row["first_hz"], row["step_hz"], row["pairing"]) == (100.0, STEP_HZ, "same-session")
    assert row["difference_db"] == pytest.approx([-3.0] * LINES, abs=1e-4)
    assert (row["reference_runs"], row["treatment_runs"]) == (["a-open-0", "a-open-1"], ["a-taped-0", "a-taped-1"])
    assert len(row["lower_db"]) == len(row["upper_db"]) == LINES


def test_the_interval_is_never_narrower_than_random_error(tmp_path: Path) -> None:
    """4.343 dB / sqrt(80) of two runs on either side, with the normal law."""
    small = Small(runs_of(), comparisons=SEAM)
    row = rows_of(written(tmp_path, small), small)[0]
    random = 4.34294 / np.sqrt(AVERAGES)
    half = (np.array(row["upper_db"]) - np.array(row["lower_db"])) / 2.0
    assert (half >= 1.9599 * random - 1e-4).all()
    assert half == pytest.approx(np.full(LINES, 1.95996 * random), rel=0.02), "repeats are alike here"


def test_what_bands_show_beyond_random_error_is_in_it(tmp_path: Path) -> None:
    """Repeats 1 dB apart: the variance of the band's difference beyond its random error, and its degrees of freedom."""
    runs = [Given(one.run, tuple(x + int(one.run[-1]) for x in one.levels)) for one in runs_of()]
    small = Small(runs, comparisons=SEAM)
    row = rows_of(written(tmp_path, small), small)[0]
    result = small.compared(small.job(), "seam")[0].result
    whole, random = result.standard_error_db[0, 0] ** 2, result.terms["random error"][0][0, 0]
    rest, lines = whole - random, 4.34294**2 / AVERAGES
    dof = result.degrees_of_freedom[0, 0] * (rest / whole) ** 2
    together = dof * ((rest + lines) / rest) ** 2
    expected = student_factor(together, 0.95) * np.sqrt(rest + lines)
    assert row["upper_db"][0] - row["difference_db"][0] == pytest.approx(expected, rel=1e-4)


def test_another_line_spacing_is_left_out(tmp_path: Path) -> None:
    small = Small(runs_of(), comparisons=SEAM)
    other = {("a-taped-1", "p"): {"step_hz": 2.0 * STEP_HZ}}
    assert [row["position"] for row in rows_of(written(tmp_path, small, other), small)] == ["q"]
    shorter = {("a-taped-1", "p"): {"corrected_psd_pa2_per_hz": np.ones(LINES - 1, dtype=np.float32)}}
    assert [row["position"] for row in rows_of(written(tmp_path, small, shorter), small)] == ["q"]


def test_no_lines_at_all(tmp_path: Path) -> None:
    """A range without a line: nothing to say, and no error."""
    small = Small(runs_of(), comparisons=SEAM)
    none = {"first_hz": None, "corrected_psd_pa2_per_hz": np.zeros(0, dtype=np.float32)}
    everywhere = {(one.run, position): none for one in small.runs for position in small.positions}
    assert rows_of(written(tmp_path, small, everywhere), small) == []


def test_bounds_stay_without_a_value(tmp_path: Path) -> None:
    small = Small(runs_of(), comparisons=SEAM)
    density = np.full(LINES, 0.01, dtype=np.float32)
    density[:10] = np.nan
    row = rows_of(written(tmp_path, small, {("a-open-1", "p"): {"corrected_psd_pa2_per_hz": density}}), small)[0]
    for name in ("difference_db", "lower_db", "upper_db"):
        assert row[name][:10] == [None] * 10
        assert np.isfinite(row[name][10:]).all()


def test_lines_close_to_the_background_are_less_sure(tmp_path: Path) -> None:
    small = Small(runs_of(), comparisons=SEAM)
    total = np.full(LINES, 0.01, dtype=np.float32)
    total[:10] *= 2.0
    close = {
        (one.run, "p"): {"corrected_psd_pa2_per_hz": np.full(LINES, 0.01, np.float32), "psd_pa2_per_hz": total}
        for one in small.runs
    }
    row = rows_of(written(tmp_path, small, close), small)[0]
    width = np.array(row["upper_db"]) - np.array(row["lower_db"])
    assert (width[:10] > 2.0 * width[10:20]).all(), "twice by the subtraction, and what was subtracted"


def test_an_unusable_channel_is_left_out(tmp_path: Path) -> None:
    loud = {("a-open-1", "p"): {"corrected_psd_pa2_per_hz": np.full(LINES, 1e6, dtype=np.float32)}}
    small = Small(runs_of(), comparisons=SEAM, unusable=frozenset({("a-open-1", "p")}))
    row = rows_of(written(tmp_path, small, loud), small)[0]
    assert row["reference_runs"] == ["a-open-0"]
    assert row["difference_db"] == pytest.approx([-3.0] * LINES, abs=1e-4)
    gone = Small(runs_of(), comparisons=SEAM, unusable=frozenset({("a-open-0", "p"), ("a-open-1", "p")}))
    assert [row["position"] for row in rows_of(tmp_path, gone)] == ["q"]


def test_between_sessions(tmp_path: Path) -> None:
    runs = [one for one in runs_of("a") if "open" in one.run] + [one for one in runs_of("b") if "taped" in one.run]
    small = Small(runs, comparisons=SEAM)
    row = rows_of(written(tmp_path, small), small)[0]
    assert (row["session_label"], row["pairing"]) == ("a + b", "same-mount")
    assert row["difference_db"] == pytest.approx([-3.0] * LINES, abs=1e-4)


def test_more_positions_than_are_held_at_once(tmp_path: Path) -> None:
    names = tuple(f"p{k:02}" for k in range(19))
    runs = [
        Given(one.run, tuple(one.levels[0] + 0.1 * k * ("taped" in one.run) for k in range(19))) for one in runs_of()
    ]
    small = Small(runs, names, comparisons=SEAM)
    found = rows_of(written(tmp_path, small), small)
    assert [row["position"] for row in found] == list(names)
    assert [row["difference_db"][7] for row in found] == pytest.approx([-3.0 + 0.1 * k for k in range(19)], abs=1e-4)


def test_no_comparison_makes_no_row(tmp_path: Path) -> None:
    small = Small(runs_of())
    assert list(line_difference_rows(tmp_path, small.job(), "", [])) == [[]]
