"""The steps of the workflow: some tasks that one process does one after the other, as far as they are due.

Starting a process takes longer than most jobs of a usual campaign. The workflow knows a step by one file, which is
written when all its tasks fit; which of them are due is decided by what each was made from.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from tapeline.campaign.digest import digest_of
from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.jobs.tasks import Task, task_of
from tapeline.store.file_records import record_of, written_record


@dataclass(frozen=True)
class Step:
    """Jobs that are done together for a key.

    `runs` names the keys of the jobs where these are others, `elsewhere` the jobs that another step does for a key.
    """

    name: str
    does: str
    jobs: tuple[str, ...]
    keys: Callable[[Plan], Iterable[str]]
    runs: Callable[[Plan, str], tuple[str, ...]] = lambda plan, key: (key,)
    elsewhere: Callable[[Plan, str], tuple[str, ...]] = lambda plan, key: ()

    def tasks(self, plan: Plan, key: str) -> list[Task]:
        """The tasks in the order in which they are done."""
        keys, elsewhere = self.runs(plan, key), self.elsewhere(plan, key)
        return [task_of(plan, JOBS[job], each) for job in self.jobs if job not in elsewhere for each in keys]

    def file(self, results: Path, key: str) -> Path:
        """The file by which the workflow knows that the step is done."""
        return results / "steps" / (f"{self.name}/{key}.json" if key else f"{self.name}.json")

    def inputs(self, plan: Plan, key: str) -> list[Path]:
        """The files of the steps that make what its tasks read."""
        own, files = self.file(plan.results, key), step_files(plan)
        read = (files[path] for task in self.tasks(plan, key) for path in task.job.inputs(plan, task.key))
        return [path for path in dict.fromkeys(read) if path != own]

    def sources(self, plan: Plan, key: str) -> list[str]:
        """The recordings and sheets that its tasks read, relative to the campaign folder."""
        return list(dict.fromkeys(name for task in self.tasks(plan, key) for name in task.sources))

    def digest(self, plan: Plan, key: str) -> str:
        """The digest of all that the results of its tasks depend on."""
        return digest_of(self.name, 1, digests(plan, self.tasks(plan, key)))


STEPS = {
    step.name: step
    for step in (
        Step("calibrate", "the sensitivities of a session", ("calibrate", "sensitivity"), lambda plan: plan.sessions),
        Step(
            "spectra",
            "the spectra of some recordings of a session",
            ("spectra",),
            lambda plan: plan.batches,
            lambda plan, batch: plan.batches[batch],
        ),
        # Apart from the tables, which may be made with backgrounds of sessions whose tables need this one's.
        Step(
            "verdicts",
            "verdicts on the channels of a session that lends another one its backgrounds",
            ("verdicts",),
            lambda plan: plan.lending_sessions,
        ),
        Step(
            "tables",
            "the tables of a session",
            ("verdicts", "tables"),
            lambda plan: plan.measured_sessions,
            elsewhere=lambda plan, session: ("verdicts",) if session in plan.lending_sessions else (),
        ),
        Step(
            "findings",
            "what is found in all sessions, and the page that circulates",
            ("catalogue", "compare", "scale", "tones", "repeat", "manifest", "report"),
            lambda plan: ("",),
        ),
    )
}
"""By name, in the order in which they are done."""


@cache
def step_files(plan: Plan) -> dict[Path, Path]:
    """The file of the step by each result that it makes."""
    return {
        path: step.file(plan.results, key)
        for step in STEPS.values()
        for key in step.keys(plan)
        for task in step.tasks(plan, key)
        for path in task.files
    }


def done_digests(plan: Plan) -> dict[str, str]:
    """The digests of the tasks of all steps that are done, by the tasks' names, as the files of the steps hold them."""
    found: dict[str, str] = {}
    for path in dict.fromkeys(step_files(plan).values()):
        try:
            found |= json.loads(path.read_text(encoding="utf-8"))["made_from"]
        except (OSError, ValueError, TypeError, KeyError):
            continue
    return found


def outdated(plan: Plan, due: Iterable[Task]) -> list[Path]:
    """The files of steps that are there though a task of the step is due, or that are not as they were written.

    The workflow takes these steps for done.
    """
    files = step_files(plan)
    # Time signals are no step's: the workflow knows them by themselves.
    behind = {files.get(path, path) for task in due for path in task.files}
    there = [path for path in dict.fromkeys((*files.values(), *sorted(behind))) if path.is_file()]
    records = {path: written_record(path) for path in there if path not in behind}
    damaged = {path for path, record in records.items() if record is None or record.now(path) is None}
    return [path for path in there if path in behind or path in damaged]


def folders(plan: Plan) -> list[Path]:
    """The folders within the results that steps write into, and those above them, the upper ones first."""
    results, files = plan.results, step_files(plan)
    # One file a folder stands for all in it: a campaign of thousands of recordings has few folders and many files.
    one = {path.parent: path for path in (*files, *files.values())}.values()
    written = {each.parent for path in one for each in (path, record_of(path))}
    written |= {
        (results / kept / step.relative_to(results / "steps")).parent
        for kept in ("logs", "benchmarks")
        for step in dict.fromkeys(files.values())
    }
    return sorted({above for path in written for above in (path, *path.parents) if results in above.parents})


def pressure_inputs(plan: Plan, run: str) -> list[Path]:
    """The files of the steps that the time signals of a run are made from."""
    return list(dict.fromkeys(step_files(plan)[path] for path in JOBS["pressure"].inputs(plan, run)))


def digests(plan: Plan, tasks: Iterable[Task]) -> dict[str, str]:
    """The digests of tasks by their names."""
    return {task.name: task.job.digest(plan, task.key) for task in tasks}
