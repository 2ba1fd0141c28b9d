"""Small results folders for tests: a few rows of real tables and a manifest, as dictionaries to change and to write."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from tapeline.changes.comparing import compare_results
from tapeline.changes.results_folder import open_results
from tapeline.changes.scales import Tolerance
from tapeline.changes.table_changes import Moved, TableChanges
from tapeline.store import parquet, tables

Row = dict[str, Any]
Part = tuple[str, str | None]
"""A table's name and the session of its part, None for a table that is one file."""

Contents = dict[Part, list[Row]]
MADE_FROM = "d1" * 16


def band(run: str, level_db: float, **cells: Any) -> Row:
    """A row of the band table at 500 Hz."""
    power = 4e-10 * 10 ** (level_db / 10)
    levels = {"level_db": level_db, "corrected_level_db": level_db, "corrected_pa2": power}
    row = {"run": run, "position": "p1", "band_hz": 500.0, "state": "clear", "marks": [], "quality": "good"}
    return row | levels | cells


def lines(run: str, psd: Iterable[float], **cells: Any) -> Row:
    """A row of the narrowband table with lines from 20 Hz on, 5 Hz apart."""
    values = np.asarray(list(psd), dtype=np.float32)
    states = np.ones(values.size, dtype=np.uint8)
    row = {"run": run, "position": "p1", "first_hz": 20.0, "step_hz": 5.0, "psd_pa2_per_hz": values, "state": states}
    return row | cells


def difference(position: str, difference_db: float | None, finding: str, **cells: Any) -> Row:
    """A row of the comparisons table."""
    place = {"comparison": "seam", "reference_session": "april", "treatment_session": "april", "position": position}
    point = {"speed_mps": 100 / 3.6, "yaw_deg": 0.0, "quantity": "band", "weighting": "Z", "band_hz": 500.0}
    return {**place, **point, "difference_db": difference_db, "finding": finding, "p_value": 0.01} | cells


def contents() -> Contents:
    """Tables with something of every kind of column."""
    return {
        ("bands", "april"): [band("r1", 93.2), band("r2", 92.0, marks=["few-lines", "chart-ends"])],
        ("bands", "may"): [band("m1", 90.0), band("m2", 91.0, upper_bound_db=91.0, state="bound")],
        ("narrowband", "april"): [lines("r1", [1.0, 2.0, 4.0]), lines("r2", [1.0, np.nan, 4.0])],
        ("comparisons", None): [difference("p1", -2.0, "lower"), difference("p2", -0.4, "not shown")],
        ("calibration", None): [
            {
                "session": "april",
                "position": "p1",
                "sensitivity_v_per_pa": 0.004,
                "verdict": "good",
                "terms": ["drift", "adapter"],
                "terms_db": [0.2, 0.1],
                "terms_evidence": ["measured", "default"],
            }
        ],
        ("quality", None): [
            {"run": "r1", "position": "p1", "verdict": "good", "reasons": [], "frames": 1000, "recording_sha256": "ab"}
        ],
    }


def manifest(written: Contents, **changed: Any) -> dict[str, Any]:
    """The manifest of these tables; `changed` replaces its parts."""
    return {
        "campaign": "roof",
        "analysis": "a1",
        "settings": {"campaign": "roof", "bands": {"fraction": 3, "range_hz": [100.0, 4000.0]}, "confidence": 0.95},
        "inputs": {"config/runs.csv": "aa" * 32, "recordings/r1.wav": "bb" * 32},
        "versions": {"tapeline": "0.1.0", "numpy": "2.0.0"},
        "steps": {"tables": 7, "compare": 3},
        "calibration": {"april/p1": {"sensor": "s1", "sensitivity_v_per_pa": 0.004, "source": "mean"}},
        "tables": {path: {"made_from": MADE_FROM, "sha256": "", "schema": ""} for path in map(path_of, written)},
        **changed,
    }


def path_of(part: Part) -> str:
    name, session = part
    return f"tables/{name}.parquet" if session is None else f"tables/{name}/session={session}/part-0.parquet"


def write_results(folder: Path, written: Contents, **changed: Any) -> Path:
    """Write the tables and their manifest below `folder`."""
    stated = manifest(written, **changed)
    for part, rows in written.items():
        table = tables.BY_NAME[part[0]]
        # Results of earlier versions may hold NaN and infinities, which are not written any more.
        content = pa.Table.from_pylist([dict(row) for row in rows], schema=table.arrow())
        content = content.sort_by([(name, "ascending") for name in table.order]) if rows else content
        parquet.write_arrow(table, folder / path_of(part), content, campaign=stated["campaign"], digest=MADE_FROM)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "manifest.json").write_text(json.dumps(stated), encoding="utf-8")
    describe(folder)
    return folder


def describe(folder: Path) -> None:
    """Bring the content hashes of the manifest up to date with the tables, as a run to the end does."""
    path = folder / "manifest.json"
    content = json.loads(path.read_text(encoding="utf-8"))
    for name, entry in content["tables"].items():
        entry["sha256"] = hashlib.sha256((folder / name).read_bytes()).hexdigest()
    path.write_text(json.dumps(content), encoding="utf-8")


def changes(
    old: Path, new: Path, within_db: float = 0.0, within_share: float | None = None
) -> tuple[dict[str, TableChanges], list[Moved]]:
    """What differs between two folders, by table, and every changed cell."""
    cells: list[Moved] = []
    found = compare_results(open_results(old), open_results(new), Tolerance(within_db, within_share), cells.append)
    return {table.table: table for table in found}, cells


def changed_contents(part: Part, rows: list[Row]) -> Contents:
    """The small tables with other rows in one part."""
    return contents() | {part: rows}


def two(folder: Path, new: Contents, old: Contents | None = None, **changed: Mapping[str, Any]) -> tuple[Path, Path]:
    """Both folders written below one: "old" and "new", the latter with this manifest."""
    first = write_results(folder / "old", contents() if old is None else old)
    return first, write_results(folder / "new", new, **changed)
