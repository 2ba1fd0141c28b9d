"""The tasks of a campaign, each job once for every run or session, with the files that each writes and reads."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.jobs.batches import known_files
from tapeline.jobs.job import Job
from tapeline.store.file_records import record_of


@dataclass(frozen=True)
class Task:
    """A job for one key, the files it writes, and the recordings and sheets it reads, relative to the campaign folder.

    Tables come first. Only files that stay are named, and only sources that are there.
    """

    job: Job
    key: str
    files: tuple[Path, ...]
    sources: tuple[str, ...] = ()


def task_of(plan: Plan, job: Job, key: str) -> Task:
    """A job for one key; without files where its results do not stay."""
    files = (*job.outputs(plan, key), *job.also_there(plan, key))
    return Task(job, key, files, job.sources(plan, key))


def tasks(plan: Plan) -> Iterator[Task]:
    """The tasks in the order of the jobs."""
    for job in JOBS.values():
        made = (task_of(plan, job, key) for key in job.keys(plan))
        # Time signals stay where the settings ask for them.
        yield from (task for task in made if task.files)


def folders(plan: Plan, made: Iterable[Task]) -> list[Path]:
    """The folders within the results that tasks write into, and those above them, the upper ones first."""
    results, written = plan.results, set[Path]()
    for task in made:
        written |= {path for file in task.files for path in (file, record_of(file))}
        written |= {results / kept / task.job.name / (task.key or task.job.name) for kept in ("logs", "benchmarks")}
    written |= {file for path in set(known_files(plan).values()) for file in (path, record_of(path))}
    written |= {results / kept / "spectra" / batch for kept in ("logs", "benchmarks") for batch in plan.batches}
    return sorted({above for path in written for above in path.parents if results in above.parents})
