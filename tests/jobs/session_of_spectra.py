"""A synthetic session whose spectra are given, not measured: the job `tables` runs on them as on real ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from tapeline.acoustics.windows import all_pairs, effective_averages, window
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.sensitivity import calibration_file
from tapeline.jobs.spectra import history_file, requested_file, spectra_file
from tapeline.jobs.table_files import session_table
from tapeline.jobs.tables import run as tables
from tapeline.jobs.verdicts import verdicts_file
from tapeline.store import parquet
from tapeline.store import tables as schemas

RATE_HZ, FRAMES, BLOCKS, SESSION = 12_800.0, 3200, 159, "one"
STEP_HZ = RATE_HZ / FRAMES
LINES = FRAMES // 2 + 1
STAMP = {"campaign": "given", "digest": "none"}


@dataclass
class GivenSession:
    """What the run table says of each run, and densities (Pa^2/Hz, one number or one a line) by run and position.

    `columns` are more columns of the run table, each with a comma before it. `diameters_mm` of the sensors and `flow`
    are by position.
    """

    positions: tuple[str, ...]
    runs: Mapping[str, str]
    psd: Mapping[tuple[str, str], float | np.ndarray]
    settings: str = ""
    columns: str = ""
    bands: str = "{range_hz: [100, 4000]}"
    unusable: frozenset[tuple[str, str]] = frozenset()
    explained: Mapping[tuple[str, str], float] = field(default_factory=dict)
    references: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    levels: Mapping[tuple[str, str], np.ndarray] = field(default_factory=dict)
    left_out: str = ""
    diameters_mm: Mapping[str, float] = field(default_factory=dict)
    flow: Mapping[str, str] = field(default_factory=dict)


def made(folder: Path, given: GivenSession) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The tables of bands and of overall levels."""
    plan = Plan(load_campaign(_written(folder, given), check=False))
    results = plan.campaign.results
    _write_inputs(results, given, plan)
    tables.run(plan, SESSION)
    found = [pd.read_parquet(session_table(results, name, SESSION)) for name in ("bands", "overall")]
    return found[0], found[1]


def _written(folder: Path, given: GivenSession) -> Path:
    config = folder / "config"
    config.mkdir(parents=True)
    files = {
        "campaign.yaml": "campaign: given\nconditions: {open: {}}\n"
        f"spectra: {{resolution_hz: {STEP_HZ}}}\nbands: {given.bands}\n"
        f"overall: [{{weighting: Z, range_hz: [100, 4000]}}]\nhistory: {{weighting: [Z]}}\n{given.settings}",
        "runs.csv": f"run,recording,kind,session,condition,speed_mps,measured_speed_mps{given.columns}\n"
        + "".join(f"{run},{run}.wav,{words}\n" for run, words in given.runs.items()),
        "positions.csv": "position,flow\n"
        + "".join(f"{name},{given.flow.get(name, '')}\n" for name in given.positions),
        "fittings.csv": "session,channel,position,unit,sensor\n"
        + "".join(
            f"{SESSION},{i},{name},Pa,{f's-{name}' if name in given.diameters_mm else ''}\n"
            for i, name in enumerate(given.positions, start=1)
        ),
        "sensors.csv": "sensor,sensitivity_mv_per_pa,diameter_mm\n"
        + "".join(f"s-{name},4,{diameter}\n" for name, diameter in given.diameters_mm.items()),
        "calibrators.csv": "calibrator,kind,level_db,frequency_hz\n",
        "left_out.csv": f"run,start_s,stop_s,position,lower_hz,upper_hz,reason\n{given.left_out}",
    }
    for name, text in files.items():
        (config / name).write_text(text, encoding="utf-8")
    return folder


def _write_inputs(results: Path, given: GivenSession, plan: Plan) -> None:
    pairs = all_pairs(BLOCKS, FRAMES, FRAMES // 2)
    averages = effective_averages(window("hann", FRAMES), FRAMES // 2, pairs)
    common = {"step_hz": STEP_HZ, "effective_averages": averages, "first_hz": 0.0}
    for run in given.runs:
        spectra, history, conditioned = [], [], []
        for name in given.positions:
            psd = np.broadcast_to(given.psd[run, name], (LINES,)).astype(np.float32)
            of_run = {"run": run, "position": name, **common}
            spectra.append(
                of_run
                | {"sample_rate_hz": RATE_HZ, "block_frames": FRAMES, "hop_frames": FRAMES // 2, "blocks": BLOCKS}
                | {
                    "block_pairs": list(pairs),
                    "averaged_s": 20.0,
                    "psd_pa2_per_hz": psd,
                    "relative_spread": psd * 0 + 1,
                }
            )
            levels = given.levels.get((run, name), np.full(160, 90.0))
            history += [
                {"run": run, "position": name, "weighting": "Z", "time_s": 0.125 * i}
                | {"level_db": float(level) if np.isfinite(level) else None, "silent": level == -np.inf}
                for i, level in enumerate(levels)
            ]
            heard = given.references.get(run, ())
            if heard and name not in heard:
                share = given.explained.get((run, name), 0.0)
                conditioned.append(
                    of_run
                    | {"references": list(heard), "references_used": np.full(LINES, len(heard), dtype=np.uint8)}
                    | {"psd_pa2_per_hz": psd * (1.0 - share)}
                )
        parquet.write_rows(schemas.SPECTRA, spectra_file(results, run), spectra, **STAMP)
        parquet.write_rows(schemas.HISTORY, history_file(results, run), history, **STAMP)
        for table in plan.on_request:
            path = requested_file(results, run, table)
            parquet.write_rows(schemas.MADE_ON_REQUEST[table], path, conditioned, **STAMP)
    verdicts = [
        {"run": run, "position": name, "verdict": "unusable" if (run, name) in given.unusable else "good"}
        for run in given.runs
        for name in given.positions
    ]
    parquet.write_rows(schemas.QUALITY, verdicts_file(results, SESSION), verdicts, **STAMP)
    calibration = [
        {"session": SESSION, "position": name, "standard_uncertainty_db": 0.1, "verdict": "good"}
        for name in given.positions
    ]
    parquet.write_rows(schemas.CALIBRATION, calibration_file(results, SESSION), calibration, **STAMP)
