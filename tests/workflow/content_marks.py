"""Marks of the sample campaign's table contents, tight enough to see a changed method, with the versions behind them.

Texts and counts must be the same; sums of numbers may differ by rounding between processors. A table may change where
the version of the job that writes it, or of one before it, was raised. Run as a script to write the marks anew from a
results folder, which refuses a table that changed under the same versions; with `--check` before it, to hold it against
them.
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

from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs import JOBS

FILE = Path(__file__).with_name("content_marks.json")
RELATIVE = 1e-6


def marks_of(results: Path) -> dict[str, Any]:
    """One entry a table file: versions, rows, a hash of the texts, and sums of the numbers, column by column."""
    files = sorted((results / "tables").rglob("*.parquet"))
    versions = _versions(Plan(load_campaign(results.parent, check=False)))
    marks = {path.relative_to(results).as_posix(): _mark(pq.ParquetFile(path).read()) for path in files}
    return {name: {"versions": versions[name], **mark} for name, mark in marks.items()}


def _versions(plan: Plan) -> dict[str, dict[str, int]]:
    """For each file the versions of the job that writes it and of all jobs whose results reach it."""
    made = {path: job for job in JOBS.values() for path in job.all_outputs(plan)}
    read: dict[str, set[str]] = {}
    for job in JOBS.values():
        inputs = (path for key in job.keys(plan) for path in job.inputs(plan, key))
        before = {made[path].name for path in inputs if path in made}
        read[job.name] = {job.name} | before.union(*(read[name] for name in before))
    return {
        path.relative_to(plan.results).as_posix(): {name: JOBS[name].version for name in sorted(read[job.name])}
        for path, job in made.items()
    }


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
    """What differs, one line each; of a table made by other versions no more than that its marks are to be written."""
    lines = [f"{name}: there in one only" for name in sorted(expected.keys() ^ found.keys())]
    lines += [
        f"{name}: made by other versions: run `make content-marks` and review the change"
        for name in sorted(expected.keys() & found.keys())
        if expected[name]["versions"] != found[name]["versions"]
    ]
    return lines + changed_under_the_same_versions(expected, found)


def changed_under_the_same_versions(expected: dict[str, Any], found: dict[str, Any]) -> list[str]:
    """What differs in tables whose jobs kept their versions, one line each."""
    return [
        line
        for name in sorted(expected.keys() & found.keys())
        if expected[name]["versions"] == found[name]["versions"]
        for line in _changes(name, expected[name], found[name])
    ]


def _changes(name: str, before: dict[str, Any], after: dict[str, Any]) -> list[str]:
    lines = [] if before["rows"] == after["rows"] else [f"{name}: {after['rows']} rows, were {before['rows']}"]
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
    results = Path(arguments[-1])
    if not (results / "tables").is_dir():
        sys.stderr.write(f"{results}: no results, a results folder with tables is expected\n")
        return 2
    found = marks_of(results)
    if arguments[:-1] == ["--check"]:
        lines = differences(expected_marks(), found)
    elif lines := changed_under_the_same_versions(expected_marks(), found):
        lines.append("not written: raise the `version` of the jobs that write these (jobs/<name>/__init__.py)")
    else:
        FILE.write_text(json.dumps(found, indent=1, sort_keys=True) + "\n", encoding="utf-8")
    sys.stderr.writelines(f"{line}\n" for line in lines)
    return 1 if lines else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
