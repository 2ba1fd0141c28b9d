"""Two analyses of the sample that differ in one setting, and what `tapeline compare-results` says of them."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from sample_runs import CampaignRun, run_campaign, tapeline

pytestmark = [pytest.mark.workflow, pytest.mark.long]


def test_a_changed_setting_is_found_with_what_it_moved(sample: CampaignRun, tmp_path: Path) -> None:
    """A wider range of little margin turns some corrected levels into limited ones, and moves no level."""
    folder = shutil.copytree(sample.folder, tmp_path / "sample")
    settings = folder / "config" / "campaign.yaml"
    text = settings.read_text(encoding="utf-8")
    assert "enough_margin_db: 6.0" in text
    settings.write_text(text.replace("enough_margin_db: 6.0", "enough_margin_db: 9.0"), encoding="utf-8")
    again = run_campaign(folder, 2)
    assert again.status in (0, 3), again.output

    done = tapeline("compare-results", sample.folder, folder)
    assert done.returncode == 4, done.stdout + done.stderr
    assert "setting  background.enough_margin_db: 6.0 -> 9.0" in done.stdout
    assert "It is the only difference, so it is the cause of what moved." in done.stdout
    words = next(line for line in done.stdout.splitlines() if line.startswith("  bands.state "))
    assert "corrected -> limited" in words
    assert "band levels       none of 3,400 changed" in done.stdout
    after = " ".join(done.stdout.split()).partition("; the same: ")[2]
    same_names = set(after.partition(" table rows changed ")[0].split(", "))
    assert {"budgets", "calibration", "checks", "history", "positions", "quality", "ranking", "runs"} <= same_names
    assert "bands" not in same_names

    same = tapeline("compare-results", folder, folder / "results")
    assert same.returncode == 0, same.stdout + same.stderr
    assert "Nothing moved" in same.stdout
