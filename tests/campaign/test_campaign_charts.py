"""Charts of fitted sensors."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_campaign import MINIMAL, faults_of, write

from tapeline.campaign.charts import Chart
from tapeline.campaign.load import load_campaign

CHART = "charts/s1.csv"
SENSORS = "sensor,chart\ns1,charts/s1.csv\ns2,charts/s1.csv\n"


def with_chart(root: Path, text: str) -> Path:
    write(root, {**MINIMAL, "config/sensors.csv": SENSORS, CHART: text})
    return root


def test_chart_with_phase_serves_every_sensor_that_names_it(tmp_path: Path) -> None:
    root = with_chart(tmp_path, "# from the maker\nfrequency_hz,response_db,phase_deg\n20,-0.5,10\n1e3,0,0\n")
    chart = Chart(frequency_hz=(20.0, 1000.0), response_db=(-0.5, 0.0), phase_deg=(10.0, 0.0))
    assert load_campaign(root).charts == {"s1": chart, "s2": chart}
    assert load_campaign(root, check=False).charts == {"s1": chart, "s2": chart}


@pytest.mark.parametrize(
    ("text", "line", "column", "found", "expected"),
    [
        (
            "frequency_hz,response_db\n20,0\n20,1\n",
            3,
            "frequency_hz",
            "20 Hz",
            "frequencies that increase (above 20 Hz)",
        ),
        ("frequency_hz,response_db\n20,0\n30,0\n25,1\n", 4, "frequency_hz", "25 Hz", "above 30 Hz"),
        ("frequency_hz,response_db\n0,0\n30,0\n", 2, "frequency_hz", "0", "a number above 0 up to 1e+09 Hz"),
        ("frequency_hz,response_db\n20,low\n30,0\n", 2, "response_db", '"low"', "a number of dB"),
        ("frequency_hz,response_db\n20,\n30,0\n", 2, "response_db", "an empty cell", "response relative"),
        ("frequency_hz,response_db\n20,0\n", None, None, "one row", "at least 2 frequencies"),
        ("frequency_hz,response_db\n", None, None, "no rows", "at least 2 frequencies"),
        ("frequency_hz,response\n20,0\n30,0\n", 1, "response", "unknown column", "one of frequency_hz, response_db"),
        ("frequency_hz,response_db,phase_deg\n20,0,1\n30,0,\n", 3, "phase_deg", "no phase", "in every row or in none"),
        ("frequency_hz,response_db,phase_deg\n20,0,\n30,0,1\n", 3, "phase_deg", "a phase", "in every row or in none"),
    ],
)
def test_fault_in_a_chart(
    tmp_path: Path, text: str, line: int | None, column: str | None, found: str, expected: str
) -> None:
    fault = faults_of(with_chart(tmp_path, text))[0]
    assert (fault.file, fault.line, fault.column) == (CHART, line, column)
    assert found in fault.found
    assert expected in fault.expected


def test_the_chart_is_taken_relative_to_its_reference_frequency(tmp_path: Path) -> None:
    """An absolute chart (dB re 1 V/Pa): half way in log frequency between 100 and 10000 Hz lies 1000 Hz."""
    chart = Chart((100.0, 10_000.0), (-46.0, -44.0), None)
    assert chart.relative_to(1000.0) == pytest.approx((-1.0, 1.0))
    assert chart.relative_to(100.0) == pytest.approx((0.0, 2.0))
    assert chart.relative_to(10_000.0) == pytest.approx((-2.0, 0.0))
    assert chart.relative_to(None) == chart.relative_to(50.0) == (-46.0, -44.0)


def test_a_reference_frequency_beyond_the_chart_is_warned_of(tmp_path: Path) -> None:
    sensors = "sensor,chart,chart_reference_hz\ns1,charts/s1.csv,1000\ns2,charts/s1.csv,50\n"
    text = "frequency_hz,response_db,serial\n20,-1,A-7\n500,0,\n"
    write(tmp_path, {**MINIMAL, "config/sensors.csv": sensors, CHART: text})
    campaign = load_campaign(tmp_path)
    assert campaign.charts["s1"].serial == "A-7"
    (warning,) = campaign.warnings
    assert (warning.file, warning.line, warning.column) == ("config/sensors.csv", 2, "chart_reference_hz")
    assert warning.found == "1000 Hz"
    assert "within the chart, 20 to 500 Hz" in warning.expected
