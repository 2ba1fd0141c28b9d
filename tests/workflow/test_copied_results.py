"""Results copied from elsewhere without the workflow's record of how they were made."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from sample_runs import CampaignRun, tapeline

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.stale_results import misfits, shown

pytestmark = [pytest.mark.workflow, pytest.mark.long]


@pytest.fixture
def copied(sample: CampaignRun, tmp_path: Path) -> Path:
    """The sample with its results and without the record."""
    return shutil.copytree(sample.folder, tmp_path / "sample", ignore=shutil.ignore_patterns(".snakemake"))


def other_condition(folder: Path) -> None:
    """One more run of the sealed condition, in place of one of the open one."""
    runs = folder / "config" / "runs.csv"
    text = runs.read_text(encoding="utf-8")
    [line] = [line for line in text.splitlines() if line.startswith("a12,")]
    runs.write_text(text.replace(line, line.replace(",open,", ",sealed,")), encoding="utf-8")


def made_otherwise(folder: Path) -> list[str]:
    plan = Plan(load_campaign(folder, check=False))
    return [shown(misfit.task.files[0], folder) for misfit in misfits(plan, {}) if misfit.otherwise]


def test_results_of_these_files_are_taken_as_they_are(copied: Path) -> None:
    assert misfits(Plan(load_campaign(copied, check=False)), {}) == []
    done = tapeline("run", copied, "--cores", "1")
    assert done.returncode in (0, 3), done.stderr
    assert "nothing to do" in done.stdout + done.stderr
    assert "no record" not in done.stderr


def test_results_of_other_files_are_made_again(copied: Path) -> None:
    other_condition(copied)
    stale = made_otherwise(copied)
    assert {"results/verdicts/april.parquet", "results/tables/runs.parquet"} <= set(stale)
    assert "results/quality/a12.parquet" not in stale
    done = tapeline("run", copied, "--cores", "2")
    assert done.returncode in (0, 3), done.stderr
    assert made_otherwise(copied) == []


def test_a_file_that_is_no_table_is_changed_and_one_that_is_not_there_is_gone(copied: Path) -> None:
    (copied / "results" / "tables" / "runs.parquet").write_bytes(b"cut")
    (copied / "results" / "tables" / "scaling.parquet").unlink()
    table, without = misfits(Plan(load_campaign(copied, check=False)), {})
    assert (table.changed, table.gone) == (("results/tables/runs.parquet",), ())
    assert (without.changed, without.gone) == ((), ("results/tables/scaling.parquet",))
