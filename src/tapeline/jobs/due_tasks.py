"""Doing a task, and of a step those that are due."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator

from tapeline.campaign.plan import Plan
from tapeline.jobs.stale_results import is_due
from tapeline.jobs.steps import Step, digests
from tapeline.jobs.tasks import Task
from tapeline.store.file_records import forget_made_from, keep_made_from, result_file, touch_written, written_record

CHECK_VARIABLE = "TAPELINE_CHECK_RECORDINGS"
"""Environment variable by which recordings are read whole to see whether they are those that results were made from."""


def do(plan: Plan, task: Task) -> None:
    """Do a task, and keep what it was done from."""
    if task.files:
        # What is not finished is due, whatever becomes of the settings and files that it is made from meanwhile.
        forget_made_from(task.files[0])
    task.job.run(plan, task.key)
    if task.files:
        keep_made_from(task.files[0], task.job.digest(plan, task.key), task.job.inputs(plan, task.key))


def do_step(plan: Plan, step: Step, key: str) -> Iterator[tuple[Task, bool]]:
    """Do the tasks of a step that are due, one after the other; each with whether it was."""
    tasks = step.tasks(plan, key)
    for task in tasks:
        due = is_due(plan, task, sources=bool(os.environ.get(CHECK_VARIABLE)))
        if due:
            do(plan, task)
        elif not key:
            # The workflow knows some of these by themselves, and takes what is older than what it read for not made.
            for path in task.files:
                touch_written(path)
        yield task, due
    outputs = (path for task in tasks for path in task.job.outputs(plan, task.key))
    contents = {path: written_record(path) for path in outputs}
    # With the contents, so that the workflow sees by the file that something came out otherwise.
    made = {
        "made_from": digests(plan, tasks),
        "contents": {
            path.relative_to(plan.results).as_posix(): record.sha256 for path, record in contents.items() if record
        },
    }
    with result_file(step.file(plan.results, key)) as temporary:
        temporary.write_text(json.dumps(made, indent=1) + "\n", encoding="utf-8")
