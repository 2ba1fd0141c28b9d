"""Results copied from elsewhere without the workflow's record of how they were made."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from sample_runs import CampaignRun, tapeline

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.steps.made_otherwise import made_otherwise

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


def test_results_of_these_files_are_taken_as_they_are(copied: Path) -> None:
    assert made_otherwise(Plan(load_campaign(copied, check=False))) == []
    done = tapeline("run", copied, "--cores", "1")
    assert done.returncode in (0, 3), done.stderr
    assert "Nothing to be done" in done.stdout + done.stderr
    assert "no record" not in done.stderr


def test_results_of_other_files_are_not_passed_off_as_theirs(copied: Path) -> None:
    other_condition(copied)
    done = tapeline("run", copied, "--cores", "1")
    assert done.returncode == 1
    assert "Nothing to be done" in done.stdout + done.stderr
    stale = ("verdicts/april.parquet", "tables/bands/session=april/part-0.parquet", "tables/runs.parquet")
    assert "".join(f"results/{name}, " for name in stale) in done.stderr
    assert f"delete results/, or run `tapeline run {copied} -- --forceall`" in done.stderr
    assert "report  " not in done.stdout


def test_a_file_that_is_no_table_counts_and_one_that_is_not_there_does_not(copied: Path) -> None:
    (copied / "results" / "tables" / "runs.parquet").write_bytes(b"cut")
    (copied / "results" / "tables" / "scaling.parquet").unlink()
    found = made_otherwise(Plan(load_campaign(copied, check=False)))
    assert [path.relative_to(copied).as_posix() for path in found] == ["results/tables/runs.parquet"]
