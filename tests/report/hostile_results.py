"""Built results in which every text that a person can give tries to be more than text.

What stays is what cannot be given freely: identifiers, which the campaign's reader holds to letters, digits, "_", "."
and "-" (`campaign/cells.py`), and the closed lists of words that jobs write and the report looks up.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from built_results import SETTINGS, STAMP, Size, built_campaign, write_results

from tapeline.campaign.faults import Fault
from tapeline.campaign.model import Campaign
from tapeline.store import parquet, tables
from tapeline.store.schema import Column, Table

Row = dict[str, Any]

HURTS = (
    "<script>window.hurt=1</script>",
    '"><img src=x onerror=window.hurt=1>',
    "' onmouseover='window.hurt=1",
    "javascript:window.hurt=1",
    "</style><script>window.hurt=1</script>",
    "</title></head><body onload=window.hurt=1>",
    "]]></script><script>window.hurt=1</script>",
    "<!--<svg/onload=window.hurt=1>",
    "{{ 7*191 }}{% raw %}",
    "&lt;img src=x onerror=window.hurt=1&gt;",
    "http://attack.example/x.png url(http://attack.example/y)",
    "\u202egpj.exe\u202c \U0001f69a e\u0301 \u200d \x00 \x1b[31m \ud7ff \ufffe",
)
HOSTILE = " ".join(HURTS)
SAFE_ENDING = "harmless end"

KEPT = frozenset(
    {
        *("run", "run_a", "run_b", "background_runs", "reference_runs", "treatment_runs", "session", "session_label"),
        *("reference_session", "treatment_session", "position", "positions", "condition", "comparison"),
        *("reference", "treatment", "kind", "status", "verdict", "found_verdict", "state", "quality", "calibration"),
        *("marks", "quantity", "weighting", "finding", "budget", "sessions"),
        *("recorded_at", "untreated_runs", "runs", "follows"),
    }
)
"""Identifiers, words of closed lists, and times, which the campaign's reader holds to ISO 8601."""

PLAIN: Row = {
    "run": "a-open-01",
    "session": "april",
    "session_label": "april",
    "reference_session": "april",
    "treatment_session": "april",
    "position": "P01",
    "comparison": "whole-seam",
    "condition": "open",
    "reference": "open",
    "treatment": "sealed",
    "quantity": "overall",
    "weighting": "A",
    "finding": "lower",
    "budget": "difference",
    "follows": "flow",
}
"""Cells of rows made by the schema alone, for tables that the built results do not have."""


def hostile(place: str) -> str:
    """The text for a place, which it names."""
    return f"{place} {HOSTILE} {SAFE_ENDING}"


SIZE = Size(positions=2)
"""Two speeds and two positions: a figure of every kind, and a fraction of them to draw."""


def hostile_campaign(root: Path) -> Campaign:
    """The built campaign below `root`, its free texts hostile."""
    titles = {
        name: {**condition, "title": hostile(f"condition {name}")} for name, condition in SETTINGS["conditions"].items()
    }
    campaign = built_campaign(SIZE, title=hostile("title"), axes=hostile("axes"), conditions=titles)
    return dataclasses.replace(
        campaign,
        root=root,
        runs={
            name: dataclasses.replace(run, remark=hostile("runs.remark"), recordings=(hostile("runs.recording"),))
            for name, run in campaign.runs.items()
        },
        positions={
            name: dataclasses.replace(place, area=hostile("positions.area"), remark=hostile("positions.remark"))
            for name, place in campaign.positions.items()
        },
        fittings=tuple(dataclasses.replace(row, mount=hostile("fittings.mount")) for row in campaign.fittings),
        warnings=(Fault(hostile("file"), 3, hostile("column"), hostile("found"), hostile("expected")),),
    )


def write_hostile_results(results: Path) -> set[str]:
    """Write all tables, every free text of every row hostile; returns the names of the columns filled so."""
    write_results(results, SIZE)
    filled: set[str] = set()
    for table, path in _files(results / "tables"):
        rows = parquet.read_rows(table, path) if path.is_file() else _rows_by_schema(table)
        changed = [_with_hostile_texts(table, row, filled) for row in rows]
        parquet.write_rows(table, path, changed, **STAMP)
    return filled


def _files(folder: Path) -> Iterator[tuple[Table, Path]]:
    for table in tables.ALL:
        if table.partition is None:
            yield table, folder / f"{table.name}.parquet"
        else:
            yield from ((table, path) for path in sorted((folder / table.name).glob("session=*/part-0.parquet")))


def _rows_by_schema(table: Table) -> list[Row]:
    """A few rows of numbers that differ, so that they have an order."""
    return [{column.name: _plain_cell(column, number) for column in table.columns} for number in range(3)]


def _plain_cell(column: Column, number: int) -> Any:
    if column.name in PLAIN:
        cell = PLAIN[column.name]
        return [cell, cell] if column.type == "texts" and isinstance(cell, str) else cell
    if column.name in ("band_hz", "midband_hz"):
        return None
    cells: dict[str, Any] = {
        "integer": number + 1,
        "integers": [1, 2],
        "real": 1.0 + number,
        "reals": [0.5, 0.25],
        "states": [1, 2],
        "yes_no": False,
        "text": "P01",
        "texts": ["P01", "P02"],
    }
    return cells[column.type]


def _with_hostile_texts(table: Table, row: Row, filled: set[str]) -> Row:
    changed = dict(row)
    for column in table.columns:
        if column.type not in ("text", "texts") or column.name in KEPT:
            continue
        name = f"{table.name}.{column.name}"
        text = hostile(name)
        filled.add(name)
        # Lists keep their length: others are read beside them.
        changed[column.name] = text if column.type == "text" else [text for _ in row[column.name] or ()] or [text]
    return changed
