"""Whether results are there and are those of the campaign's files as they are now: others would explain nothing."""

from __future__ import annotations

import os
from pathlib import Path

from tapeline.campaign.plan import Plan
from tapeline.explain.asked_number import NOT_MADE
from tapeline.explain.explanation import NotExplainedError
from tapeline.jobs.job import Job
from tapeline.store.file_records import is_made_from


def require_made(plan: Plan, job: Job, key: str = "") -> None:
    """Raises NotExplainedError where a job's results are not there, or were made from other settings or results."""
    files = job.outputs(plan, key)
    where = f" of {key}" if key else ""
    missing = next((path for path in files if not path.is_file()), None)
    if missing is not None:
        raise NotExplainedError(
            f"no results yet: {shown(plan, missing)} is not made; `tapeline run` makes it", NOT_MADE
        )
    if not is_made_from(files[0], job.digest(plan, key), job.inputs(plan, key)):
        raise NotExplainedError(
            f"the {job.name}{where} were made from other files or settings than those there now: "
            f"{shown(plan, files[0])}; `tapeline run` makes them again",
            NOT_MADE,
        )


def shown(plan: Plan, path: Path) -> str:
    """A path as people find it from the campaign folder."""
    return Path(os.path.relpath(path, plan.campaign.root)).as_posix()
