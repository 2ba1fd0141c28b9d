"""`tapeline coverage` on the sample, before and after it is measured."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest
from sample_runs import REPOSITORY, CampaignRun, tapeline


@pytest.fixture
def planned(tmp_path: Path) -> Path:
    """The sample's tables and papers without recordings and without results."""
    folder = tmp_path / "sample"
    shutil.copytree(REPOSITORY / "config", folder / "config")
    without = shutil.ignore_patterns("recordings", "__pycache__")
    shutil.copytree(REPOSITORY / "data-sample", folder / "data-sample", ignore=without)
    return folder


def test_before_measuring_the_run_table_alone_is_counted(planned: Path, tmp_path: Path) -> None:
    done = tapeline("coverage", planned, "--csv", tmp_path / "cells.csv")
    assert done.returncode == 0, done.stderr
    assert "planned, from the run table" in done.stdout
    assert (
        "  front-part  100, 130 km/h, yaw 0°  april     same session   8  0  0  repeats\n      may has open alone\n"
        in done.stdout
    )
    assert "Every comparison has repeats on both sides." in done.stdout
    rows = list(csv.DictReader((tmp_path / "cells.csv").open(encoding="utf-8")))
    assert len(rows) == 3 * 2 * 8
    [row] = [r for r in rows if (r["condition"], r["speed_mps"], r["position"]) == ("sealed", "27.7778", "line-1")]
    assert (row["usable"], row["there_are"]) == ("a08 a15 m06 m10", "a07 a08 a14 a15 m06 m10")


def test_faults_of_the_campaign_are_reported_as_by_the_other_commands(planned: Path) -> None:
    runs = planned / "config" / "runs.csv"
    text = runs.read_text(encoding="utf-8")
    runs.write_text(text.replace("measurement,april,open", "measurement,april,opne", 1), encoding="utf-8")
    done = tapeline("coverage", planned)
    assert done.returncode == 2
    assert done.stdout == ""
    assert 'did you mean "open"?' in done.stderr


@pytest.mark.parametrize(
    ("place", "words"),
    [(".", ". is a folder"), ("", "none found"), ("config/runs.csv/cells.csv", "cannot be written (")],
)
def test_a_file_that_cannot_be_written_is_named_as_it_was_given(planned: Path, place: str, words: str) -> None:
    given = place if len(place) < 2 else planned / place
    done = tapeline("coverage", planned, "--csv", given)
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr
    assert str(given) in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.workflow
def test_after_measuring_the_planted_overload_is_missed(sample: CampaignRun) -> None:
    """The sample overloads ladder-foot in one run of the front condition at 130 km/h."""
    done = tapeline("coverage", sample.folder)
    assert done.returncode == 0, done.stderr
    assert "measured, from the results" in done.stdout
    assert (
        "front at 130 km/h, yaw 0°, session april: one run more at ladder-foot gives repeats on both sides"
        in done.stdout
    )
    assert "older than" not in done.stdout
    assert "without a16" not in done.stdout, "of another gain than its background, which is subtracted all the same"
