"""`tapeline export`: wide files in which a spreadsheet takes no bound for a number and no text for a formula."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from tapeline import cli
from tapeline.analysis.spreadsheets import levels_by_condition

OPEN = "open, 27.78 m/s = 100 km/h, yaw 0 degree"
DIFFERENCE = "difference, treatment minus reference"


def exported(results: Path, *more: str, delimiter: str = ",") -> dict[str, list[dict[str, str]]]:
    """The rows of the files by their name."""
    to = results.parent / "made"
    assert cli.main(["export", str(results), "--to", str(to), *more]) == 0
    found = {}
    for path in sorted(to.iterdir()):
        with path.open(encoding="utf-8", newline="") as stream:
            found[path.name] = list(csv.DictReader(stream, delimiter=delimiter))
    return found


def test_levels_have_a_column_a_condition_and_bounds_are_text(roof: Path) -> None:
    files = exported(roof)
    assert sorted(files) == ["differences.csv", "gains.csv", "levels.csv"]
    overall = {row["position"]: row for row in files["levels.csv"] if row["quantity"] == "overall"}
    heads = [f"{OPEN}: {kind} (dB re 20 uPa)" for kind in ("level", "lower end", "upper end", "bound")]
    assert [[row[head] for head in heads] for row in overall.values()] == [
        ["90.5", "89", "92", ""],
        ["", "", "", "<= 61.2"],
        ["", "", "", ""],
    ]
    # An area that a spreadsheet would take for a formula.
    assert overall["p1"]["area"] == "'=seam"
    raw = (roof.parent / "made" / "levels.csv").read_bytes()
    assert raw.count(b"\r\n") == raw.count(b"\n") == len(files["levels.csv"]) + 1


def test_differences_keep_a_bound_out_of_value_and_interval(roof: Path) -> None:
    rows = exported(roof)["differences.csv"]
    heads = [f"{DIFFERENCE}{part} (dB)" for part in ("", ": lower end", ": upper end", ": bound")]
    assert [[*(row[head] for head in heads), row["finding"], row["why no difference"]] for row in rows] == [
        ["3.25", "2", "4.5", "", "higher", ""],
        ["", "", "", ">= 1.2", "bound", ""],
        ["", "", "", "", "not given", "no usable run"],
    ]


def test_gains_and_remainders_keep_bounds_apart(roof: Path) -> None:
    rows = exported(roof)["gains.csv"]
    heads = ["applied", "gain (dB)", "gain: lower end (dB)", "gain: bound (dB)", "gain: finding", "remainder (dB)"]
    assert [[row[head] for head in heads] for row in rows] == [
        ["front; rear", "3.25", "2", "", "lower", ""],
        ["front; rear", "", "", ">= 1.2", "bound", ""],
        ["front; rear", "", "", "", "not given", ""],
    ]


def test_with_a_decimal_comma_semicolons_separate(roof: Path) -> None:
    rows = exported(roof, "--decimal", "comma", delimiter=";")["differences.csv"]
    assert rows[0][f"{DIFFERENCE} (dB)"] == "3,25"
    assert rows[0]["speed (m/s)"] == "27,77778"
    assert rows[1][f"{DIFFERENCE}: bound (dB)"] == ">= 1,2"


def test_conditions_and_points_that_are_not_stated_have_columns_too() -> None:
    same = {"campaign": "c", "session": "s", "position": "p", "area": None, "quantity": "band", "weighting": "Z"}
    item = {"band_hz": 500.0, "lowest_band_hz": None, "highest_band_hz": None, "lower_db": None, "upper_db": None}
    level = {**same, **item, "yaw_deg": 0.0, "level_db": 1.0, "upper_bound_db": None}
    rows = [{**level, "condition": name, "speed_mps": speed} for name, speed in (("open", 20.0), (None, None))]
    heads = [head for head in levels_by_condition(rows) if head.endswith("level (dB re 20 uPa)")]
    assert heads == [
        "open, 20 m/s = 72 km/h, yaw 0 degree: level (dB re 20 uPa)",
        "no condition, no speed, yaw 0 degree: level (dB re 20 uPa)",
    ]


@pytest.mark.parametrize(
    ("place", "to", "said"),
    [
        ("nowhere", "made", "no such folder"),
        (".", "made", "no results"),
        ("roof/results", "file", "cannot be written ("),
    ],
)
def test_bad_input_is_one_sentence_and_status_2(
    roof: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], place: str, to: str, said: str
) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    assert cli.main(["export", str(tmp_path / place), "--to", str(tmp_path / to)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert err.count("\n") == 1
