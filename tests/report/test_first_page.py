"""What was tested, counted anew from the tables."""

from __future__ import annotations

import dataclasses
import re

import pytest
from built_report import Report

from tapeline.report.sections.what_was_tested import facts, subtracted_runs


@pytest.fixture
def told(report: Report) -> dict[str, str]:
    return dict(facts(report.tables, report.campaign))


def test_the_reference_condition_comes_first_and_what_was_never_measured_is_not_named(told: dict[str, str]) -> None:
    assert told["Conditions"].startswith("Seam open (reference); ")
    assert "Never measured" not in told["Conditions"]


def test_recordings_are_counted_by_kind_and_by_what_became_of_them(report: Report, told: dict[str, str]) -> None:
    runs = report.tables.runs
    for kind, words in (("measurement", "measurement"), ("background", "background run")):
        assert re.match(rf".*\b{sum(row['kind'] == kind for row in runs)} {words}", told["Recordings"])
    for status, words in (("superseded", "taken again"), ("left out", "left out"), ("unusable", "unusable")):
        count = sum(row["status"] == status for row in runs)
        assert count > 0
        assert f"{count} {words}" in told["Recordings"]
    used = len(report.tables.used_measurements)
    every = sum(row["kind"] == "measurement" for row in runs)
    assert told["Recordings"].startswith(f"{every} measurements ({used} used, ")


def test_positions_are_counted_by_area(report: Report, told: dict[str, str]) -> None:
    assert told["Positions"].startswith(f"{len(report.tables.positions)} surface microphone positions: ")
    assert f"panel ({sum(row['area'] == 'panel' for row in report.tables.positions)})" in told["Positions"]


def test_sessions_stand_in_order_of_time_with_their_days(report: Report) -> None:
    runs = [
        {**report.tables.runs[0], "session": name, "recorded_at": time}
        for name, time in (("zulu", "2026-01-02T10:00:00"), ("alpha", "2026-03-01T10:00:00"), ("none", None),
                           ("zulu", "2026-01-01T10:00:00"))
    ]  # fmt: skip
    changed = dataclasses.replace(report.tables, runs=tuple(runs))
    assert dict(facts(changed, report.campaign))["Sessions"] == (
        "zulu (2026-01-01 to 2026-01-02); alpha (2026-03-01); none (no time stated)"
    )


def test_only_runs_with_something_subtracted_are_said_to_be_corrected(report: Report, told: dict[str, str]) -> None:
    used = [row["run"] for row in report.tables.used_measurements]
    subtracted = len(subtracted_runs(report.tables).intersection(used))
    assert 0 < subtracted < len(used)
    assert f"subtracted in power from {subtracted} of {len(used)} used measurements" in told["Analysis"]
