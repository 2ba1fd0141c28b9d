"""Page tables on overall levels put together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from built_results import HOSTILE, SMALL, STAMP, built_campaign, write_results

from tapeline.report.finished_tables import FinishedTables
from tapeline.report.page import write_report
from tapeline.report.page_table import PlainTable
from tapeline.report.sections.sums import (
    MOST_DRIFTS,
    MOST_ROWS,
    additivity_table,
    area_table,
    drift_table,
    mirror_table,
    session_mean_table,
)
from tapeline.store import parquet, tables

CAMPAIGN = built_campaign()
Row = dict[str, Any]

ITEM: Row = {
    "speed_mps": 100 / 3.6,
    "yaw_deg": 0.0,
    "quantity": "overall",
    "weighting": "A",
    "band_hz": None,
    "lowest_band_hz": 100.0,
    "highest_band_hz": 5000.0,
}
JUDGED: Row = {
    "difference_db": -2.04,
    "standard_error_db": 0.3,
    "degrees_of_freedom": 9.0,
    "lower_db": -2.71,
    "upper_db": -1.36,
    "p_value": 0.001,
    "adjusted_p_value": 0.002,
    "family_size": 12,
    "finding": "lower",
}
SESSIONS = {"session_label": "april", "reference_session": "april", "treatment_session": "april"}
AREA: Row = (
    ITEM
    | JUDGED
    | SESSIONS
    | {
        "comparison": "whole-seam",
        "area": "seam",
        "reference_level_db": 90.0,
        "treatment_level_db": 87.96,
        "positions": ["P01", "P02"],
        "left_out": ["P03"],
    }
)
MEAN: Row = (
    ITEM
    | JUDGED
    | {
        "comparison": "whole-seam",
        "position": "P01",
        "between_sessions_sd_db": 0.1,
        "agreement_p_value": 0.4,
        "sessions": ["april", "may"],
        "differences_db": [-2.0, -2.2],
        "weights": [0.75, 0.25],
    }
)
MIRROR: Row = (
    ITEM
    | JUDGED
    | {
        "session": "april",
        "condition": "open",
        "position": "P01",
        "mirror": "P02",
        "yaw_deg": 5.0,
        "level_db": 90.0,
        "mirror_level_db": 92.04,
        "runs": ["r1"],
        "mirror_runs": ["r2"],
    }
)
ADDS: Row = ITEM | {
    "session": "april",
    "way": "applied",
    "common": "open",
    "whole": "sealed",
    "single": ["front", "rear"],
    "position": "P01",
    "sum_pa2": 1.0,
    "whole_pa2": 2.0,
    "sum_db": 93.98,
    "whole_db": 96.99,
    "interaction_db": -3.01,
    "lower_db": None,
    "upper_db": -1.5,
    "p_value": 0.01,
    "adjusted_p_value": 0.04,
    "family_size": 16,
    "finding": "interaction",
    "runs": ["r1", "r2"],
}
DRIFT: Row = (
    {name: value for name, value in ITEM.items() if name not in ("speed_mps", "yaw_deg")}
    | JUDGED
    | {
        "session": "april",
        "condition": "open",
        "position": "P01",
        "slope_db_per_hour": -0.68,
        "span_hours": 3.0,
        "runs": ["r1", "r2"],
    }
)


def finished(folder: Path, name: str, rows: Sequence[Mapping[str, Any]]) -> FinishedTables:
    """Finished tables that hold this one alone; a band of the same is written too and must never be printed."""
    both = [*rows, *({**row, "quantity": "band", "weighting": "Z", "band_hz": 1000.0} for row in rows[:1])]
    parquet.write_rows(tables.BY_NAME[name], folder / f"{name}.parquet", both, **STAMP)
    return FinishedTables(folder, (), (), (), (), (), (), ())


def cells_of(table: PlainTable) -> list[dict[str, str]]:
    """Rows by the head of their columns; every row has as many cells as the head, and every number is set right."""
    assert all(len(row) == len(table.head) for row in table.rows)
    for column in table.numeric:
        for row in table.rows:
            assert row[column][0] in "+-–0123456789a", f"no number under {table.head[column]!r}: {row[column]!r}"
    return [dict(zip(table.head, row, strict=True)) for row in table.rows]


def test_areas(tmp_path: Path) -> None:
    other = AREA | {"comparison": "front-part"}
    table = area_table(finished(tmp_path, "area_differences", [AREA, other]), CAMPAIGN, "whole-seam")
    (row,) = cells_of(table)
    assert row["area"] == "seam"
    assert row["operating point"] == "100 km/h, yaw 0°"
    assert (row["reference, dB"], row["treatment, dB"], row["difference, dB"]) == ("90.0", "88.0", "-2.0")
    assert (row["95 % interval, dB"], row["finding"], row["positions"]) == ("-2.7 to -1.4", "lower", "2 of 3")
    assert "p-values are adjusted over 12 tests." in table.note


def test_sessions(tmp_path: Path) -> None:
    apart = MEAN | {"position": "P02", "agreement_p_value": 0.01}
    table = session_mean_table(finished(tmp_path, "session_means", [MEAN, apart]), CAMPAIGN, "whole-seam")
    first, second = cells_of(table)
    assert (first["each session, dB"], first["weights"], first["agree"]) == (
        "april -2.0, may -2.2",
        "75 %, 25 %",
        "yes",
    )
    assert second["agree"] == "no"


@pytest.mark.parametrize(("yaw", "words"), [(5.0, "-5°"), (0.0, "0°"), (-2.5, "2.5°")])
def test_mirror(tmp_path: Path, yaw: float, words: str) -> None:
    table = mirror_table(finished(tmp_path, "mirror_differences", [MIRROR | {"yaw_deg": yaw}]), CAMPAIGN)
    (row,) = cells_of(table)
    assert (row["position"], row["against"], row["condition"]) == ("P01", "P02", "open")
    assert row["partner's yaw"] == words
    assert row["difference, dB"] == "-2.0"


def test_additivity(tmp_path: Path) -> None:
    nothing = {"sum_db": None, "interaction_db": None, "lower_db": None, "upper_db": None}
    table = additivity_table(finished(tmp_path, "additivity", [ADDS, ADDS | nothing | {"position": "P02"}]), CAMPAIGN)
    first, second = cells_of(table)
    assert (first["whole"], first["single"]) == ("sealed (applied from open)", "front, rear")
    assert (first["sum, dB"], first["whole, dB"], first["sum over whole, dB"]) == ("94.0", "97.0", "-3.0")
    assert first["95 % interval, dB"] == "at most -1.5"
    assert (second["sum, dB"], second["sum over whole, dB"], second["95 % interval, dB"]) == ("–", "–", "–")
    assert "within ±1 dB" in table.note
    assert "adjusted over 16 tests" in table.note


def test_drift_surest_first(tmp_path: Path) -> None:
    rows = [
        DRIFT | {"position": "P01", "difference_db": 9.0, "adjusted_p_value": 0.6, "finding": "not shown"},
        DRIFT | {"position": "P02", "adjusted_p_value": 0.002},
        DRIFT | {"position": "P03", "adjusted_p_value": 0.3, "finding": "equivalent"},
    ]
    found = cells_of(drift_table(finished(tmp_path, "reference_drift", rows), CAMPAIGN))
    assert [(row["position"], row["finding"]) for row in found] == [
        ("P02", "lower"), ("P03", "equivalent"), ("P01", "not shown")]  # fmt: skip
    assert (found[0]["hours"], found[0]["change, dB"]) == ("3.0", "-2.0")


def test_long_tables_say_how_much_they_leave_out(tmp_path: Path) -> None:
    many = [MIRROR | {"position": f"P{k:03}"} for k in range(MOST_ROWS + 5)]
    table = mirror_table(finished(tmp_path, "mirror_differences", many), CAMPAIGN)
    assert len(table.rows) == MOST_ROWS
    assert table.note.endswith(f"The first {MOST_ROWS} of {MOST_ROWS + 5} rows.")
    drifts = [DRIFT | {"position": f"P{k:03}"} for k in range(MOST_DRIFTS + 1)]
    table = drift_table(finished(tmp_path, "reference_drift", drifts), CAMPAIGN)
    assert len(table.rows) == MOST_DRIFTS
    assert f"The first {MOST_DRIFTS} of {MOST_DRIFTS + 1} rows." in table.note


def test_what_is_the_same_in_all_rows_is_said_once(tmp_path: Path) -> None:
    rows = [MIRROR | {"position": name} for name in ("P01", "P03")]
    table = mirror_table(finished(tmp_path, "mirror_differences", rows), CAMPAIGN)
    assert {"session", "condition", "weighting", "range", "operating point"}.isdisjoint(table.head)
    assert table.note.startswith(
        "In all rows: partner's yaw -5°; condition open; session april; operating point 100 km/h, yaw 5°"
    )
    assert [row["difference, dB"] for row in cells_of(table)] == ["-2.0", "-2.0"]


def test_one_test_is_no_plural(tmp_path: Path) -> None:
    table = area_table(finished(tmp_path, "area_differences", [AREA | {"family_size": 1}]), CAMPAIGN, "whole-seam")
    assert "adjusted over 1 test." in table.note


def test_no_table_no_rows(tmp_path: Path) -> None:
    nothing = FinishedTables(tmp_path, (), (), (), (), (), (), ())
    for table in (mirror_table, additivity_table, drift_table):
        assert table(nothing, CAMPAIGN).rows == ()
    for of_comparison in (area_table, session_mean_table):
        assert of_comparison(nothing, CAMPAIGN, "whole-seam").rows == ()


def test_all_stand_on_the_page_and_names_are_escaped(tmp_path: Path) -> None:
    write_results(tmp_path, SMALL)
    written = {"area_differences": AREA | {"area": HOSTILE}, "session_means": MEAN, "mirror_differences": MIRROR,
               "additivity": ADDS, "reference_drift": DRIFT}  # fmt: skip
    for name, row in written.items():
        parquet.write_rows(tables.BY_NAME[name], tmp_path / "tables" / f"{name}.parquet", [row], **STAMP)
    write_report(built_campaign(SMALL), tmp_path, tmp_path / "report.html", "0" * 64)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "<script>alert(1)" not in text
    captions = {
        "".join(one.itertext()).strip() for one in ElementTree.fromstring(text).iter() if one.tag.endswith("caption")
    }
    for caption in (
        "whole-seam: energy means over areas, treatment minus reference",
        "whole-seam: mean over the sessions that compared both conditions",
        "Left against right",
        "Do single contributions add up?",
        "Did the reference drift within a session?",
    ):
        assert any(found.startswith(caption) for found in captions), (caption, captions)
