"""Runs of the small campaign for the search of background runs, as rows to write."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from small_campaign import MINIMAL, write

from tapeline.campaign.backgrounds import Backgrounds, backgrounds_of
from tapeline.campaign.load import load_campaign
from tapeline.campaign.model import Campaign

RUNS, FITTINGS, SETTINGS = "config/runs.csv", "config/fittings.csv", "config/campaign.yaml"
COLUMNS = ["run", "recording", "kind", "session", "condition", "speed_kmh", "yaw_deg", "background", "gain_db"]
COLUMNS += [
    "recorded_at",
    "measured_speed_mps",
    "dynamic_pressure_pa",
    "temperature_c",
    "static_pressure_hpa",
    "replaces",
    "use",
]
BRIDGE = {SETTINGS: MINIMAL[SETTINGS] + "background: {between_speeds: true}\n"}
Row = dict[str, object]


def measured(run: str = "m", **cells: object) -> Row:
    """A row of the run table: a measurement of session april at 100 km/h unless the cells say otherwise."""
    return {"run": run, "kind": "measurement", "session": "april", "condition": "open", "speed_kmh": 100} | cells


def background(run: str, speed_kmh: object = 100, **cells: object) -> Row:
    """A row of the run table: a background run of session april."""
    return {"run": run, "kind": "background", "session": "april", "speed_kmh": speed_kmh} | cells


def campaign_of(root: Path, *rows: Row, files: Mapping[str, str] | None = None) -> Campaign:
    """The small campaign with these runs and no others."""
    lines = [[str((row | {"recording": f"{row['run']}.wav"}).get(name, "")) for name in COLUMNS] for row in rows]
    table = "\n".join(",".join(line) for line in [COLUMNS, *lines]) + "\n"
    write(root, {**MINIMAL, **(files or {}), RUNS: table})
    return load_campaign(root)


def of(root: Path, *rows: Row, files: Mapping[str, str] | None = None, run: str = "m") -> Backgrounds:
    """What is subtracted from one of these runs."""
    return backgrounds_of(campaign_of(root, *rows, files=files))[run]
