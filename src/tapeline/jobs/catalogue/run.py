"""Job `catalogue`: the campaign-level tables of runs, positions, checks, calibration and quality."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa

from tapeline.acoustics import air
from tapeline.acoustics.short_time_spectra import block_frames
from tapeline.campaign.plan import Plan
from tapeline.jobs.catalogue import JOB, CatalogueNeeds, RunRow
from tapeline.jobs.catalogue import needs as needs_of
from tapeline.jobs.sensitivity import calibration_file, judged_checks_file
from tapeline.jobs.table_files import campaign_table
from tapeline.jobs.verdicts import verdicts_file
from tapeline.quality.reasons import FILE_FAULTS, worst
from tapeline.store import parquet, tables
from tapeline.store.schema import Table

AIR_DEFAULTS = {
    "temperature_c": air.DEFAULT_TEMPERATURE_C,
    "static_pressure_hpa": air.REFERENCE_STATIC_PRESSURE_PA / 100.0,
    "humidity_pct": air.DEFAULT_HUMIDITY_PCT,
}

SHARED = (
    "run",
    "session",
    "position",
    "channel",
    "reasons",
    "sentences",
    "sample_rate_hz",
    "duration_s",
    "recording_sha256",
)
"""Columns that the tables of checks and of quality have in common."""


def run(plan: Plan) -> None:
    """Write the five campaign-level tables."""
    needs = needs_of(plan)
    results = plan.results
    checks = _gather([judged_checks_file(results, session) for session in plan.sessions])
    calibration = _gather([calibration_file(results, session) for session in plan.sessions])
    quality = [_too_short(row, needs) for row in _gather([verdicts_file(results, s) for s in plan.measured_sessions])]
    quality += _check_faults(checks)
    contents: dict[Table, Sequence[Mapping[str, Any]]] = {
        tables.RUNS: [_run_row(row, quality, checks) for row in needs.runs],
        tables.POSITIONS: [dataclasses.asdict(row) for row in needs.positions],
        tables.CHECKS: checks,
        tables.CALIBRATION: calibration,
        tables.QUALITY: quality,
    }
    stamp = {"campaign": needs.campaign, "digest": JOB.digest(plan)}
    for table, rows in contents.items():
        parquet.write_rows(table, campaign_table(results, table.name), rows, **stamp)


def _gather(paths: list[Path]) -> list[dict[str, Any]]:
    if not paths:
        return []
    rows: list[dict[str, Any]] = pa.concat_tables([parquet.read(path) for path in paths]).to_pylist()
    return rows


def _too_short(row: dict[str, Any], needs: CatalogueNeeds) -> dict[str, Any]:
    """Add the reason that only the spectra's settings can tell: not one whole averaging block."""
    frames, rate = row["frames"], row["sample_rate_hz"]
    if frames is None or frames >= block_frames(rate, needs.resolution_hz):
        return row
    step = f"{needs.resolution_hz:g} Hz"
    sentence = f"position {row['position']}: {row['duration_s']:.3f} s are no whole block for lines {step} apart"
    reasons = [*row["reasons"], "too-short"]
    return row | {"reasons": reasons, "sentences": [*row["sentences"], sentence], "verdict": worst(reasons)}


def _check_faults(checks: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Faults of calibrator recordings, as rows of the quality table."""
    return [
        {name: row[name] for name in SHARED} | {"verdict": "unusable", "hum_hz": []}
        for row in checks
        if FILE_FAULTS.intersection(row["reasons"])
    ]


def _run_row(row: RunRow, quality: Sequence[Mapping[str, Any]], checks: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    own = [found for found in quality if found["run"] == row.run]
    heard = [found for found in checks if found["run"] == row.run]
    given = {name: getattr(row, name) for name in AIR_DEFAULTS}
    values = {name: AIR_DEFAULTS[name] if value is None else value for name, value in given.items()}
    state = (values["temperature_c"], values["static_pressure_hpa"] * 100.0, values["humidity_pct"])
    density = air.density_kgm3(*state)
    speed = row.measured_speed_mps if row.measured_speed_mps is not None else row.set_speed_mps
    pressure = row.dynamic_pressure_pa
    if pressure is None and speed is not None:
        pressure = air.dynamic_pressure_pa(density, speed)
    lost = bool(own) and all(FILE_FAULTS.intersection(found["reasons"]) for found in own)
    return (
        dataclasses.asdict(row)
        | values
        | {
            "status": "unusable" if lost and row.status == "used" else row.status,
            "air_assumed": [name for name, value in given.items() if value is None],
            "sound_speed_mps": air.sound_speed_mps(*state),
            "air_density_kgm3": density,
            "dynamic_pressure_pa": pressure,
            "sample_rate_hz": _first(own + heard, "sample_rate_hz"),
            "duration_s": _first(own + heard, "duration_s"),
            "background_runs": list(row.background_runs),
            "left_out": list(row.left_out),
        }
    )


def _first(rows: Sequence[Mapping[str, Any]], name: str) -> float | None:
    return next((row[name] for row in rows if row[name] is not None), None)
