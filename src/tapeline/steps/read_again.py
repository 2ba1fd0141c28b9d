"""Results that a run makes anew though the workflow takes them for finished: of recordings that were being written."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pyarrow as pa

from tapeline.campaign.plan import Plan
from tapeline.campaign.tables import Run
from tapeline.steps import places
from tapeline.store import parquet


def read_again(plan: Plan) -> list[str]:
    """Results to make anew, relative to the campaign folder: their recordings changed, or came, during the last run.

    The workflow sees by a file's time that it was written to after its results. It cannot see a file that was
    finished while it was read, or that was not there for a moment.
    """
    results = Path(plan.campaign.settings.results)
    there = {run.run for run in plan.campaign.used_runs() if _is_whole(plan, run)}
    jobs = [(places.checks(results, session), there) for session in plan.sessions]
    jobs += [(places.quality(results, run), there) for run in plan.recordings]
    return [path.as_posix() for path, runs in jobs if _was_changing(plan.campaign.root / path, runs)]


def _is_whole(plan: Plan, run: Run) -> bool:
    return len(plan.source_files(run.run)) == len(run.recordings)


def _was_changing(path: Path, there: Iterable[str]) -> bool:
    try:
        rows = parquet.read_rows(path, ["run", "reasons"])
    except (OSError, pa.ArrowException):
        return False
    return any(
        "still-changing" in row["reasons"] or ("recording-missing" in row["reasons"] and row["run"] in there)
        for row in rows
    )
