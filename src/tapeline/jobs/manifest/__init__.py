"""The job `manifest`: write down what made each table."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tapeline.campaign.plan import Plan
from tapeline.jobs import calibrate, catalogue, compare, repeat, scale, tables, tones
from tapeline.jobs.job import Job
from tapeline.jobs.spectra import flow_series_files, quality_file
from tapeline.regular_files import may_be_read

CAMPAIGN_JOBS = (catalogue.JOB, compare.JOB, scale.JOB, tones.JOB, repeat.JOB)


def needs(plan: Plan, key: str = "") -> dict[str, Any]:
    """The settings that change results (no titles, nothing of the report's looks) and the tables' digests."""
    return {"settings": result_settings(plan), "tables": table_digests(plan)}


def result_settings(plan: Plan) -> dict[str, Any]:
    """The settings that numbers depend on, as plain values."""
    dumped: dict[str, Any] = plan.settings.model_dump(
        mode="json", exclude={"title", "report", "axes", "keep_pressure", "batch_mb", "inputs_outside"}
    )
    for condition in dumped["conditions"].values():
        condition.pop("title")
    return dumped


def table_digests(plan: Plan) -> dict[str, str]:
    """The digests of the jobs that write tables."""
    sessions = {f"tables/{name}": tables.JOB.digest(plan, name) for name in plan.measured_sessions}
    return sessions | {job.name: job.digest(plan) for job in CAMPAIGN_JOBS}


def finished_tables(plan: Plan) -> list[Path]:
    """All tables that readers get."""
    return [path for job in (tables.JOB, *CAMPAIGN_JOBS) for path in job.all_outputs(plan)]


def manifest_file(results: Path) -> Path:
    """What made each table."""
    return results / "manifest.json"


def _inputs(plan: Plan, key: str) -> Sequence[Path]:
    judged = [quality_file(plan.results, run) for run in plan.recordings]
    return [*finished_tables(plan), *judged, *calibrate.JOB.all_outputs(plan)]


def flow_series(plan: Plan, key: str = "") -> tuple[str, ...]:
    """Flow series that are there: the one kind of input that is hashed here and in no digest."""
    named = dict.fromkeys(path for run in plan.recordings for path in flow_series_files(plan, run))
    return tuple(path for path in named if may_be_read(plan.campaign.root / path))


JOB = Job(
    name="manifest",
    per="campaign",
    does="write down what made each table",
    version=2,
    needs=needs,
    inputs=_inputs,
    outputs=lambda plan, key: [manifest_file(plan.results)],
    sources=flow_series,
)
