"""Results that are there but were made from other campaign files than those that are there now."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa

from tapeline.campaign.plan import Plan
from tapeline.steps import places
from tapeline.store import parquet, tables


def made_otherwise(plan: Plan) -> list[Path]:
    """Files whose digest of what they were made from is not the plan's, one a job, in the order of the steps.

    The workflow does not see them where it has no record of how they were made. Files that are not there do not count.
    """
    return [path for path, step, key in _files_of_jobs(plan) if path.is_file() and not _is_of(path, plan, step, key)]


def _is_of(path: Path, plan: Plan, step: str, key: str) -> bool:
    try:
        return parquet.made_from(path) == plan.digest(step, key)
    except pa.ArrowException:
        return False


def _files_of_jobs(plan: Plan) -> Iterator[tuple[Path, str, str]]:
    """A file of every job that writes tables, the job's step and its key."""
    results = plan.campaign.results
    for session in plan.sessions:
        yield places.checks(results, session), "calibrate", session
        yield places.calibration(results, session), "sensitivity", session
    for run in plan.recordings:
        yield places.quality(results, run), "pressure", run
        yield places.spectra(results, run), "spectra", run
    for session in plan.measured_sessions:
        yield places.verdicts(results, session), "verdicts", session
        yield places.session_table(results, tables.BANDS.name, session), "tables", session
    last = {
        "catalogue": tables.RUNS,
        "compare": tables.COMPARISONS,
        "scale": tables.SCALING,
        "repeat": tables.REPEATABILITY,
    }
    for step, table in last.items():
        yield places.campaign_table(results, table.name), step, ""
