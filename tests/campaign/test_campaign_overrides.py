"""The table of verdicts set by hand."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, faults_of, write

from tapeline.campaign.load import load_campaign

HEADER = "run,position,verdict,reason,who\n"


def campaign(root: Path, rows: str) -> Path:
    write(root, {**MINIMAL, "config/overrides.csv": HEADER + rows})
    return root


def test_the_table_may_be_missing(tmp_path: Path) -> None:
    write(tmp_path, MINIMAL)
    assert load_campaign(tmp_path).overrides == ()


def test_verdicts_with_reason_and_name(tmp_path: Path) -> None:
    (row,) = load_campaign(campaign(tmp_path, "m1,,unusable,tape came off,A. Nyone\n")).overrides
    assert (row.run, row.position, row.verdict, row.reason, row.who) == (
        "m1",
        None,
        "unusable",
        "tape came off",
        "A. Nyone",
    )


def test_checks_are_decided_on_by_their_calibration_run(tmp_path: Path) -> None:
    rows = "cal1,,unusable,wrong adapter,A. Nyone\ncal1,seam1,good,calibrated by me,A. Nyone\n"
    found = load_campaign(campaign(tmp_path, rows)).overrides
    assert [(row.run, row.position, row.verdict) for row in found] == [
        ("cal1", None, "unusable"),
        ("cal1", "seam1", "good"),
    ]


@pytest.mark.parametrize(
    ("rows", "line", "column", "found"),
    [
        ("m9,,good,it is,me\n", 2, "run", '"m9"'),
        ("cal1,nowhere,unusable,it is,me\n", 2, "position", '"nowhere"'),
        ("m1,nowhere,good,it is,me\n", 2, "position", '"nowhere"'),
        ("m1,,fine,it is,me\n", 2, "verdict", '"fine"'),
        ("m1,,good,,me\n", 2, "reason", "an empty cell"),
        ("m1,,good,it is,\n", 2, "who", "an empty cell"),
        ("m1,,good,it is,me\nm1,,doubtful,is it,you\n", 3, "verdict", "another verdict on the same channel"),
    ],
)
def test_faults(tmp_path: Path, rows: str, line: int, column: str, found: str) -> None:
    (fault,) = faults_of(campaign(tmp_path, rows))
    assert (fault.file, fault.line, fault.column) == ("config/overrides.csv", line, column)
    assert found in fault.found
