"""Sensor table, chart and data sheet of one sensor held against each other."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tapeline.calibration.data_sheet import decode
from tapeline.calibration.sensor_certificate import SensorCertificate, certificate_doubts, chart_age_days, same_serial
from tapeline.jobs.sensitivity import Papers
from tapeline.jobs.sensitivity.run import read_papers

MEASURED_ON = "2026-04-14T08:20:00"
PUBLIC_EXAMPLE = bytes.fromhex(
    "168010a00975000012648016a88ae8e112801f2000f60ec4046dd18737f3206a380555e765390800"
)  # 40 bytes of a public manual: serial 117, template 25, calibrated on 2008-06-27, byte sum 0


def doubts(**changes: Any) -> dict[str, str]:
    """Doubts of papers that agree but for the changes."""
    values: dict[str, Any] = {
        "sensor": "s1",
        "serial": "00117",
        "calibrated_on": "2026-01-19",
        "has_chart": True,
        "chart_serial": "117",
        "response_kind": "pressure",
        "data_sheet": None,
        "data_sheet_fault": None,
    }
    return certificate_doubts(SensorCertificate(**(values | changes)), MEASURED_ON, 730)


def test_papers_that_agree_give_no_doubt() -> None:
    assert doubts() == {}
    assert doubts(data_sheet=decode(PUBLIC_EXAMPLE), calibrated_on="2008-06-27")["chart-old"]
    assert list(doubts(data_sheet=decode(PUBLIC_EXAMPLE), calibrated_on=None)) == []


@pytest.mark.parametrize(
    ("calibrated_on", "code"), [("2024-04-13", "chart-old"), ("2024-04-14", None), ("2026-05-01", "chart-newer")]
)
def test_age_of_the_chart(calibrated_on: str, code: str | None) -> None:
    """730 days back from 2026-04-14 is 2024-04-14."""
    assert list(doubts(calibrated_on=calibrated_on)) == ([code] if code else [])


def test_age_is_unknown_without_dates() -> None:
    assert chart_age_days(None, MEASURED_ON) is None
    assert chart_age_days("2026-01-19", None) is None
    assert chart_age_days("2026-04-04", MEASURED_ON) == 10


def test_serial_numbers_of_chart_and_data_sheet() -> None:
    found = doubts(serial="118", data_sheet=decode(PUBLIC_EXAMPLE), calibrated_on=None)
    assert list(found) == ["serial-differs"]
    assert found["serial-differs"] == (
        "sensor s1 has serial 118 in the sensor table, its chart is of serial 117 and its data sheet says serial 117"
    )
    assert doubts(serial=None) == {}


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("117", "117", True),
        ("SN 000117", "117", True),
        ("a-117", "A-117", True),
        ("A-117", "B-117", False),
        ("117", "1117", False),
        ("synthetic-01", "1", True),
        ("none", "117", False),
    ],
)
def test_same_serial_however_it_is_written(one: str, other: str, same: bool) -> None:
    assert same_serial(one, other) is same_serial(other, one) is same


def test_kinds_of_response() -> None:
    assert list(doubts(response_kind="actuator")) == ["actuator-response"]
    assert list(doubts(response_kind="free-field")) == ["free-field-response"]
    assert doubts(response_kind="free-field", has_chart=False) == {}


def test_dates_of_table_and_data_sheet() -> None:
    found = doubts(data_sheet=decode(PUBLIC_EXAMPLE), calibrated_on="2026-01-19")
    assert list(found) == ["dates-differ"]
    assert "on 2008-06-27 after its data sheet" in found["dates-differ"]


def test_data_sheets_that_cannot_be_trusted(tmp_path: Path) -> None:
    broken = bytes([PUBLIC_EXAMPLE[0] ^ 1]) + PUBLIC_EXAMPLE[1:]
    (tmp_path / "short.bin").write_bytes(b"\1\2\3")
    (tmp_path / "wrong.bin").write_bytes(broken)
    words = {}
    for name in ("short.bin", "wrong.bin", "gone.bin"):
        papers = read_papers(tmp_path, Papers("s1", None, None, False, None, "pressure", name))
        found = certificate_doubts(papers, MEASURED_ON, 730)
        assert list(found) == ["data-sheet-unreadable"]
        words[name] = found["data-sheet-unreadable"]
    assert "short.bin: found 3 bytes, expected 8" in words["short.bin"]
    assert "its checksum is wrong" in words["wrong.bin"]
    assert "gone.bin: No such file" in words["gone.bin"]
