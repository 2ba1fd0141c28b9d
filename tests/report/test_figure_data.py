"""The tables beside the figures: what spreadsheets and programs read is what the figure shows."""

from __future__ import annotations

import csv
import io
import math

import numpy as np
import pytest
from built_report import Report
from hypothesis import given
from hypothesis import strategies as st

from tapeline.report.figure_data import FigureData, csv_text, rows_data
from tapeline.report.finished_tables import Row


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline="")))


@given(st.lists(st.tuples(st.text(st.characters(exclude_categories=("Cs",)), max_size=20), st.floats())))
def test_what_is_written_is_read_back(pairs: list[tuple[str, float]]) -> None:
    """Line ends within a cell stay as they are, and no cell starts as a formula does."""
    found = read(csv_text(FigureData({"name": [name for name, _ in pairs], "db": [value for _, value in pairs]})))
    assert len(found) == len(pairs)
    for cells, (name, value) in zip(found, pairs, strict=True):
        assert cells["name"] in (name, f"'{name}")
        assert not cells["name"].startswith(("=", "+", "-", "@"))
        if not math.isfinite(value):
            assert cells["db"] == ""
        else:
            assert float(cells["db"]) == pytest.approx(value, rel=1e-6)


def test_lists_flags_and_missing_values() -> None:
    rows: list[Row] = [{"runs": ["a1", "a2"], "doubtful": True, "db": None}, {"runs": None, "doubtful": False, "db": 2}]
    found = read(csv_text(rows_data(rows, ("runs", "doubtful", "db"), session="april")))
    assert found == [
        {"session": "april", "runs": "a1 a2", "doubtful": "yes", "db": ""},
        {"session": "april", "runs": "", "doubtful": "no", "db": "2"},
    ]


def test_the_level_of_no_power_is_an_empty_cell() -> None:
    data = FigureData({"psd_db": np.array([-np.inf, 60.0]), "db": [float("inf"), None], "runs": [[-np.inf, 1.5], []]})
    assert read(csv_text(data)) == [{"psd_db": "", "db": "", "runs": " 1.5"}, {"psd_db": "60", "db": "", "runs": ""}]


def test_columns_of_different_length_are_refused() -> None:
    with pytest.raises(ValueError, match="differ in length"):
        FigureData({"a": np.zeros(2), "b": [1.0]})


def test_every_figure_has_its_numbers_beside_it(report: Report) -> None:
    folder = report.results / "figures"
    drawings = {path.stem for path in folder.glob("*.[sp][vn]g")}
    tables = {path.stem: read(path.read_text(encoding="utf-8")) for path in folder.glob("*.csv")}
    assert set(tables) == drawings
    assert all(tables.values())


def test_the_numbers_are_those_of_the_tables(report: Report) -> None:
    paths = sorted((report.results / "figures").glob("pair_whole-seam_april_100kmh_yaw0_*.csv"))
    cells = [cell for path in paths for cell in read(path.read_text(encoding="utf-8"))]
    known = {
        (row["position"], row["band_hz"]): row
        for row in report.tables.comparisons
        if (row["comparison"], row["session_label"], row["quantity"]) == ("whole-seam", "april", "band")
        and abs(row["speed_mps"] - 100 / 3.6) < 0.01
        and row["yaw_deg"] == 0
    }
    compared = 0
    for cell in cells:
        row = known.get((cell["position"], float(cell["band_hz"])))
        if row is None or row["difference_db"] is None:
            continue
        for name in ("difference_db", "lower_db", "upper_db"):
            assert float(cell[name]) == pytest.approx(row[name], rel=1e-6)
        assert cell["finding"] == row["finding"]
        assert cell["treatment_runs"].split() == row["treatment_runs"]
        compared += 1
    assert compared > 50
