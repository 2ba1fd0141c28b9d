"""Sensors under attached flow of unknown size: `tapeline check` says that their size counts for nothing."""

from __future__ import annotations

from pathlib import Path

from small_campaign import MINIMAL, Files, write

from tapeline.campaign.faults import Fault
from tapeline.campaign.load import load_campaign

SENSORS = "config/sensors.csv"


def told(root: Path, flow: str, diameters: str) -> list[Fault]:
    names = [row.split(",")[0] for row in str(MINIMAL[SENSORS]).splitlines()[1:]]
    rows = "".join(f"{name},4.0,{diameters}\n" for name in names)
    places = [row.split(",")[0] for row in str(MINIMAL["config/positions.csv"]).splitlines()[1:]]
    files: Files = {
        **MINIMAL,
        SENSORS: f"sensor,sensitivity_mv_per_pa,diameter_mm\n{rows}",
        "config/positions.csv": "position,flow\n" + "".join(f"{place},{flow}\n" for place in places),
    }
    write(root, files)
    return [fault for fault in load_campaign(root).warnings if fault.column == "diameter_mm"]


def test_an_unknown_diameter_under_attached_flow_is_warned_of_once(tmp_path: Path) -> None:
    (fault,) = told(tmp_path, "attached", "")
    assert (fault.file, fault.line) == (SENSORS, 2)
    assert fault.found.startswith("an empty cell for ")


def test_a_known_diameter_or_other_flow_is_not_warned_of(tmp_path: Path) -> None:
    assert told(tmp_path, "attached", "2.5") == []
    assert told(tmp_path, "separated", "") == []
