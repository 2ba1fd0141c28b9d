"""The tasks of a campaign, each job once for every run or session, with the files that each writes and reads."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.jobs.job import Job


@dataclass(frozen=True)
class Task:
    """A job for one key, the files it writes, and the recordings and sheets it reads, relative to the campaign folder.

    Tables come first. Only files that stay are named, and only sources that are there.
    """

    job: Job
    key: str
    files: tuple[Path, ...]
    sources: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The job's name and the key, as in "spectra a05"."""
        return f"{self.job.name} {self.key}".rstrip()


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
