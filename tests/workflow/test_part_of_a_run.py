"""Runs that make a part of the results alone: done is done, and nothing is named that is not there."""

from __future__ import annotations

from pathlib import Path

import pytest
from background_campaign import write_background_campaign
from sample_runs import tapeline


@pytest.mark.workflow
def test_a_part_alone_is_made_and_said_without_a_summary(tmp_path: Path) -> None:
    folder = write_background_campaign(tmp_path / "campaign")
    done = tapeline("run", folder, "--cores", "2", "--", "--until", "calibrate")
    assert done.returncode == 0, done.stderr
    assert "11 recordings to measure, 2 sessions, 1 comparison\n" in done.stdout
    runs = folder / "results" / "tables" / "runs.parquet"
    assert done.stdout.endswith(f"done as asked; no summary yet: {runs} is not made, `tapeline run` makes it\n")
    assert "report.html" not in done.stdout
    assert "Traceback" not in done.stderr
    assert "FileNotFoundError" not in done.stderr

    summary = tapeline("summary", folder)
    assert summary.returncode == 1
    assert summary.stderr == f"no summary: {runs} is not made, run `tapeline run` first\n"
