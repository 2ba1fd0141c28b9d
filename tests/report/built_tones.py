"""Results of an invented seam that whistles, at four speeds: spectra with synthetic tones planted in noise.

All numbers are synthetic. At T1 a tone of the flow keeps f/U at 50/m, at T2 one stays at 600 Hz and stands in the
background too, at T3 there is none.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from built_results import STAMP, built_campaign, write_empty

from tapeline.campaign.model import Campaign
from tapeline.report.finished_tables import FinishedTables, read_finished
from tapeline.store import parquet, tables
from tapeline.store.schema import Table

Row = dict[str, Any]
SPEEDS_MPS = (20.0, 25.0, 32.0, 40.0)
STEP_HZ = 4.0
PER_M = 50.0
FIXED_HZ = 600.0
TONE_DB = 94.0
NOISE_PA2_PER_HZ = 4e-10 * 10.0**6.0
HANN_LOBE = (1 / 6, 2 / 3, 1 / 6)
"""Shares of a tone's power in the three lines of a Hann window: 0.25, 1 and 0.25 of 1.5 (Harris 1978)."""
SETTINGS = {"bands": {"fraction": 3, "range_hz": [100, 3150]}, "spectra": {"resolution_hz": STEP_HZ}}


def tone_campaign(**changed: Any) -> Campaign:
    """Its settings; positions and runs are those of the tables alone."""
    return built_campaign(**(SETTINGS | changed))


def run_rows(speeds_mps: tuple[float, ...]) -> list[Row]:
    """A run a speed and condition; the wind-off run; a second run at the first speed, taken later."""
    measured = [
        _run(f"{condition}-{k}", "measurement", speed, condition, f"2026-04-14T09:{k:02d}:00")
        for condition in ("open", "sealed")
        for k, speed in enumerate(speeds_mps)
    ]
    later = _run("open-later", "measurement", speeds_mps[0], "open", "2026-04-14T11:00:00")
    return [*measured, later, _run("still", "background", 0.0, None, "2026-04-14T08:00:00")]


def _run(name: str, kind: str, speed: float, condition: str | None, at: str) -> Row:
    return {
        "run": name,
        "session": "april",
        "kind": kind,
        "status": "used",
        "condition": condition,
        "speed_mps": speed,
        "set_speed_mps": speed,
        "measured_speed_mps": 1.01 * speed,
        "yaw_deg": 0.0,
        "air_density_kgm3": 1.2,
        "background_kind": "flow" if kind == "measurement" else None,
        "recorded_at": at,
        "use": True,
    }


def narrowband_row(run: Row, position: str, more_hz: float | None = None) -> Row:
    """Noise of one density with tones of 94 dB on spectral lines, and a background 20 dB below."""
    hz = 20.0 + STEP_HZ * np.arange(1000)
    scatter = np.random.default_rng(sum(map(ord, run["run"] + position))).chisquare(100.0, hz.size) / 100.0
    psd, background = NOISE_PA2_PER_HZ * scatter, NOISE_PA2_PER_HZ * scatter / 100.0
    if position == "T1" and run["kind"] == "measurement":
        plant(psd, hz, tone_hz(run))
    if position == "T2":
        plant(psd, hz, FIXED_HZ)
        plant(background, hz, FIXED_HZ)
    if more_hz is not None:
        plant(psd, hz, more_hz)
    with_background = run["kind"] == "measurement"
    return {"run": run["run"], "position": position, "first_hz": 20.0, "step_hz": STEP_HZ,
            "psd_pa2_per_hz": list(psd),
            "background_psd_pa2_per_hz": list(background) if with_background else None}  # fmt: skip


def tone_hz(run: Row) -> float:
    """The line nearest to f/U of the achieved speed."""
    return STEP_HZ * round(PER_M * run["measured_speed_mps"] / STEP_HZ)


def plant(psd: np.ndarray[Any, Any], hz: np.ndarray[Any, Any], frequency_hz: float) -> None:
    """Add a tone as a Hann window shows it."""
    line = int(np.argmin(np.abs(hz - frequency_hz)))
    for beside, share in zip((-1, 0, 1), HANN_LOBE, strict=True):
        psd[line + beside] += share * 4e-10 * 10.0 ** (TONE_DB / 10.0) / STEP_HZ


def tone_rows(run: Row) -> list[Row]:
    """What the search finds in a run: the flow's tone at T1, and at T2 the one that the background has too."""
    if run["kind"] != "measurement":
        return []
    same = {"run": run["run"], "session": "april", "tone": 1, "condition": run["condition"],
            "speed_mps": run["speed_mps"], "yaw_deg": 0.0, "flow_speed_mps": run["measured_speed_mps"],
            "level_db": TONE_DB, "prominence_db": 26.0, "threshold_db": 6.0, "repeat_runs": 1, "repeat_runs_with_it": 1,
            "doubtful": False, "doubt": []}  # fmt: skip
    return [
        same | _numbers(run, tone_hz(run), 0.01) | {"position": "T1", "own": True, "in_background": False},
        same | _numbers(run, FIXED_HZ, None) | {"position": "T2", "own": False, "in_background": True,
                                                "not_own": "background", "prominence_db": 30.0},
    ]  # fmt: skip


def _numbers(run: Row, hertz: float, length_m: float | None) -> Row:
    per_m = hertz / run["measured_speed_mps"]
    return {"frequency_hz": hertz, "frequency_per_speed_per_m": per_m, "length_m": length_m,
            "strouhal": None if length_m is None else per_m * length_m}  # fmt: skip


def track_rows(condition: str, runs: list[Row]) -> list[Row]:
    """The flow's tone at T1 followed over the speeds of a condition."""
    own = [run for run in runs if run["condition"] == condition and run["run"] != "open-later"]
    several = len(own) > 1
    return [
        {"session": "april", "position": "T1", "condition": condition, "yaw_deg": 0.0, "track": 1, "sweep": "all",
         "follows": "flow" if several else "cannot-tell", "speed_exponent": 1.0 if several else None,
         "exponent_lower": 0.9 if several else None, "exponent_upper": 1.1 if several else None,
         "speeds_mps": [run["speed_mps"] for run in own], "frequencies_hz": [tone_hz(run) for run in own],
         "levels_db": [TONE_DB] * len(own), "frequency_hz": tone_hz(own[0]), "level_db": TONE_DB,
         "frequency_per_speed_per_m": PER_M, "strouhal": 0.5, "length_m": 0.01, "mode_candidates": [],
         "runs": [run["run"] for run in own], "background_known": True, "doubtful": False, "doubt": []}
    ]  # fmt: skip


def difference_rows(speeds_mps: tuple[float, ...], **changed: Any) -> list[Row]:
    """Taped the flow's tone is gone at every speed."""
    return [
        {"comparison": "whole-seam", "session": "april", "position": "T1", "speed_mps": mps, "yaw_deg": 0.0,
         "frequency_hz": PER_M * 1.01 * mps, "reference_frequency_hz": PER_M * 1.01 * mps, "reference_runs": 2,
         "reference_runs_with_it": 2, "treatment_runs": 2, "treatment_runs_with_it": 0, "reference_level_db": TONE_DB,
         "bound_db": -20.0, "difference_db": None, "lower_db": None, "upper_db": None, "degrees_of_freedom": 4,
         "finding": "gone", "doubtful": False, "doubt": []} | changed
        for mps in speeds_mps
    ]  # fmt: skip


def write_tones(
    results: Path, speeds_mps: tuple[float, ...] = SPEEDS_MPS, more_hz: float | None = None
) -> FinishedTables:
    """Write the tables below `results`; all others are empty. `more_hz` is one more tone of every spectrum."""
    write_empty(results)
    folder = results / "tables"
    runs = run_rows(speeds_mps)
    places = ("T1", "T2", "T3")
    length: Row = {"condition": "open", "session": "april", "position": "T1", "yaw_deg": 0.0, "length_m": 0.01,
                   "length_source": "cavities: rail", "left_out": ["measured at one speed"]}  # fmt: skip
    small: dict[Table, list[Row]] = {
        tables.RUNS: runs,
        tables.POSITIONS: [{"position": name} for name in places],
        tables.COLLAPSE: [length],
        tables.TONES: [row for run in runs for row in tone_rows(run)],
        tables.TONE_TRACKS: [track for condition in ("open", "sealed") for track in track_rows(condition, runs)],
        tables.TONE_DIFFERENCES: difference_rows(speeds_mps),
    }
    for table, rows in small.items():
        parquet.write_rows(table, folder / f"{table.name}.parquet", rows, **STAMP)
    spectra = [narrowband_row(run, place, more_hz) for run in runs for place in places]
    parquet.write_rows(tables.NARROWBAND, folder / "narrowband/session=april/part-0.parquet", spectra, **STAMP)
    return read_finished(results)
