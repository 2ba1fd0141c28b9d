"""What `tapeline explain --json` says of a level suffices to redo it from the recording, to 1e-6 dB."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest
from redone import redone, value

from tapeline.cli import main

SAME_DB = 1e-6


def explained_json(capsys: pytest.CaptureFixture[str], *words: object) -> dict[str, Any]:
    """What the command prints for machines."""
    assert main(["explain", *map(str, words), "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def published(folder: Path, subject: dict[str, Any]) -> dict[str, Any]:
    """The row of the table that the explanation is of."""
    band = subject["quantity"] == "band"
    name = "bands" if band else "overall"
    table = pq.read_table(folder / "results" / "tables" / name / f"session={subject['session']}" / "part-0.parquet")
    columns = ("run", "position", "band_hz") if band else ("run", "position", "weighting")
    for column in columns:
        table = table.filter(pc.equal(table[column], subject[column]))
    (row,) = table.to_pylist()
    return dict(row)


@pytest.mark.parametrize(
    ("run", "position", "band", "state"),
    [
        ("a05", "seam-right", "1600", "clear"),
        ("a05", "line-2", "500", None),
        ("a05", "rear-panel", "A", None),
        ("a08", "seam-left", "400", None),
        ("a16", "ladder-foot", "2k", None),
        ("a16", "line-2", "A", None),
        ("m04", "seam-left", "1.25k", None),
        ("m04", "rail-recess", "800", None),
        ("m04", "rail-recess", "125", "bound"),
        ("m08", "line-1", "A", None),
        ("m08", "line-1", "Z", None),
    ],
)
def test_a_level_redone_from_counts(
    explained: Path, capsys: pytest.CaptureFixture[str], run: str, position: str, band: str, state: str | None
) -> None:
    """24 and 16 bit, both polarities, two gains, response corrected; with and without a background; a bound; sums."""
    found = explained_json(capsys, run, position, band, explained)
    row = published(explained, found["subject"])
    assert state in (None, row["state"])
    again = redone(explained, found)
    assert {name: row[name] for name in again} == pytest.approx(again, abs=SAME_DB)
    assert len(again) >= 3


def test_the_cases_hold_what_they_are_for(explained: Path, capsys: pytest.CaptureFixture[str]) -> None:
    chapters = [
        explained_json(capsys, *words, explained)["chapters"]
        for words in (("a05", "line-2", 500), ("m04", "rail-recess", 800), ("a16", "ladder-foot", 2000))
    ]
    assert [value(each["recording"], "bits") for each in chapters] == [24, 16, 24]
    assert [value(each["pascal"], "polarity") for each in chapters] == [-1, -1, 1]
    assert [value(each["pascal"], "gain_db") for each in chapters] == [20.0, 20.0, 10.0]
    assert "config/runs.csv" in chapters[2]["pascal"]["gain_db"]["source"]
    assert all(value(each["response"], "correction_db") != 0.0 for each in chapters)


def test_factors_add_up_to_the_level(explained: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = explained_json(capsys, "a05", "seam-right", "A", explained)
    row, sums = published(explained, found["subject"]), 0.0
    for factor in found["chapters"]["factors"]["factors"]:
        sums += factor["db"] or 0.0
        assert factor["sum_db"] == pytest.approx(sums, abs=1e-9)
    assert sums == pytest.approx(row["nominal_level_db"], abs=1e-9)


def test_the_sensitivity_redone_from_its_checks(explained: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = explained_json(capsys, "m04", "seam-left", "1000", explained)["chapters"]["sensitivity"]
    each = [
        check["tone_rms_v"]
        / 10.0 ** ((check["gain_db"] + check["response_db"]) / 20.0)
        / (2e-5 * 10.0 ** (check["level_db"] / 20.0))
        for check in found["checks"]
    ]
    assert each == pytest.approx([check["sensitivity_v_per_pa"] for check in found["checks"]], rel=1e-9)
    assert (each[0] * each[1]) ** 0.5 == pytest.approx(value(found, "sensitivity_v_per_pa"), rel=1e-9)


def test_terms_make_the_standard_uncertainty(explained: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = explained_json(capsys, "a05", "seam-right", "1600", explained)
    row, chapter = published(explained, found["subject"]), found["chapters"]["uncertainty"]
    terms = {term["term"]: term for term in chapter["terms"]}
    squares = [term["standard_uncertainty_db"] ** 2 for term in terms.values()]
    assert sum(squares) ** 0.5 == pytest.approx(row["standard_uncertainty_db"], abs=1e-12)
    assert terms["mounting"]["shared_by"] == "fitting"
    assert "default" in terms["mounting"]["evidence"]
    of_calibration = [term["standard_uncertainty_db"] ** 2 for term in chapter["calibration_terms"]]
    assert sum(of_calibration) ** 0.5 == pytest.approx(terms["calibration"]["standard_uncertainty_db"], abs=1e-6)
    assert terms["random error"]["degrees_of_freedom"] > 100.0
    assert terms["response"]["degrees_of_freedom"] is None


def test_a_band_without_a_level_says_why(explained: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = explained_json(capsys, "a05", "seam-right", "63", explained)
    assert "few-lines" in found["answer"][0]
    assert value(found["chapters"]["limits"], "lines") < 5.0
    assert {"decision": "mark", "found": "few-lines"}.items() <= found["chapters"]["decisions"]["decisions"][-1].items()


@pytest.mark.parametrize(
    ("run", "said"),
    [
        ("a07", "use is no (broken off: somebody opened the hall's door); config/runs.csv:9"),
        ("a14", "a15 was taken in place of a14"),
        ("a19", "the last 15667 (1.224 s) are missing"),
        ("a01", "calibrator recording"),
    ],
)
def test_a_run_without_levels_says_why(
    explained: Path, capsys: pytest.CaptureFixture[str], run: str, said: str
) -> None:
    assert main(["explain", run, "seam-right", "1600", str(explained)]) == 0
    assert said in " ".join(capsys.readouterr().out.split())
