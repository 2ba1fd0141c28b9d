"""Numbers on the page are the numbers of the tables."""

from __future__ import annotations

import dataclasses
from collections import Counter
from typing import Any

import pytest
from built_report import Report

from tapeline.report.tables_of_runs import run_log_table

Cells = list[dict[str, str]]


def cells_of(report: Report, key: str) -> Cells:
    """A table of the page as rows by column heading."""
    table = report.tree.find(f".//table[@id='{key}']")
    assert table is not None, key
    head = ["".join(cell.itertext()) for cell in table.findall("thead/tr/th")]
    return [
        dict(zip(head, ["".join(cell.itertext()) for cell in row], strict=True)) for row in table.findall("tbody/tr")
    ]


def shown(value: float | None, *, signed: bool = False, decimals: int = 1) -> str:
    """A level as the page prints it, made here without the product's own words."""
    if value is None:
        return "–"
    text = f"{value:+.{decimals}f}" if signed else f"{value:.{decimals}f}"
    zero = "0." + "0" * decimals
    return zero if text.lstrip("+-") == zero else text


DOUBT = {False: "", True: ", doubtful: before and after differ by more than the limit: all runs"}


@pytest.mark.parametrize("comparison", ["whole-seam", "front-part"])
def test_overall_differences(report: Report, comparison: str) -> None:
    rows = [r for r in report.tables.comparisons if r["comparison"] == comparison and r["quantity"] == "overall"]
    rows.sort(key=lambda r: (r["position"], r["session_label"], r["speed_mps"], r["yaw_deg"], r["weighting"]))
    cells = cells_of(report, f"overall-{comparison}")
    assert len(cells) == len(rows) > 10
    for cell, row in zip(cells, rows, strict=True):
        assert cell["position"] == row["position"]
        assert cell["weighting"] == row["weighting"]
        for name in ("reference", "treatment"):
            level = row[f"{name}_level_db"]
            assert cell[name] == ("bound" if level is None else shown(level))
        assert cell["difference"] == shown(row["difference_db"], signed=True)
        if row["difference_db"] is not None:
            assert cell["95 % interval"] == f"{shown(row['lower_db'])} to {shown(row['upper_db'])}"
        assert cell["runs"] == f"{len(row['reference_runs'])} + {len(row['treatment_runs'])}"
        why = f": {row['why_not']}" if row["why_not"] else ""
        assert cell["finding"] == row["finding"] + why + DOUBT[row["doubtful"]]


@pytest.mark.parametrize("comparison", ["whole-seam", "front-part"])
def test_the_list_to_work_on_first(report: Report, comparison: str) -> None:
    rows = [row for row in report.tables.ranking if row["comparison"] == comparison]
    cells = cells_of(report, f"ranking-{comparison}")
    assert len(cells) == len(rows) > 5
    for cell, row in zip(cells, rows, strict=True):
        assert cell["rank"] == str(row["rank"])
        assert cell["position"] == row["position"]
        assert cell["contribution, dB"] == shown(row["contribution_db"])
        assert cell["95 % interval, dB"] == f"{shown(row['lower_db'])} to {shown(row['upper_db'])}"
        assert cell["share"] == f"{100 * row['share']:.0f} %"
        assert cell["finding"] == row["finding"]


def test_sensitivities(report: Report) -> None:
    cells = cells_of(report, "calibration-table")
    assert len(cells) == len(report.tables.calibration) == 18
    for cell, row in zip(cells, report.tables.calibration, strict=True):
        assert (cell["position"], cell["session"]) == (row["position"], row["session"])
        assert cell["drift, dB"] == shown(row["drift_db"], signed=True, decimals=2)
        assert cell["off chart, dB"] == shown(row["deviation_db"], signed=True, decimals=2)
        assert cell["verdict"] == row["verdict"]
        assert float(cell["used"]) == pytest.approx(1000 * row["sensitivity_v_per_pa"], rel=5e-4)
        assert (cell["after"] == "–") == (row["after_v_per_pa"] is None)


def test_coverage_counts_used_runs_of_all_runs(report: Report) -> None:
    open_runs = [
        row
        for row in report.tables.runs
        if row["kind"] == "measurement" and row["condition"] == "open" and row["session"] == "april"
    ]
    statuses = Counter((round(row["speed_mps"] * 3.6), row["status"] == "used") for row in open_runs)
    (cell,) = [
        c for c in cells_of(report, "coverage-table") if c["condition"] == "Seam open" and c["session"] == "april"
    ]
    for speed in (100, 140):
        used, lost = statuses[speed, True], statuses[speed, False]
        assert cell[f"{speed} km/h, yaw 0°"] == f"{used} of {used + lost}"
    assert cell["all"] == "6 of 9"


def test_the_run_log_says_what_was_left_out_and_why(report: Report) -> None:
    log = {cell["run"]: cell for cell in cells_of(report, "run-log-table")}
    assert set(log) == {row["run"] for row in report.tables.runs}
    why = "left out and why"
    assert log["a-old"][why] == "whole run: taken again as a-open-01"
    assert log["a-door"][why] == "whole run: use is no, see the remark"
    assert log["a-cut"][why] == "whole run: run a-cut: 12.0 s are missing"
    assert log["a-open-11"][why].startswith("1 channel (P03): position P03 overloaded")
    assert log["a-sealed-11"][why] == "–"
    assert log["a-sealed-11"]["achieved, km/h"] == "140.3"


def test_every_setting_is_printed(report: Report) -> None:
    printed = {cell["setting"]: cell["value"] for cell in cells_of(report, "settings-table")}

    def leaves(prefix: str, value: Any) -> set[str]:
        if isinstance(value, dict) and value:
            return {leaf for name, inner in value.items() for leaf in leaves(f"{prefix}.{name}", inner)}
        return {prefix.removeprefix(".")}

    assert set(printed) == leaves("", report.campaign.settings.model_dump(mode="json"))
    assert printed["background.least_margin_db"] == "3.0"
    assert printed["conditions.front.applied"] == '["front"]'


def test_every_reason_of_the_quality_table_is_printed(report: Report) -> None:
    expected = {code for row in report.tables.quality for code in row["reasons"]}
    cells = cells_of(report, "reasons-table")
    assert {cell["reason"] for cell in cells} == expected == {"recording-cut", "overload", "dropout", "overruled"}
    counted = Counter(code for row in report.tables.quality for code in row["reasons"])
    assert {cell["reason"]: int(cell["channels x runs"]) for cell in cells} == counted


def test_stretches_that_are_not_averaged_stand_in_the_run_log(report: Report) -> None:
    used = next(row for row in report.tables.runs if row["status"] == "used" and row["kind"] == "measurement")
    stretch = "1 to 2.5 s: a lorry passed"
    changed = tuple({**row, "left_out": [stretch]} if row is used else row for row in report.tables.runs)
    table = run_log_table(dataclasses.replace(report.tables, runs=changed), report.campaign)
    (row,) = [row for row in table.rows if row[0] == used["run"]]
    assert f"in part: {stretch}" in row[table.head.index("left out and why")]
