"""Recordings that one process reads one after the other, as the workflow knows them: by the file of their batch."""

from __future__ import annotations

from pathlib import Path

from tapeline.campaign.digest import digest_of
from tapeline.campaign.plan import Plan
from tapeline.jobs.spectra import JOB, batch_file


def known_files(plan: Plan) -> dict[Path, Path]:
    """The file of the batch by each result of its recordings, which the workflow itself does not look at."""
    return {
        path: batch_file(plan.results, batch)
        for batch, runs in plan.batches.items()
        for run in runs
        for path in JOB.outputs(plan, run)
    }


def digests_of(plan: Plan, batch: str) -> dict[str, str]:
    """The digest of each recording of a batch."""
    return {run: JOB.digest(plan, run) for run in plan.batches[batch]}


def digest_of_batch(plan: Plan, batch: str) -> str:
    """The digest of all that the results of a batch depend on."""
    return digest_of("batch", 1, digests_of(plan, batch))


def batch_inputs(plan: Plan, batch: str) -> list[Path]:
    """What the recordings of a batch are made from of the results: the same for all of a session."""
    return list(dict.fromkeys(path for run in plan.batches[batch] for path in JOB.inputs(plan, run)))


def batch_sources(plan: Plan, batch: str) -> list[str]:
    """The files that the recordings of a batch are read from, relative to the campaign folder."""
    return list(dict.fromkeys(path for run in plan.batches[batch] for path in JOB.sources(plan, run)))
