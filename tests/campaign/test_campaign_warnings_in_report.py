"""Warnings on the campaign's files are part of what the report depends on, and the job that makes it gets them."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, Files, write

from tapeline import cli
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.report import JOB as REPORT
from tapeline.jobs.report import needs as report_needs


def with_warning() -> Files:
    settings = MINIMAL["config/campaign.yaml"]
    assert "conditions:\n" in settings
    spare = settings.replace("conditions:\n", "conditions:\n  spare: {applied: [spare]}\n")
    return {**MINIMAL, "config/campaign.yaml": spare}


def test_a_warning_is_in_the_reports_digest_and_reaches_its_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(tmp_path, with_warning())
    given: list[Plan] = []
    monkeypatch.setattr("tapeline.jobs.report.run.run", given.append)
    assert cli.main(["report", "--campaign", str(tmp_path)]) == 0
    (warning,) = given[0].campaign.file_warnings
    assert "spare" in warning.found
    assert report_needs(given[0])["warnings"] == [str(warning)]
    checked, unchecked = Plan(load_campaign(tmp_path)), Plan(load_campaign(tmp_path, check=False))
    assert REPORT.digest(given[0]) == REPORT.digest(checked) != REPORT.digest(unchecked)
