"""Gaps: each is told once with its place and what belongs there, and nothing that only follows from it."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, changed, faults_of, write

from tapeline.campaign.faults import CampaignFaults, Fault, Gap
from tapeline.campaign.load import load_campaign


@pytest.mark.parametrize(
    ("file", "old", "new", "told"),
    [
        ("config/runs.csv", ",open,100,", ",open,???,", 'runs.csv:4, column "speed_kmh": fill this in: set speed;'),
        (
            "config/runs.csv",
            "bg1,bg1.wav,background",
            "bg1,bg1.wav,???",
            'runs.csv:3, column "kind": fill this in: what',
        ),
        ("config/runs.csv", "m1,m1.wav", "???,m1.wav", 'runs.csv:4, column "run": fill this in: identifier of the run'),
        ("config/runs.csv", "calibration,april", "calibration,???", 'runs.csv:2, column "session": fill this in: the'),
        ("config/runs.csv", ",speaker,", ",???,", 'runs.csv:2, column "calibrator": fill this in: the calibrator used'),
        ("config/runs.csv", "m1.wav", "???", 'runs.csv:4, column "recording": fill this in: path below'),
        ("config/fittings.csv", "2,seam2", "2,???", 'column "position": fill this in: a row of the positions table'),
        ("config/fittings.csv", "2,seam2", "???,seam2", 'fittings.csv:3, column "channel": fill this in: channel of'),
        ("config/calibrators.csv", "94", "???", 'column "level_db": fill this in: level re 20 uPa (number from 40 to'),
        (
            "config/campaign.yaml",
            "applied: []",
            'applied: "???"',
            "campaign.yaml:3, column 19: fill this in: the single",
        ),
        (
            "config/campaign.yaml",
            "campaign: roof",
            "campaign: ???",
            "column 11: fill this in: identifier of the campaign",
        ),
        (
            "config/campaign.yaml",
            "campaign: roof",
            "campaign: roof\naxes: ???",
            "2, column 7: fill this in: one sentence",
        ),
        (
            "config/campaign.yaml",
            "campaign: roof",
            "campaign: roof\nreference_condition: ???",
            "2, column 22: fill this in: the reference where comparisons are not listed",
        ),
        (
            "config/campaign.yaml",
            "campaign: roof",
            "campaign: roof\nraw_formats:\n  logger:\n    sample_type: ???\n    channels: 2\n    sample_rate_hz: 100",
            "campaign.yaml:4, column 18: fill this in: how one sample is stored",
        ),
    ],
)
def test_a_gap_is_told_once_and_alone(file: str, old: str, new: str, told: str, tmp_path: Path) -> None:
    write(tmp_path, dict(changed(file, old, new)))
    (fault,) = faults_of(tmp_path)
    assert isinstance(fault, Gap)
    assert told in str(fault)


def test_conditions_may_be_a_gap(tmp_path: Path) -> None:
    write(tmp_path, {**MINIMAL, "config/campaign.yaml": "campaign: roof\nconditions: ???\n"})
    (fault,) = faults_of(tmp_path)
    assert str(fault) == "config/campaign.yaml:2, column 13: fill this in: the treatment states, by name"


def test_a_remark_may_hold_the_token(tmp_path: Path) -> None:
    write(tmp_path, {**MINIMAL, "config/positions.csv": "position,remark\nseam1,???\nseam2,\n"})
    assert load_campaign(tmp_path).positions["seam1"].remark == "???"


@pytest.mark.parametrize(
    ("gaps", "faults", "last"),
    [
        (1, 0, "1 gap to fill in: begin with a.csv:1"),
        (2, 1, "1 fault, 2 gaps to fill in: begin with a.csv:1"),
        (0, 2, "2 faults"),
    ],
)
def test_the_last_line_says_where_to_begin(gaps: int, faults: int, last: str) -> None:
    found: list[Fault] = [Gap("a.csv", line + 1, None, "", "a number") for line in range(gaps)]
    found += [Fault("b.csv", line + 1, None, "1", "2") for line in range(faults)]
    assert str(CampaignFaults(found)).splitlines()[-1] == last
