"""Lines of sensors whose places do not let distances be told: `tapeline check` says so before anything runs."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, Files, write

from tapeline.campaign.faults import Fault
from tapeline.campaign.load import load_campaign

POSITIONS = "config/positions.csv"


def told(root: Path, rows: str) -> list[Fault]:
    files: Files = {**MINIMAL, POSITIONS: f"position,x_m,y_m,z_m,line,line_order\n{rows}"}
    write(root, files)
    return [fault for fault in load_campaign(root).warnings if fault.file == POSITIONS]


def test_a_line_whose_places_rise_is_not_warned_of(tmp_path: Path) -> None:
    assert told(tmp_path, "seam1,0,0,1,roof,1\nseam2,0.01,0,1.001,roof,2\n") == []


@pytest.mark.parametrize(
    ("rows", "line", "column", "words"),
    [
        ("seam1,0,0,1,roof,1\nseam2,0.01,,1,roof,2\n", 3, "y_m", 'positions of line "roof"'),
        ("seam1,0,0,1,roof,1\nseam2,0,0,1,roof,2\n", 3, "line_order", "rise along the line"),
        ("seam1,0,0,1,roof,1\nmid,0.02,0,1,roof,2\nseam2,0.01,0,1,roof,3\n", 4, "line_order", "rise along the line"),
    ],
    ids=["no coordinate", "one place", "back and forth"],
)
def test_places_that_tell_no_distances_are_warned_of(
    tmp_path: Path, rows: str, line: int, column: str, words: str
) -> None:
    (fault,) = told(tmp_path, rows)
    assert (fault.line, fault.column) == (line, column)
    assert words in fault.expected
