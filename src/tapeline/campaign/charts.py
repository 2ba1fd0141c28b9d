"""A sensor's frequency response, from a CSV file."""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.cells import TEXT, number
from tapeline.campaign.faults import Fault
from tapeline.campaign.table_columns import CsvColumn, CsvTable
from tapeline.campaign.table_source import read_table

LEAST_POINTS = 2


@dataclass(frozen=True)
class Chart:
    """Response re the reference frequency, over strictly increasing frequencies."""

    frequency_hz: tuple[float, ...]
    response_db: tuple[float, ...]
    phase_deg: tuple[float, ...] | None
    serial: str | None = None

    def covers(self, frequency_hz: float) -> bool:
        """Whether the chart reaches a frequency."""
        return self.frequency_hz[0] <= frequency_hz <= self.frequency_hz[-1]

    def relative_to(self, reference_hz: float | None) -> tuple[float, ...]:
        """The response less that at the reference frequency, linear in decibels over log frequency.

        As it stands where no reference is stated or the chart does not reach it.
        """
        if reference_hz is None or not self.covers(reference_hz):
            return self.response_db
        upper = max(1, bisect.bisect_left(self.frequency_hz, reference_hz))
        low, high = self.frequency_hz[upper - 1], self.frequency_hz[upper]
        share = math.log(reference_hz / low) / math.log(high / low)
        at_reference = self.response_db[upper - 1] * (1.0 - share) + self.response_db[upper] * share
        return tuple(value - at_reference for value in self.response_db)


@dataclass(frozen=True)
class _ChartPoint:
    frequency_hz: float | None
    response_db: float | None
    phase_deg: float | None
    serial: str | None
    line: int


CHART = CsvTable(
    "chart",
    _ChartPoint,
    (
        CsvColumn("frequency_hz", number("Hz", above=0, most=1e9), "frequency", needed=True, unit="Hz"),
        CsvColumn(
            "response_db",
            number("dB", least=-200, most=200),
            "response relative to that at the reference frequency",
            needed=True,
            unit="dB",
        ),
        CsvColumn("phase_deg", number("degrees", least=-36000, most=36000), "phase of the response", unit="deg"),
        CsvColumn("serial", TEXT, "serial number of the sensor that the chart belongs to; the first one counts"),
    ),
)


def read_chart(root: Path, shown: str, faults: list[Fault]) -> Chart | None:
    """Read the chart in the file `shown`, relative to `root`; None, and faults, where it does not hold together."""
    found: list[Fault] = []
    table = read_table(root, shown, CHART, found)
    points = table.rows
    if not found:
        _check_points(table.file, points, found)
    faults.extend(found)
    if found or not points:
        return None
    phases = [point.phase_deg for point in points]
    return Chart(
        frequency_hz=tuple(point.frequency_hz or 0.0 for point in points),
        response_db=tuple(point.response_db or 0.0 for point in points),
        phase_deg=None if phases[0] is None else tuple(phase or 0.0 for phase in phases),
        serial=next((point.serial for point in points if point.serial), None),
    )


def _check_points(file: str, points: tuple[_ChartPoint, ...], faults: list[Fault]) -> None:
    if len(points) < LEAST_POINTS:
        expected = f"at least {LEAST_POINTS} frequencies"
        faults.append(Fault(file, None, None, "one row" if points else "no rows", expected))
    highest = 0.0
    with_phase = bool(points) and points[0].phase_deg is not None
    for point in points:
        frequency = point.frequency_hz or 0.0
        if frequency <= highest:
            expected = f"frequencies that increase (above {highest:g} Hz)"
            faults.append(Fault(file, point.line, "frequency_hz", f"{frequency:g} Hz", expected))
        highest = max(highest, frequency)
        if (point.phase_deg is not None) != with_phase:
            found = "a phase" if point.phase_deg is not None else "no phase"
            faults.append(Fault(file, point.line, "phase_deg", found, "a phase in every row or in none"))
