"""The files of a new campaign folder as texts: settings and tables with comments, gaps and their editor's schema."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from tapeline.campaign.faults import GAP
from tapeline.campaign.settings import Settings
from tapeline.campaign.settings_source import SETTINGS_FILE
from tapeline.campaign.table_columns import (
    CALIBRATORS,
    CAVITIES,
    FITTINGS,
    LEFT_OUT,
    OVERRIDES,
    POSITIONS,
    RUNS,
    SENSORS,
    CsvTable,
)
from tapeline.new_campaign.proposal import Proposal

SCHEMA_FILE = "config/campaign.schema.json"
OPTIONAL = {table.name: table for table in (CAVITIES, OVERRIDES, LEFT_OUT)}
"""Tables that are begun only where they are asked for."""

COLUMNS: Mapping[str, tuple[str, ...]] = {
    "runs": (
        "run", "recording", "format", "kind", "session", "condition", "speed_kmh", "yaw_deg", "background",
        "calibrator", "stage", "positions", "temperature_c", "static_pressure_hpa", "humidity_pct", "recorded_at",
        "gain_db", "use", "remark",
    ),
    "positions": ("position", "x_m", "y_m", "z_m", "area", "flow", "mirror", "line", "line_order", "remark"),
    "fittings": ("session", "channel", "position", "sensor", "mount", "full_scale_v", "gain_db", "polarity", "unit"),
    "sensors": (
        "sensor", "sensitivity_mv_per_pa", "calibrated_on", "chart", "diameter_mm", "sensitivity_uncertainty_db",
        "serial",
    ),
}  # fmt: skip
"""The columns that a new table begins with; all of them where a table is not listed. Others may be added."""

FIRST_LINES: Mapping[str, str] = {
    "runs": "One row a recording, in the order in which they were taken.",
    "positions": "One row a place on the body. Delete rows that are too many.",
    "fittings": "One row a channel in each session: which sensor sat where. Delete channels that carry no sensor.",
    "sensors": "One row a sensor. Delete rows that are too many.",
    "calibrators": "One row a calibrator; level and kind are on its certificate.",
    "cavities": "One row a cavity.",
    "overrides": "One row a verdict set by hand.",
    "left_out": "One row a stretch that is not averaged, or a range of frequencies without a level.",
}

SETTINGS = """\
# yaml-language-server: $schema=campaign.schema.json
# Settings of the campaign. {gap} marks what is still to be filled in; `tapeline check` names each place and what is
# expected there. The schema beside this file says every other key, its default and its unit.

campaign: {campaign}
# title: words for the report

# The folder of the recordings; the paths in runs.csv start from it. Nothing is written there.
{recordings}
{formats}# One sentence: where x, y and z point to, and which way yaw is positive.
axes: {gap}

# The states of the body. `applied` lists the treatments in place, [] for the bare body.
{conditions}
# Optional: what is compared, by a name of your own. Without it every condition meets the reference.
# comparisons:
#   whole-seam: {{reference: sealed, treatment: open}}

# Every section below has a default; take away the sign to change one.
# calibration: {{sensitivity: mean}}       # mean of the checks before and after; also before, after, chart, data_sheet
# spectra: {{resolution_hz: 5}}            # line spacing
# bands: {{fraction: 3, range_hz: [25, 8000]}}
# mains_hz: 50
# report: {{speed_unit: km/h}}
"""

NO_CONDITIONS = """\
# For example:
#   conditions:
#     open: {applied: []}
#     sealed: {title: Seam taped all along, applied: [tape]}
#   reference_condition: open
conditions: ???
"""


def campaign_files(campaign: str, recordings: str, proposed: Proposal, also: Iterable[str] = ()) -> dict[str, str]:
    """The text of each file by its path from the campaign folder.

    `recordings` is the path of the recordings from the campaign folder, absolute where they lie elsewhere; `also` names
    the optional tables to begin.
    """
    sensors = [{"sensor": GAP}] * proposed.positions
    positions = [{"position": GAP}] * proposed.positions
    files = {
        SETTINGS_FILE: _settings(campaign, recordings, proposed),
        "config/runs.csv": _table(RUNS, proposed.runs, _run_comments(proposed)),
        "config/positions.csv": _table(POSITIONS, positions),
        "config/fittings.csv": _table(FITTINGS, proposed.fittings),
        "config/sensors.csv": _table(SENSORS, sensors),
        "config/calibrators.csv": _table(CALIBRATORS, proposed.calibrators),
        SCHEMA_FILE: json.dumps(Settings.json_schema(), indent=1, sort_keys=True) + "\n",
    }
    return files | {f"config/{name}.csv": _table(OPTIONAL[name], ()) for name in also}


def identifier_of(folder: Path) -> str:
    """An identifier of a campaign from the name of its folder."""
    return re.sub(r"[^A-Za-z0-9_.-]+", "-", folder.name).strip("-_.")[:100] or "campaign"


def _settings(campaign: str, recordings: str, proposed: Proposal) -> str:
    # A double-quoted scalar of YAML takes what JSON takes.
    where = f"recordings: {json.dumps(recordings, ensure_ascii=False)}\n"
    if PurePosixPath(recordings).is_absolute():
        where += "inputs_outside: true\n"
    return SETTINGS.format(
        gap=GAP,
        campaign=json.dumps(campaign),
        recordings=where,
        formats=_formats(proposed.formats),
        conditions=_conditions(proposed.conditions) if proposed.conditions else NO_CONDITIONS,
    )


def _formats(formats: Mapping[str, Mapping[str, str]]) -> str:
    if not formats:
        return ""
    lines = ["# How samples lie in recordings that do not say so themselves.", "raw_formats:"]
    for name, keys in formats.items():
        lines += [f"  {name}:", *(f"    {key}: {value}" for key, value in keys.items())]
    return "\n".join([*lines, "", ""])


def _conditions(names: Sequence[str]) -> str:
    lines = ["# Proposed from the files' names:", "conditions:"]
    for name in names:
        lines += [f"  {json.dumps(name)}:", f"    applied: {GAP}"]
    return "\n".join([*lines, f"reference_condition: {GAP}", ""])


def _run_comments(proposed: Proposal) -> list[str]:
    """What the files say of each session, and that it is proposed."""
    by_file = {one.file: one for one in proposed.recordings}
    lines = []
    for session, files in proposed.sessions.items():
        kinds = dict.fromkeys(_kind_words(by_file[file]) for file in files)
        lines.append(f"Proposed session {session}: {len(files)} recordings; {'; '.join(kinds)}.")
    if any("recorded_at" in run for run in proposed.runs):
        lines.append(
            "recorded_at is from the headers or the files' times; correct it where the recorder's clock was off."
        )
    return lines


def _kind_words(one: Any) -> str:
    channels = "" if one.channels is None else f", {one.channels} channels"
    rate = "" if one.sample_rate_hz is None else f" at {one.sample_rate_hz:.10g} Hz"
    return f"{one.kind}{channels}{rate}"


def _table(table: CsvTable[Any], rows: Sequence[Mapping[str, str]], more: Sequence[str] = ()) -> str:
    """Comments, then the header and the rows; columns in the order of the list above."""
    declared = {column.name: column for column in table.columns}
    names = COLUMNS.get(table.name, tuple(declared))
    text = io.StringIO()
    lines = [f"{FIRST_LINES[table.name]} {GAP} is still to be filled in; an empty cell is not given.", *more]
    lines += [f"  {name}: {'needed: ' if declared[name].needed else ''}{declared[name].wanted}" for name in names]
    text.writelines(f"# {line}\n" for line in lines)
    writer = csv.DictWriter(text, names, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()
