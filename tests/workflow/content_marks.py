"""Marks of the sample campaign's table contents, kept per step version, tight enough to see a changed method.

Texts and counts must be the same; sums of numbers may differ by rounding between processors.
Run as a script to write the marks anew from a results folder, or with `--check` before it to hold it against them.
"""

from __future__ import annotations

import hashlib
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from tapeline.jobs import JOBS

FILE = Path(__file__).with_name("content_marks.json")
RELATIVE = 1e-6


def marks_of(results: Path) -> dict[str, Any]:
    """One entry a table file: rows, a hash of the texts, and sums of the numbers, column by column."""
    files = sorted((results / "tables").rglob("*.parquet"))
    tables = {path.relative_to(results).as_posix(): _mark(pq.ParquetFile(path).read()) for path in files}
    return {"steps": {job.name: job.version for job in JOBS.values()}, "tables": tables}


def _mark(table: pa.Table) -> dict[str, Any]:
    columns = {}
    for name in table.column_names:
        column = table.column(name).combine_chunks()
        flat = column.flatten() if pa.types.is_list(column.type) else column
        if pa.types.is_floating(flat.type):
            values = flat.to_numpy(zero_copy_only=False).astype(float)
            values = values[np.isfinite(values)]
            columns[name] = [int(values.size), float(values.sum()), float(np.abs(values).sum())]
        else:
            columns[name] = hashlib.sha256(json.dumps(column.to_pylist()).encode()).hexdigest()[:16]
    return {"rows": table.num_rows, "columns": columns}


def expected_marks() -> dict[str, Any]:
    """The committed marks."""
    loaded: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))
    return loaded


def differences(expected: dict[str, Any], found: dict[str, Any]) -> list[str]:
    """What differs, one line each; empty where the contents are the same or the step versions are others."""
    if expected["steps"] != found["steps"]:
        return ["the step versions changed: run `make content-marks` and review the change"]
    lines = [f"{name}: there in one only" for name in sorted(expected["tables"].keys() ^ found["tables"].keys())]
    for name in sorted(expected["tables"].keys() & found["tables"].keys()):
        before, after = expected["tables"][name], found["tables"][name]
        if before["rows"] != after["rows"]:
            lines.append(f"{name}: {after['rows']} rows, were {before['rows']}")
        for column in sorted(before["columns"].keys() | after["columns"].keys()):
            pair = (before["columns"].get(column), after["columns"].get(column))
            if not _same(*pair):
                lines.append(f"{name}, column {column}: {pair[1]}, was {pair[0]}")
    return lines


def _same(before: Any, after: Any) -> bool:
    if isinstance(before, list) and isinstance(after, list):
        scale = max(before[2], 1e-300)
        return before[0] == after[0] and all(
            abs(b - a) <= RELATIVE * scale for b, a in zip(before[1:], after[1:], strict=True)
        )
    return bool(before == after)


def main(arguments: list[str]) -> int:
    """Write the marks, or print how a results folder differs from them: status 1 where it does."""
    found = marks_of(Path(arguments[-1]))
    if arguments[:-1] == ["--check"]:
        lines = differences(expected_marks(), found)
        sys.stderr.writelines(f"{line}\n" for line in lines)
        return 1 if lines else 0
    FILE.write_text(json.dumps(found, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
