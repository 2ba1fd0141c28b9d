"""A few rows of finished results by hand: at p1 values, at p2 a bound among them, at p3 nothing usable (synthetic)."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq

from tapeline.store import parquet, tables
from tapeline.store.schema import Table
from tapeline.store.tables import STATES

Row = dict[str, Any]
POINT = {"speed_mps": 100 / 3.6, "yaw_deg": 0.0}
RANGE = {"weighting": "A", "lowest_band_hz": 100.0, "highest_band_hz": 4000.0}
COMPARED = {"comparison": "seam", "reference": "sealed", "treatment": "open", "session_label": "april"}


def run(name: str, condition: str | None, **cells: Any) -> Row:
    """A row of the run table: a used measurement of April, if nothing else is said."""
    same = {"run": name, "session": "april", "condition": condition, "kind": "measurement", "status": "used"}
    return {**same, **POINT, "recorded_at": f"2026-04-14T10:0{name[-1]}:00", **cells}


RUNS = [
    run("r1", "open"),
    run("r2", "open"),
    run("r3", None, kind="background"),
    run("r4", "open", status="left out"),
]


def level(run: str, position: str, level_db: float, **cells: Any) -> Row:
    """Cells of an overall or band level that is a clear value."""
    made = {"run": run, "position": position, "level_db": level_db, "corrected_level_db": level_db, "state": "clear"}
    ends = {"absolute_lower_db": level_db - 1.0, "absolute_upper_db": level_db + 1.0}
    return {**made, **ends, "doubt": [], "usable": True, "comparable": True, "pooled": True, **cells}


def bound(run: str, position: str, bound_db: float) -> Row:
    """Cells of a level of which an upper bound is all that is known."""
    none = {"corrected_level_db": None, "absolute_lower_db": None, "absolute_upper_db": None}
    return level(run, position, bound_db, state="bound", upper_bound_db=bound_db, **none)


WRONG = {"usable": False, "comparable": False, "pooled": False, "doubt": ["overload"]}


def levels(higher_db: float) -> list[Row]:
    """Levels at p1 as values, at p2 one value and one bound, at p3 unusable; and those of a background run."""
    high = 90.0 + higher_db
    return [
        level("r1", "p1", high),
        level("r2", "p1", high + 1.0),
        level("r3", "p1", 70.0),
        level("r1", "p2", 61.0),
        bound("r2", "p2", 61.23),
        level("r1", "p3", 150.0, **WRONG),
        level("r2", "p3", 151.0, **WRONG),
    ]


def difference(position: str, finding: str, **cells: Any) -> Row:
    """A row of the comparisons."""
    sessions = {"reference_session": "april", "treatment_session": "april", "quantity": "overall"}
    return {**COMPARED, **sessions, **POINT, **RANGE, "position": position, "finding": finding, **cells}


COMPARISONS = [
    difference("p1", "higher", difference_db=3.25, lower_db=2.0, upper_db=4.5),
    difference("p2", "bound", lower_db=1.27),
    difference("p3", "not given", why_not="no usable run"),
]


def treatment(position: str, finding: str, **cells: Any) -> Row:
    """A row of the treatments: what `sealed` gains, with nothing to be held against for a remainder."""
    sessions = {"session": "april", "other_session": "april", "quantity": "overall"}
    names = {"condition": "sealed", "applied": ["front", "rear"], "untreated": "open", "position": position}
    return {**names, **sessions, **POINT, **RANGE, "gain_finding": finding, **cells}


TREATMENTS = [
    treatment("p1", "lower", gain_db=3.25, gain_lower_db=2.0, gain_upper_db=4.5),
    treatment("p2", "bound", gain_lower_db=1.27),
    treatment("p3", "not given", gain_why_not="no usable run"),
]


def write_results(results: Path, campaign: str, higher_db: float = 0.0) -> Path:
    """Write the tables and their manifest into the folder `results`, and return it."""
    overall = [{**row, **RANGE} for row in levels(higher_db)]
    bands = [{**row, "band_hz": 500.0} for row in levels(higher_db)]
    budget = {**RANGE, **POINT, "budget": "absolute", "session_label": "april", "condition": "open", "doubtful": False}
    mean = {"position": "p1", "level_db": 90.5 + higher_db, "lower_db": 89.0, "upper_db": 92.0, "runs": ["r1", "r2"]}
    states = [STATES.index(name) for name in ("bound", "clear", "clear")]
    spectra = [
        {
            "run": "r1", "position": position, "first_hz": 20.0, "step_hz": 5.0, "psd_pa2_per_hz": [4e-4, 4e-4, 4e-5],
            "corrected_psd_pa2_per_hz": [None, 4e-4, 4e-5], "background_psd_pa2_per_hz": [4e-4, 4e-6, None],
            "margin_db": [0.0, 20.0, None], "state": states,
        }
        for position in ("p1", "p3")
    ]  # fmt: skip
    wrong = {"session": "april", "position": "p3", "verdict": "unusable", "reasons": ["overload"]}
    content: dict[Table[Any], list[Row]] = {
        tables.RUNS: RUNS,
        tables.POSITIONS: [{"position": "p1", "area": "=seam"}, {"position": "p2"}, {"position": "p3"}],
        tables.QUALITY: [{"run": "r1", **wrong}, {"run": "r2", **wrong}],
        tables.COMPARISONS: COMPARISONS,
        tables.TREATMENTS: TREATMENTS,
        tables.BUDGETS: [{**budget, **mean, "quantity": "overall", "doubt": []}],
        tables.OVERALL: overall,
        tables.BANDS: bands,
        tables.NARROWBAND: spectra,
        tables.HISTORY: [{"run": "r1", "position": "p1", "weighting": "A", "time_s": 0.0, "level_db": 90.0}],
    }
    for table, rows in content.items():
        part = "/session=april/part-0.parquet" if table.partition else ".parquet"
        path = results / "tables" / f"{table.name}{part}"
        parquet.write_rows(table, path, rows, campaign=campaign, digest="d" * 64)
    write_manifest(results)
    return results


def write_manifest(results: Path) -> None:
    """A manifest that describes the tables as they are."""
    described = {}
    for file in sorted((results / "tables").rglob("*.parquet")):
        made_from = (pq.read_schema(file).metadata or {}).get(b"tapeline.made_from", b"").decode()
        digest = hashlib.sha256(file.read_bytes()).hexdigest()
        described[file.relative_to(results).as_posix()] = {"made_from": made_from, "sha256": digest}
    (results / "manifest.json").write_text(json.dumps({"tables": described}), encoding="utf-8")
