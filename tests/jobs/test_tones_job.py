"""The job `tones` on given spectra: whose tones these are, in how many repeats, and what is kept out."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from session_of_spectra import LINES, STEP_HZ, GivenSession, made

from tapeline.arrays import Reals
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.table_files import campaign_table
from tapeline.jobs.tones import JOB, needs
from tapeline.jobs.tones import run as tones
from tapeline.store import parquet, tables

if TYPE_CHECKING:
    from tapeline.store.rows import QualityRow

HZ = STEP_HZ * np.arange(LINES)
LOBE = np.array([1.0 / 6.0, 2.0 / 3.0, 1.0 / 6.0])
"""What a Hann window makes of the power of a tone on a line."""

RUNS = {
    "r0": "measurement,one,open,20,20.1",
    "r1": "measurement,one,open,20,19.9",
    "s0": "measurement,one,taped,20,20.0",
    "b": "background,one,,20,20.0",
}


def spectrum(*lines: tuple[float, float], floor: float = 1e-3) -> Reals:
    """Noise of `floor` Pa^2/Hz with tones: pairs of a line's frequency and a mean square in Pa^2."""
    psd = np.full(LINES, floor)
    for hz, square in lines:
        at = round(hz / STEP_HZ)
        psd[at - 1 : at + 2] += square * LOBE / STEP_HZ
    return psd


def given(psd: Mapping[str, Reals], runs: Mapping[str, str] = RUNS, **more: object) -> GivenSession:
    of_runs = {(run, "p"): psd.get(run, spectrum(floor=1e-4 if run.startswith("b") else 1e-3)) for run in runs}
    return GivenSession(("p",), runs, of_runs, **more)  # type: ignore[arg-type]


def found(folder: Path, session: GivenSession, verdicts: Mapping[tuple[str, str], str] | None = None) -> Path:
    """The folder of tables that the job made."""
    made(folder, session)
    plan = Plan(load_campaign(folder, check=False))
    quality: list[QualityRow] = [
        {"run": run, "session": "one", "position": at, "channel": 1, "verdict": verdict, "reasons": ["hum"]}
        for (run, at), verdict in (verdicts or {}).items()
    ]
    path = campaign_table(plan.results, "quality")
    parquet.write_rows(tables.QUALITY, path, quality, campaign="given", digest="none")
    tones.run(plan)
    return path.parent


def table(folder: Path, name: str = "tones") -> pd.DataFrame:
    rows = pd.read_parquet(folder / f"{name}.parquet")
    return rows.astype(object).where(rows.notna(), None)


def test_a_tone_of_the_source_and_the_fan_of_the_tunnel(tmp_path: Path) -> None:
    fan, own = (200.0, 0.4), (1000.0, 0.5)
    session = given({"r0": spectrum(fan, own), "r1": spectrum(fan, own), "b": spectrum(fan, floor=1e-4)})
    rows = table(found(tmp_path, session)).set_index(["run", "frequency_hz"])
    of_run = rows.loc["r0"]
    assert of_run.index.tolist() == pytest.approx([200.0, 1000.0], abs=0.01)
    assert of_run.own.tolist() == [False, True]
    assert of_run.not_own.tolist() == ["background", None]
    assert of_run.in_background.tolist() == [True, False]
    assert of_run.level_db.tolist() == pytest.approx((10.0 * np.log10(np.array([0.4, 0.5]) / 4e-10)).tolist(), abs=0.05)
    assert of_run.background_level_db.iloc[0] == pytest.approx(10.0 * np.log10(0.4 / 4e-10), abs=0.05)
    assert of_run.frequency_per_speed_per_m.iloc[1] == pytest.approx(1000.0 / 20.1, rel=1e-4)
    assert (of_run.repeat_runs.tolist(), of_run.repeat_runs_with_it.tolist()) == ([2, 2], [2, 2])
    assert rows.loc["b"].not_own.tolist() == ["background run"]
    assert "s0" not in rows.index.get_level_values("run")


def test_hum_without_a_background_is_not_the_sources_own(tmp_path: Path) -> None:
    runs = {name: row for name, row in RUNS.items() if name != "b"}
    rows = table(found(tmp_path, given({"r0": spectrum((152.0, 0.4), (200.0, 0.4), (720.0, 0.4))}, runs)))
    assert rows.mains_order.tolist()[1] == 4
    assert rows.not_own.tolist() == [None, "mains", None]
    assert rows.in_background.tolist() == [None] * 3
    assert rows.repeat_runs_with_it.tolist() == [1, 1, 1]


def test_a_tone_far_above_the_backgrounds_is_the_sources_own(tmp_path: Path) -> None:
    session = given({"r0": spectrum((1000.0, 0.5)), "b": spectrum((1000.0, 0.05), floor=1e-4)})
    (row,) = table(found(tmp_path, session)).query("run == 'r0'").itertuples()
    assert (row.in_background, row.own) == (True, True)


def test_unusable_channels_and_what_is_left_out_have_no_tones(tmp_path: Path) -> None:
    psd = {run: spectrum((1000.0, 0.5), (2000.0, 0.5)) for run in ("r0", "r1", "s0")}
    session = given(psd, left_out="s0,,,,990,1010,hum of the hall\n")
    rows = table(found(tmp_path, session, {("r0", "p"): "unusable", ("r1", "p"): "doubtful"}))
    assert rows.groupby("run").frequency_hz.apply(lambda hz: [round(each) for each in hz]).to_dict() == {
        "r1": [1000, 2000],
        "s0": [2000],
    }
    assert rows.set_index("run").doubt.loc["r1"].iloc[0].tolist() == ["hum"]


def test_the_job_needs_quality_and_spectra_alone(tmp_path: Path) -> None:
    made(tmp_path, given({}))
    plan = Plan(load_campaign(tmp_path, check=False))
    assert [run.run for run in needs(plan).runs] == sorted(RUNS)
    assert [path.parent.name for path in JOB.inputs(plan, "")] == ["tables", "session=one"]


SWEEP = {f"u{speed}-{k}": f"measurement,one,open,{speed},{speed}" for speed in (20, 25, 30, 35) for k in (0, 1)} | {
    f"b{speed}": f"background,one,,{speed},{speed}" for speed in (20, 25, 30, 35)
}


def swept(tone_of: Mapping[int, tuple[tuple[float, float], ...]]) -> dict[str, Reals]:
    """Spectra of both repeats at each speed."""
    return {f"u{speed}-{k}": spectrum(*lines) for speed, lines in tone_of.items() for k in (0, 1)}


def test_tracks_over_speed(tmp_path: Path) -> None:
    psd = swept({speed: ((20.0 * speed, 0.1), (2000.0, 0.1)) for speed in (20, 25, 30, 35)})
    folder = found(tmp_path, given(psd, SWEEP, settings="scaling: {length_m: 0.02}\n"))
    rows, tracks = table(folder), table(folder, "tone_tracks")
    assert tracks.follows.tolist() == ["flow", "fixed"]
    assert tracks.speed_exponent.tolist() == pytest.approx([1.0, 0.0], abs=0.01)
    assert tracks.strouhal.iloc[0] == pytest.approx(0.4, rel=1e-3)
    assert [len(runs) for runs in tracks.runs] == [8, 8]
    assert tracks.frequencies_hz.iloc[0].tolist() == pytest.approx([400.0, 500.0, 600.0, 700.0], abs=0.1)
    assert rows.groupby("track").size().tolist() == [8, 8]


def test_a_step_between_modes_and_a_tone_at_one_speed(tmp_path: Path) -> None:
    psd = swept({20: ((400.0, 0.1), (2600.0, 0.1)), 25: ((500.0, 0.1),), 30: ((1400.0, 0.1),), 35: ((1632.0, 0.1),)})
    folder = found(tmp_path, given(psd, SWEEP))
    rows, tracks = table(folder), table(folder, "tone_tracks")
    assert tracks.steps_from.tolist() == [None, 1]
    assert tracks.step_ratio.iloc[1] == pytest.approx(1400.0 / 30.0 / 20.0, rel=1e-3)
    assert rows[rows.frequency_hz > 2500.0].track.tolist() == [None, None]


def test_no_tones_make_empty_tables(tmp_path: Path) -> None:
    folder = found(tmp_path, given({}))
    assert (len(table(folder)), len(table(folder, "tone_tracks"))) == (0, 0)


def test_tones_beside_the_modes_of_their_cavity(tmp_path: Path) -> None:
    at, swept_by = {speed: 0.75 / (speed / 343.99 + 1.0 / 0.57) * speed / 0.02 for speed in (20, 25, 30, 35)}, 1.01
    psd = swept({speed: ((round(hz * swept_by / 4.0) * 4.0, 0.1), (3000.0, 0.1)) for speed, hz in at.items()})
    session = given(psd, SWEEP)
    made(tmp_path, session)
    config = tmp_path / "config"
    (config / "cavities.csv").write_text("cavity,length_m,depth_m\nrail,0.02,0.012\n", encoding="utf-8")
    (config / "positions.csv").write_text("position,cavity\np,rail\n", encoding="utf-8")
    plan = Plan(load_campaign(tmp_path, check=False))
    path = campaign_table(plan.results, "quality")
    parquet.write_rows(tables.QUALITY, path, [], campaign="given", digest="none")
    tones.run(plan)
    rows, tracks, modes = (table(path.parent, name) for name in ("tones", "tone_tracks", "cavity_modes"))
    low, high = (rows[part].set_index("run") for part in (rows.frequency_hz < 2000.0, rows.frequency_hz > 2000.0))
    assert set(low["mode"]) == {"shear-layer 1"}
    assert low.mode_deviation_pct.abs().max() < 2.0
    assert low.explanation.loc["u20-0"].startswith("agrees with shear-layer 1 of rail within")
    assert high.explanation.str.startswith("unexplained").any()
    assert tracks["mode"].iloc[0] == "shear-layer 1"
    first = modes.query("run == 'u30-0' and family == 'shear-layer' and order == 1").iloc[0]
    assert first.frequency_hz == pytest.approx(at[30], rel=2e-3)
    assert first.lower_hz < first.frequency_hz < first.upper_hz
    assert first.positions.tolist() == ["p"]


def test_a_tone_that_tape_removes(tmp_path: Path) -> None:
    runs = {name: row for name, row in RUNS.items() if name != "s0"}
    runs |= {f"s{k}": "measurement,one,taped,20,20.0" for k in (0, 1)}
    gap, other = (1000.0, 0.5), (2000.0, 0.2)
    psd = {run: spectrum(gap, other) for run in ("r0", "r1")} | {run: spectrum(other) for run in ("s0", "s1")}
    settings = "comparisons: {tape: {reference: open, treatment: taped}}\n"
    rows = table(found(tmp_path, given(psd, runs, settings=settings)), "tone_differences")
    assert rows.frequency_hz.tolist() == pytest.approx([1000.0, 2000.0], abs=0.1)
    assert rows.finding.tolist() == ["gone", "not shown"]
    assert rows.bound_db.iloc[0] < -13.0
    assert rows.difference_db.tolist()[0] is None
    assert rows.difference_db.iloc[1] == pytest.approx(0.0, abs=0.2)
    assert rows.reference_runs_with_it.tolist() == [2, 2]
    assert rows.treatment_runs_with_it.tolist() == [0, 2]
