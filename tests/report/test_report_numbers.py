"""Numbers on the page are the numbers of the tables: cells, readings of figures, and the files beside them."""

from __future__ import annotations

import csv
import dataclasses
import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from built_report import Report, text_of

from tapeline.report.comparison_views import View, views
from tapeline.report.page_table import plain
from tapeline.report.sections.run_log import run_log_table
from tapeline.report.view_names import pair_anchor, view_anchor


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
    cells = report.rows(f"overall-{comparison}")
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
        background = ", no background subtracted" if row["state"] == "none" else ""
        assert cell["finding"] == row["finding"] + why + background + DOUBT[row["doubtful"]]


def built_views(report: Report) -> Iterator[tuple[View, str]]:
    """Every comparison at one operating point, with its place on the page."""
    for view in views(report.tables.comparisons):
        yield view, view_anchor(report.campaign, view)


def test_every_number_of_the_tables_of_bands(report: Report) -> None:
    """Position by band; the colour says the same as the finding, and never more."""
    seen = 0
    for view, anchor in built_views(report):
        table = report.tree.find(f".//table[@id='bands-{anchor}']")
        assert table is not None
        head, *lines = [list(row) for row in table.iter("tr")]
        found = {(row["position"], row["band_hz"]): row for row in view.band_rows()}
        bands = [1000 * float(text_of(cell)[:-1]) if text_of(cell).endswith("k") else float(text_of(cell))
                 for cell in head[1:]]  # fmt: skip
        assert [text_of(line[0]) for line in lines] == [
            name for name in report.campaign.positions if name in view.bands
        ]
        for line in lines:
            for band, cell in zip(bands, line[1:], strict=True):
                row = found.pop((text_of(line[0]), band), None)
                assert text_of(cell) == heat_words(row)
                (role,) = [part.attrib["class"] for part in cell] or [""]
                is_shown = row is not None and row["finding"] in ("lower", "higher") and not row["doubtful"]
                assert bool(re.fullmatch("h-?[123]", role)) is is_shown
                assert role.startswith("h-") is (is_shown and row is not None and row["difference_db"] < 0)
                seen += 1
        assert not found, "rows of the table that the page leaves out"
    assert seen > 200


def heat_words(row: dict[str, Any] | None) -> str:
    """A difference as a narrow cell prints it."""
    if row is None:
        return ""
    doubt = "?" if row["doubtful"] else ""
    if row["difference_db"] is not None:
        return shown(row["difference_db"], signed=True) + doubt
    if row["upper_db"] is not None:
        return f"≤{shown(row['upper_db'])}{doubt}"
    return (f"≥{shown(row['lower_db'])}" if row["lower_db"] is not None else "–") + doubt


def test_what_is_read_off_a_pair_and_its_file_of_numbers_are_those_of_the_table(report: Report) -> None:
    pairs = 0
    for view, _ in built_views(report):
        for position, rows in view.bands.items():
            group = report.tree.find(f".//*[@id='{pair_anchor(report.campaign, view, position)}']")
            if group is None:
                continue
            pairs += 1
            figure = group.find(".//figure")
            assert figure is not None
            readings = report.readings(figure.attrib["id"])
            for row in rows:
                own = [words for words in readings if f" {shown_band(row['band_hz'])}: " in words]
                assert len(own) == 1, "of both panels"
                places = sum(row[name] is not None for name in ("reference_level_db", "treatment_level_db"))
                assert len(own[0].split(" ")[0].split(";")) >= places + (row["difference_db"] is not None)
                ends = [row["lower_db"], row["upper_db"]]
                words = shown(row["difference_db"], signed=True) if row["difference_db"] is not None else None
                assert all(words is None or f"difference {words} dB ({shown(ends[0])} to {shown(ends[1])})" in line
                           for line in own)  # fmt: skip
                assert all(row["finding"] in line for line in own)
            (path,) = [link.attrib["href"] for link in group.iter("a") if link.attrib["href"].endswith(".csv")]
            with (report.results / path).open(encoding="utf-8", newline="") as file:
                numbers = list(csv.DictReader(file))
            assert len(numbers) == len(rows)
            for line, row in zip(numbers, rows, strict=True):
                for name in (
                    "band_hz",
                    "reference_level_db",
                    "treatment_level_db",
                    "difference_db",
                    "lower_db",
                    "upper_db",
                ):
                    if row[name] is None:
                        assert line[name] == ""
                    else:
                        assert float(line[name]) == pytest.approx(row[name], rel=1e-6)
                assert line["finding"] == row["finding"]
                assert line["treatment_runs"].split() == list(row["treatment_runs"])
    assert pairs > 10


def shown_band(hertz: float) -> str:
    """A band as the page names it."""
    return f"{hertz / 1000:g} kHz" if hertz >= 1000 else f"{hertz:g} Hz"


def test_the_run_log_says_what_was_left_out_and_why(report: Report) -> None:
    log = {cell["run"]: cell for cell in report.rows("run-log-table")}
    assert set(log) == {row["run"] for row in report.tables.runs}
    why = "left out and why"
    assert log["a-old"][why] == "whole run: taken again as a-open-01"
    assert log["a-door"][why] == "whole run: use is no, see the remark"
    assert log["a-cut"][why] == "whole run: run a-cut: 12.0 s are missing"
    assert log["a-open-11"][why].startswith("1 channel (P03): position P03 overloaded")
    assert log["a-sealed-11"][why] == "–"
    assert log["a-sealed-11"]["achieved, km/h"] == "140.3"


def test_every_setting_is_printed(report: Report) -> None:
    printed = {cell["setting"]: cell["value"] for cell in report.rows("settings-table")}

    def leaves(prefix: str, value: Any) -> set[str]:
        if isinstance(value, dict) and value:
            return {leaf for name, inner in value.items() for leaf in leaves(f"{prefix}.{name}", inner)}
        return {prefix.removeprefix(".")}

    assert set(printed) == leaves("", report.campaign.settings.model_dump(mode="json"))
    assert printed["background.least_margin_db"] == "3.0"
    assert printed["conditions.front.applied"] == '["front"]'


def test_stretches_that_are_not_averaged_stand_in_the_run_log(report: Report) -> None:
    used = next(row for row in report.tables.runs if row["status"] == "used" and row["kind"] == "measurement")
    stretch = "1 to 2.5 s: a lorry passed"
    changed = tuple({**row, "left_out": [stretch]} if row is used else row for row in report.tables.runs)
    table = run_log_table(dataclasses.replace(report.tables, runs=changed), report.campaign)
    (row,) = [row for row in table.rows if plain(row[0]) == used["run"]]
    assert f"in part: {stretch}" in row[table.head.index("left out and why")]


def test_every_run_has_its_row_its_anchor_and_its_page(report: Report) -> None:
    table = report.tree.find(".//table[@id='run-log-table']")
    assert table is not None
    rows = {
        row.attrib["id"]: [link.attrib["href"] for link in row.findall("th/a")]
        for row in table.iter("tr")
        if row.attrib
    }
    assert rows == {f"run-{row['run']}": [f"runs/{row['run']}.html"] for row in report.tables.runs}


@pytest.mark.parametrize("weighting", ["Z", "A"])
def test_levels_of_all_conditions(report: Report, weighting: str) -> None:
    """At one session and operating point, which the section names."""
    section = report.tree.find(".//*[@id='levels']")
    assert section is not None
    titles = {condition.title: name for name, condition in report.campaign.settings.conditions.items()}
    seen = 0
    (place,) = [
        (run["session"], run["speed_mps"], run["yaw_deg"])
        for run in {(row["session"], row["speed_mps"]): row for row in report.tables.used_measurements}.values()
        if f"Session {run['session']}, {run['speed_mps'] * 3.6:g} km/h, yaw {run['yaw_deg']:g}°:" in text_of(section)
    ]
    rows = [row for row in report.tables.absolute_levels(*place, "overall") if row["weighting"] == weighting]
    found = {(row["position"], row["condition"]): row for row in rows if row["level_db"] is not None}
    for cells in report.rows(f"levels-{weighting}-100-5000"):
        for title, name in titles.items():
            row = found.get((cells["position"], name))
            if row is None:
                continue
            ends = f"{shown(row['lower_db'])} to {shown(row['upper_db'])}"
            assert cells[title].startswith(f"{shown(row['level_db'])} dB ({ends}), n {len(row['runs'])}")
            seen += 1
    assert seen == len(found) > 10


@pytest.mark.parametrize("comparison", ["whole-seam", "front-part"])
def test_the_list_to_work_on_first(report: Report, comparison: str) -> None:
    rows = [row for row in report.tables.ranking if row["comparison"] == comparison]
    cells = report.rows(f"ranking-{comparison}")
    assert len(cells) == len(rows) > 5
    for cell, row in zip(cells, rows, strict=True):
        assert cell["rank"] == str(row["rank"])
        assert cell["position"] == row["position"]
        assert cell["band"] == shown_band(row["band_hz"])
        assert cell["contribution, dB"] == shown(row["contribution_db"])
        assert cell["95 % interval, dB"] == f"{shown(row['lower_db'])} to {shown(row['upper_db'])}"
        assert cell["share"] == f"{100 * row['share']:.0f} %"
        assert cell["finding"] == row["finding"]


def test_sensitivities(report: Report) -> None:
    cells = report.rows("calibration-table")
    assert len(cells) == len(report.tables.calibration) == 18
    for cell, row in zip(cells, report.tables.calibration, strict=True):
        assert (cell["position"], cell["session"]) == (row["position"], row["session"])
        assert cell["drift, dB"] == shown(row["drift_db"], signed=True, decimals=2)
        assert cell["deviation from chart, dB"] == shown(row["deviation_db"], signed=True, decimals=2)
        assert cell["verdict"] == row["verdict"]
        assert float(cell["used"]) == pytest.approx(1000 * row["sensitivity_v_per_pa"], rel=5e-4)
        assert (cell["after"] == "–") == (row["after_v_per_pa"] is None)


def test_exponents(report: Report) -> None:
    titles = {name: condition.title for name, condition in report.campaign.settings.conditions.items()}
    cells = {(cell["position"], cell["condition"]): cell for cell in report.rows("exponents")}
    rows = {(row["position"], titles[row["condition"]]): row for row in report.tables.overall_scaling
            if row["weighting"] == "A" and row["yaw_deg"] == 0.0}  # fmt: skip
    assert set(cells) <= set(rows)
    assert len(cells) > 5
    for place, cell in cells.items():
        row = rows[place]
        assert cell["n"] == shown(row["exponent"])
        ends = f"{shown(row['exponent_lower'])} to {shown(row['exponent_upper'])}"
        assert cell["95 % interval"] == ("–" if row["exponent_lower"] is None else ends)
        assert cell["levels"] == str(row["level_count"])
        assert cell["rms, dB"] == shown(row["fit_rms_db"], decimals=2)


def test_every_reason_of_the_quality_table_is_counted(report: Report) -> None:
    counted = Counter(code for row in report.tables.quality for code in row["reasons"])
    cells = report.rows("reasons-table")
    assert {cell["reason"] for cell in cells} == set(counted) == {"recording-cut", "overload", "dropout", "overruled"}
    said: Counter[str] = Counter()
    for cell in cells:
        said[cell["reason"]] += int(cell["channels x runs"])
    assert said == counted
