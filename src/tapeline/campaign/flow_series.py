"""What the flow did during a run, from a CSV file beside the recording."""

from __future__ import annotations

import posixpath
from dataclasses import dataclass
from pathlib import Path

from tapeline.campaign.cells import number
from tapeline.campaign.faults import Fault
from tapeline.campaign.fitting_checks import found_instead, has_file
from tapeline.campaign.material import Material
from tapeline.campaign.table_columns import CsvColumn, CsvTable
from tapeline.campaign.table_source import read_table


@dataclass(frozen=True)
class FlowSeries:
    """Readings at rising times in seconds from the recording's start."""

    time_s: tuple[float, ...]
    speed_mps: tuple[float, ...]
    yaw_deg: tuple[float, ...]


@dataclass(frozen=True)
class _Reading:
    time_s: float | None
    speed_mps: float | None
    yaw_deg: float
    line: int


FLOW_SERIES = CsvTable(
    "flow_series",
    _Reading,
    (
        CsvColumn("time_s", number("s", least=0), "time from the recording's start", needed=True, unit="s"),
        CsvColumn(
            "speed_mps", number("m/s", least=0, most=340), "speed of the air against the body", needed=True, unit="m/s"
        ),
        CsvColumn("yaw_deg", number("degrees", least=-180, most=180), "yaw angle", default=0.0, unit="deg"),
    ),
)


def read_flow_series(root: Path, shown: str, faults: list[Fault]) -> FlowSeries | None:
    """Read the file `shown`, relative to `root`; None, and faults, where it does not hold together."""
    found: list[Fault] = []
    table = read_table(root, shown, FLOW_SERIES, found)
    if not found and not table.rows:
        found.append(Fault(shown, None, None, "no rows", "readings of speed and yaw"))
    last = -1.0
    for row in table.rows if not found else ():
        time = row.time_s or 0.0
        if time <= last:
            expected = f"times that rise (above {last:g} s)"
            found.append(table.fault(row.line, "time_s", f"{time:g} s", expected))
            break
        last = time
    faults.extend(found)
    if found:
        return None
    rows = table.rows
    return FlowSeries(
        tuple(row.time_s or 0.0 for row in rows),
        tuple(row.speed_mps or 0.0 for row in rows),
        tuple(row.yaw_deg for row in rows),
    )


def check_flow_series(material: Material) -> None:
    """Files that are not there or do not hold together."""
    if material.source is None:
        return
    for run in material.runs.rows:
        if run.flow_series is None or not run.use:
            continue
        if run.kind == "calibration":
            found, expected = "a flow series of a calibration", "an empty cell"
            material.note(material.runs.fault(run.line, "flow_series", found, expected))
            continue
        path = posixpath.normpath(run.flow_series)
        shown = posixpath.join(material.source.settings.recordings, path)
        if not has_file(material.root, shown):
            expected = "a file, by its path below the recordings folder"
            material.note(material.runs.fault(run.line, "flow_series", found_instead(material.root, shown), expected))
        else:
            read_flow_series(material.root, shown, material.faults)
