"""The axis of band levels: it holds levels and bounds of the whole page, or says what it leaves out."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pyarrow as pa
from built_report import Report
from built_results import built_campaign

from tapeline.report.finished_tables import FinishedTables
from tapeline.report.level_axis import DEEPEST_DB, beyond_words, level_axis


def with_bands(tables: FinishedTables, **columns: list[float | None]) -> FinishedTables:
    """Tables with other band levels in the first used measurement, and none elsewhere."""
    run = next(row["run"] for row in tables.runs if row["kind"] == "measurement" and row["status"] == "used")
    count = len(next(iter(columns.values())))
    names = ("corrected_level_db", "upper_bound_db")
    cells: dict[str, Any] = {name: pa.array(columns.get(name, [None] * count), type=pa.float64()) for name in names}
    changed = dataclasses.replace(tables, folder=Path("nowhere"))
    changed.__dict__["bands"] = {"april": pa.table({"run": [run] * count, **cells})}
    return changed


def test_all_levels_and_bounds_of_measurements_are_on_it(report: Report) -> None:
    low, high = level_axis(report.tables, report.campaign)
    used = {row["run"] for row in report.tables.runs if row["kind"] == "measurement" and row["status"] == "used"}
    values = [
        value
        for table in report.tables.bands.values()
        for row in table.select(["run", "corrected_level_db", "upper_bound_db"]).to_pylist()
        if row["run"] in used
        for value in (row["corrected_level_db"], row["upper_bound_db"])
        if value is not None
    ]
    assert high - low < DEEPEST_DB
    assert low <= min(values) < max(values) <= high


def test_bounds_alone_are_on_it(report: Report) -> None:
    low, high = level_axis(with_bands(report.tables, upper_bound_db=[80.0, 82.0]), report.campaign)
    assert low <= 80.0
    assert high >= 82.0


def test_it_is_at_most_so_deep_and_holds_the_loudest(report: Report) -> None:
    low, high = level_axis(with_bands(report.tables, corrected_level_db=[-40.0, 100.0, float("-inf")]), report.campaign)
    assert high - low == DEEPEST_DB
    assert high >= 100.0


def test_without_levels_there_is_an_axis(report: Report) -> None:
    low, high = level_axis(with_bands(report.tables, corrected_level_db=[None]), report.campaign)
    assert high - low >= 30.0


def test_a_set_axis_is_taken_as_it_is(report: Report) -> None:
    assert level_axis(report.tables, built_campaign(report={"level_axis_db": [50, 60]})) == (50.0, 60.0)


def test_what_lies_beyond_is_counted() -> None:
    assert beyond_words([49.0, 50.0, 60.0, 61.0, None], (50.0, 60.0)) == " 2 values beyond the axis, 50 to 60 dB."
    assert beyond_words([None, 55.0], (50.0, 60.0)) == ""
