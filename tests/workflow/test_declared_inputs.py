"""Every result that a job reads is among its declared inputs: what is not would not make it due."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from sample_runs import CampaignRun

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS
from tapeline.store import file_records, parquet

pytestmark = [pytest.mark.workflow]


@pytest.fixture(scope="module")
def copied(sample: CampaignRun, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shutil.copytree(sample.folder, tmp_path_factory.mktemp("declared") / "sample")


@pytest.mark.parametrize(
    "job",
    [pytest.param(job, marks=pytest.mark.long if job.name == "report" else ()) for job in JOBS.values()],
    ids=list(JOBS),
)
def test_what_a_job_reads_is_declared(job: object, copied: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = Plan(load_campaign(copied, check=False))
    job = JOBS[job.name]
    key = job.keys(plan)[-1]
    read: set[Path] = set()

    def noted(path: Path) -> file_records.FileRecord | None:
        read.add(path)
        return file_records.require_as_written(path)

    monkeypatch.setattr(parquet, "require_as_written", noted)
    job.run(plan, key)
    declared = {*job.inputs(plan, key), *job.outputs(plan, key)}
    assert read <= declared, sorted(read - declared)
    assert read or not job.inputs(plan, key)
