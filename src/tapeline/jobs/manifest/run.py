"""Job `manifest`: which inputs, settings, calibration and version made each table."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from tapeline import __version__
from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.jobs.calibrate import checks_file
from tapeline.jobs.manifest import flow_series, manifest_file, result_settings
from tapeline.jobs.sources import watching
from tapeline.jobs.spectra import flow_series_files, quality_file
from tapeline.jobs.table_files import campaign_table
from tapeline.regular_files import may_be_read
from tapeline.store import parquet, tables
from tapeline.store.file_records import require_as_written, result_file
from tapeline.store.schema import Table

LIBRARIES = ("numpy", "scipy", "soundfile", "pyarrow")
"""The libraries that numbers pass through."""


def run(plan: Plan) -> None:
    """Write manifest.json."""
    path = manifest_file(plan.results)
    with watching(path, plan.campaign.root, flow_series(plan)):
        text = json.dumps(manifest(plan), indent=1, sort_keys=True, ensure_ascii=False) + "\n"
        with result_file(path) as temporary:
            temporary.write_text(text, encoding="utf-8")


def manifest(plan: Plan) -> dict[str, Any]:
    """The manifest as plain values; `analysis` is a digest of settings, versions and the content of every input."""
    results = plan.results
    inputs = _tables_and_charts(plan) | _recordings(plan)
    versions = {"tapeline": __version__} | {name: importlib.metadata.version(name) for name in LIBRARIES}
    steps = {job.name: job.version for job in JOBS.values()}
    made_by = {
        "settings": result_settings(plan),
        "inputs": inputs,
        "versions": versions,
        "steps": steps,
    }
    identity = hashlib.sha256(json.dumps(made_by, sort_keys=True).encode()).hexdigest()[:16]
    made = sorted((results / "tables").rglob("*.parquet"))
    return made_by | {
        "campaign": plan.settings.campaign,
        "analysis": identity,
        "calibration": _calibration(results),
        "tables": {path.relative_to(results).as_posix(): _table(path) for path in made},
    }


def _tables_and_charts(plan: Plan) -> dict[str, str | None]:
    root, settings = plan.campaign.root, plan.settings
    named = set(settings.tables.model_dump().values())
    named |= {sensor.chart for sensor in plan.campaign.sensors.values() if sensor.chart}
    named |= {sensor.data_sheet for sensor in plan.campaign.sensors.values() if sensor.data_sheet}
    named |= {path for run in plan.recordings for path in flow_series_files(plan, run)}
    return {path: _sha256(root / path) for path in sorted(named) if may_be_read(root / path)}


def _recordings(plan: Plan) -> dict[str, str | None]:
    """Content hashes that the jobs took when they read the recordings."""
    results = plan.results
    hashed = ["run", "recording_sha256"]
    read: list[tuple[Table[Any], Path]] = [(tables.QUALITY, quality_file(results, name)) for name in plan.recordings]
    read += [(tables.CHECKS, checks_file(results, session)) for session in plan.sessions]
    found: dict[str, str | None] = {}
    folder = plan.settings.recordings.rstrip("/")
    for row in (row for table, path in read for row in parquet.read_rows(table, path, hashed)):
        parts, sha256 = plan.campaign.runs[row["run"]].recordings, row["recording_sha256"]
        hashes = sha256.split(" ") if sha256 else [None] * len(parts)
        found |= {f"{folder}/{part}": digest for part, digest in zip(parts, hashes, strict=True)}
    return dict(sorted(found.items()))


def _calibration(results: Path) -> dict[str, dict[str, object]]:
    columns = ["session", "position", "sensor", "sensitivity_v_per_pa", "source"]
    rows = parquet.read_rows(tables.CALIBRATION, campaign_table(results, "calibration"), columns)
    return {
        f"{row['session']}/{row['position']}": {name: cell for name, cell in row.items() if name in columns[2:]}
        for row in rows
    }


def _table(path: Path) -> dict[str, str | None]:
    """Raises NotAsWrittenError for a table that is not as the job before left it: it is not to be vouched for."""
    record = require_as_written(path)
    metadata = pq.read_schema(path).metadata or {}
    return {
        "sha256": record.sha256 if record else _sha256(path),
        "schema": metadata.get(b"tapeline.schema", b"").decode(),
        "made_from": metadata.get(b"tapeline.made_from", b"").decode(),
    }


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
