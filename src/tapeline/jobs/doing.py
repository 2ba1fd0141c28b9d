"""Doing a task, and of a batch of recordings those that are due."""

from __future__ import annotations

import json
import os

from tapeline.campaign.plan import Plan
from tapeline.jobs.batches import digests_of
from tapeline.jobs.spectra import JOB as SPECTRA
from tapeline.jobs.spectra import batch_file
from tapeline.jobs.stale_results import is_due
from tapeline.jobs.tasks import Task, task_of
from tapeline.store.file_records import keep_inputs, result_file

CHECK_VARIABLE = "TAPELINE_CHECK_RECORDINGS"
"""Environment variable by which recordings are read whole to see whether they are those that results were made from."""


def do(plan: Plan, task: Task) -> None:
    """Do a task, and keep which results it was done from."""
    task.job.run(plan, task.key)
    if task.files:
        keep_inputs(task.files[0], task.job.inputs(plan, task.key))


def do_batch(plan: Plan, batch: str) -> None:
    """Read the recordings of a batch whose results are not there or do not fit, one after the other."""
    for run in plan.batches[batch]:
        task = task_of(plan, SPECTRA, run)
        if is_due(plan, task, sources=bool(os.environ.get(CHECK_VARIABLE))):
            do(plan, task)
            print(f"run {run}: done", flush=True)
        else:
            print(f"run {run}: its results fit", flush=True)
    with result_file(batch_file(plan.results, batch)) as temporary:
        temporary.write_text(json.dumps({"made_from": digests_of(plan, batch)}, indent=1) + "\n", encoding="utf-8")
