"""Job `catalogue`: the campaign-level tables of runs, positions, checks, calibration and quality."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from tapeline.acoustics import air
from tapeline.acoustics.short_time_spectra import block_frames
from tapeline.campaign.plan import Plan
from tapeline.jobs.catalogue import JOB, CatalogueNeeds, PositionRow, RunRow
from tapeline.jobs.catalogue import needs as needs_of
from tapeline.jobs.sensitivity import calibration_file, judged_checks_file
from tapeline.jobs.table_files import campaign_table
from tapeline.jobs.verdicts import verdicts_file
from tapeline.quality.reasons import FILE_FAULTS, worst
from tapeline.store import parquet, tables
from tapeline.store.parquet import RowsOfTable
from tapeline.store.schema import Row, Table

if TYPE_CHECKING:
    from tapeline.store.rows import ChecksRow, PositionsRow, QualityRow, RunsRow

AIR_DEFAULTS = {
    "temperature_c": air.DEFAULT_TEMPERATURE_C,
    "static_pressure_hpa": air.REFERENCE_STATIC_PRESSURE_PA / 100.0,
    "humidity_pct": air.DEFAULT_HUMIDITY_PCT,
}


def run(plan: Plan) -> None:
    """Write the five campaign-level tables."""
    needs = needs_of(plan)
    results = plan.results
    checks = _gather(tables.CHECKS, [judged_checks_file(results, session) for session in plan.sessions])
    calibration = _gather(tables.CALIBRATION, [calibration_file(results, session) for session in plan.sessions])
    judged = _gather(tables.QUALITY, [verdicts_file(results, session) for session in plan.measured_sessions])
    quality = [*(_too_short(row, needs) for row in judged), *_check_faults(checks)]
    contents: list[RowsOfTable[Any]] = [
        RowsOfTable(tables.RUNS, [_run_row(row, quality, checks) for row in needs.runs]),
        RowsOfTable(tables.POSITIONS, [_position_row(row) for row in needs.positions]),
        RowsOfTable(tables.CHECKS, checks),
        RowsOfTable(tables.CALIBRATION, calibration),
        RowsOfTable(tables.QUALITY, quality),
    ]
    stamp = {"campaign": needs.campaign, "digest": JOB.digest(plan)}
    for content in contents:
        content.write(campaign_table(results, content.table.name), **stamp)


def _gather(table: Table[Row], paths: Sequence[Path]) -> list[Row]:
    return [row for path in paths for row in parquet.read_rows(table, path)]


def _too_short(row: QualityRow, needs: CatalogueNeeds) -> QualityRow:
    """Add the reason that only the spectra's settings can tell: not one whole averaging block."""
    frames, rate = row["frames"], row["sample_rate_hz"]
    if frames is None or rate is None or frames >= block_frames(rate, needs.resolution_hz):
        return row
    step = f"{needs.resolution_hz:g} Hz"
    sentence = f"position {row['position']}: {frames / rate:.3f} s are no whole block for lines {step} apart"
    reasons = [*row["reasons"], "too-short"]
    return row | {"reasons": reasons, "sentences": [*row["sentences"], sentence], "verdict": worst(reasons)}


def _check_faults(checks: Sequence[ChecksRow]) -> list[QualityRow]:
    """Faults of calibrator recordings, as rows of the quality table."""
    return [
        {
            "run": row["run"],
            "session": row["session"],
            "position": row["position"],
            "channel": row["channel"],
            "verdict": "unusable",
            "reasons": row["reasons"],
            "sentences": row["sentences"],
            "sample_rate_hz": row["sample_rate_hz"],
            "duration_s": row["duration_s"],
            "hum_hz": [],
            "recording_sha256": row["recording_sha256"],
        }
        for row in checks
        if FILE_FAULTS.intersection(row["reasons"])
    ]


def _position_row(row: PositionRow) -> PositionsRow:
    return cast("PositionsRow", dataclasses.asdict(row))  # its fields are the columns


def _run_row(row: RunRow, quality: Sequence[QualityRow], checks: Sequence[ChecksRow]) -> RunsRow:
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
    return {
        **cast("RunsRow", dataclasses.asdict(row) | values),  # its fields are columns
        "status": "unusable" if lost and row.status == "used" else row.status,
        "air_assumed": [name for name, value in given.items() if value is None],
        "sound_speed_mps": air.sound_speed_mps(*state),
        "air_density_kgm3": density,
        "dynamic_pressure_pa": pressure,
        "sample_rate_hz": _first(each["sample_rate_hz"] for each in (*own, *heard)),
        "duration_s": _first(each["duration_s"] for each in (*own, *heard)),
        "background_runs": list(row.background_runs),
        "left_out": list(row.left_out),
    }


def _first(cells: Iterable[float | None]) -> float | None:
    return next((cell for cell in cells if cell is not None), None)
