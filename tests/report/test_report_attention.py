"""What needs attention: each doubt once, the worst first, with numbers and the next action."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from built_report import Report
from built_results import STAMP, built_campaign, write_empty

from tapeline.quality.reasons import REASONS
from tapeline.report.attention import attention_lines, reason_groups
from tapeline.report.attention_item import Attention
from tapeline.report.finished_tables import read_finished
from tapeline.report.sections.attention import MOST_SHOWN
from tapeline.store import parquet, tables


@pytest.fixture(scope="module")
def lines(report: Report) -> list[Attention]:
    return attention_lines(report.tables, report.campaign)


def at(lines: list[Attention], where: str) -> Attention:
    (line,) = [line for line in lines if line.where.startswith(where)]
    return line


def test_the_worst_stands_first_and_every_line_has_an_action(lines: list[Attention]) -> None:
    order = ["unusable", "doubtful", "note"]
    assert [line.severity for line in lines] == sorted((line.severity for line in lines), key=order.index)
    assert {line.severity for line in lines} == set(order)
    assert all(line.where and line.found and line.action for line in lines)


def test_a_fault_of_a_whole_recording_is_said_once_in_the_words_of_the_quality_table(lines: list[Attention]) -> None:
    line = at(lines, "run a-cut")
    action = REASONS["recording-cut"].action
    assert line == Attention("unusable", "run a-cut, all 9 channels", "12.0 s are missing", action, "runs/a-cut.html")


def test_a_channel_bad_in_several_runs_is_one_line(lines: list[Attention]) -> None:
    line = at(lines, "P03, session april")
    assert line.where.endswith("runs a-open-11, a-open-12")
    assert line.found.startswith("overloaded in a-open-11")
    assert line.href == "#quality"
    assert line.found.endswith("(in a-open-11; 1 more in the table of reasons)")
    assert line.action == REASONS["overload"].action


def test_calibration_reasons_come_with_number_and_limit(lines: list[Attention]) -> None:
    assert (
        at(lines, "P02, session may").found == "drift of the sensitivity: -0.72 dB after against before (limit 0.5 dB)"
    )
    assert at(lines, "P04, session may").found.startswith("deviation of the checks from the chart: +1.35 dB")
    assert at(lines, "P06, session may").found == "no usable check after the runs"
    assert at(lines, "check m-cal-after, P06").found == "no steady tone near 250 Hz"


def test_a_check_at_fault_is_said_once(lines: list[Attention]) -> None:
    assert [line.where for line in lines if "no steady tone" in line.found] == ["check m-cal-after, P06"]


def test_reasons_that_leave_a_channel_good_are_notes(lines: list[Attention]) -> None:
    assert next(line for line in lines if "900 days" in line.found).severity == "note"


def test_runs_without_background_comparisons_without_result_and_single_runs(lines: list[Attention]) -> None:
    assert "no background run" in at(lines, "session may, 6 runs").found
    assert at(lines, "comparison filler").found.startswith("no result: Never measured and Seam open")
    assert at(lines, "comparison front-part").severity == "note"
    assert at(lines, "13 runs").found.startswith("humidity_pct not given")
    assert at(lines, "campaign files").found.startswith("config/runs.csv:3")


def test_a_comparison_of_bounds_alone_is_not_said_to_lack_runs(report: Report) -> None:
    of_one = [row for row in report.tables.comparisons if row["comparison"] == "whole-seam"]
    bounds = tuple({**row, "finding": "not given", "why_not": "both sides are upper bounds"} for row in of_one)
    tables_of_bounds = dataclasses.replace(report.tables, comparisons=bounds)
    line = at(attention_lines(tables_of_bounds, report.campaign), "comparison whole-seam")
    assert line.found.endswith(": both sides are upper bounds")
    assert "no usable runs" not in line.found
    assert line.action == "measure with less background, or at a higher speed"


def test_nothing_to_say_of_nothing(tmp_path: Path) -> None:
    write_empty(tmp_path)
    campaign = built_campaign(comparisons={})
    object.__setattr__(campaign, "warnings", ())
    assert attention_lines(read_finished(tmp_path), campaign) == []


def test_an_unusable_run_that_no_channel_explains_is_named(tmp_path: Path) -> None:
    write_empty(tmp_path)
    runs = [{"run": "r9", "session": "april", "kind": "measurement", "status": "unusable"}]
    parquet.write_rows(tables.RUNS, tmp_path / "tables" / "runs.parquet", runs, **STAMP)
    lines = attention_lines(read_finished(tmp_path), built_campaign(comparisons={}))
    assert at(lines, "run r9").severity == "unusable"


@pytest.mark.parametrize(
    ("code", "left_out", "found", "action"),
    [
        (
            "no-sensitivity",
            [],
            "no channel could be turned into pascal: neither checks nor chart",
            "calibrate the sensor",
        ),
        ("contradicted", ["0 to 1 s: gust"], "the checks contradict the sensor table", "correct the gain"),
        (None, ["0 to 1 s: gust"], "no averaged block lies wholly in what is not left out", "leave out less"),
        (None, [], "no averaged block could be made", "see the verdicts"),
    ],
)
def test_a_run_without_levels_names_its_own_cause(
    tmp_path: Path, code: str | None, left_out: list[str], found: str, action: str
) -> None:
    write_empty(tmp_path)
    run = {"run": "m1", "session": "april", "kind": "measurement", "status": "used", "left_out": left_out}
    codes = {"reasons": [code] if code else [], "sentences": ["it is so"] if code else []}
    quality = [{"run": "m1", "session": "april", "position": name, **codes} for name in ("p1", "p2")]
    for table, rows in ((tables.RUNS, [run]), (tables.QUALITY, quality)):
        parquet.write_rows(table, tmp_path / "tables" / f"{table.name}.parquet", rows, **STAMP)
    said = attention_lines(read_finished(tmp_path), built_campaign())
    (line,) = [line for line in said if line.found.startswith("no level")]
    assert line.where == "run m1"
    assert found in line.found
    assert line.action.startswith(action)


def test_what_is_left_out_of_many_runs_is_one_line(tmp_path: Path) -> None:
    write_empty(tmp_path)
    same = {"session": "april", "kind": "measurement", "status": "left out"}
    hum, gust = "49 to 51 Hz at P01: hum", "1 to 2 s: gust"
    runs = [{"run": "r1", "left_out": [gust, hum], **same}, {"run": "r2", "left_out": [hum], **same}]
    parquet.write_rows(tables.RUNS, tmp_path / "tables" / "runs.parquet", runs, **STAMP)
    lines = attention_lines(read_finished(tmp_path), built_campaign(comparisons={}))
    assert at(lines, "runs r1, r2").found == f"left out by hand: {hum}"
    assert at(lines, "run r1").found == f"left out by hand: {gust}"


def test_reasons_without_sentence_and_unknown_codes_still_speak() -> None:
    quality: list[dict[str, Any]] = [
        {"run": "r1", "session": "s", "position": "P1", "reasons": ["dead", "not-known"], "sentences": []},
        {"run": "r1", "session": "s", "position": "P2", "reasons": [], "sentences": []},
    ]
    groups = {group.code: group for group in reason_groups(quality)}
    assert groups["dead"].sentence == REASONS["dead"].meaning
    assert groups["not-known"].sentence == "not-known"


def test_a_verdict_set_by_hand_is_as_severe_as_the_verdict(lines: list[Attention]) -> None:
    (line,) = [line for line in lines if "set by A. Nyone" in line.found]
    assert line.severity == "doubtful"
    assert line.where == "P01, session may, run m-open-01"


def test_what_is_grave_stands_at_once_and_notes_are_folded(report: Report, lines: list[Attention]) -> None:
    section = report.tree.find(".//section[@id='attention']")
    assert section is not None
    shown = section.find("./ul")
    folded = section.find("./details/ul")
    assert shown is not None and folded is not None
    grave = [line for line in lines if line.severity != "note"]
    assert 0 < len(shown) <= MOST_SHOWN < len(grave)
    assert len(shown) + len(folded) == len(lines)
    for element, line in zip([*shown, *folded], lines, strict=True):
        assert "".join(element.itertext()) == f"{line.severity}: {line.where}: {line.found}. Next: {line.action}."
        link = element.find("./a")
        assert (None if link is None else link.get("href")) == (line.href or None)


def test_lines_lead_to_places_that_there_are(report: Report, lines: list[Attention]) -> None:
    anchors = {element.get("id") for element in report.tree.iter() if element.get("id")}
    assert {line.href for line in lines} >= {"#calibration", "#quality", "#repeatability", "#coverage"}
    assert [line for line in lines if line.href.startswith("#run-")]
    for line in lines:
        if line.href.startswith("#"):
            assert line.href.removeprefix("#") in anchors
        elif line.href:
            assert (report.results / line.href).is_file()
