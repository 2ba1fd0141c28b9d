"""The section on repeatability: its words, tables and figures, and the lines of what needs attention."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from built_report import Report
from built_results import built_campaign

from tapeline.report.attention_repeats import repeat_lines, unusual_words
from tapeline.report.blocks import FigureBlock, Fold, Prose, Section, TableBlock, figures
from tapeline.report.charts.figure import Figure
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.headline import Headline
from tapeline.report.page_table import PlainTable, plain
from tapeline.report.sections.repeatability import at_headline, not_between, repeatability_sections, scatter_words
from tapeline.report.sections.repeatability_figures import band_scatter, control_figure
from tapeline.report.sections.repeatability_tables import shift_table


@pytest.fixture(scope="module")
def section(report: Report) -> Section:
    (found,) = repeatability_sections(report.tables, report.campaign)
    return found


def sentences(section: Section) -> list[str]:
    return [plain(block.words) for block in section.blocks if isinstance(block, Prose)]


def table(section: Section, key: str) -> PlainTable:
    folded = [block for fold in section.blocks if isinstance(fold, Fold) for block in fold.blocks]
    (found,) = [
        each.table for each in folded if isinstance(each, TableBlock) and each.table.key == f"repeatability-{key}"
    ]
    return found


def lines(section: Section, key: str) -> list[dict[str, str]]:
    found = table(section, key)
    return [dict(zip(found.head, map(plain, row), strict=True)) for row in found.rows]


def figure(section: Section, subject: str) -> Figure:
    (found,) = [each for each in figures(section.blocks) if each.name[0] == subject]
    return found


def given(
    tests: Sequence[Row] = (),
    control: Sequence[Row] = (),
    overall: Sequence[Row] = (),
    sessions: str = "ab",
    conditions: str = "xy",
) -> FinishedTables:
    made = {
        "repeat_tests": tests,
        "control_values": control,
        "runs": [
            {"session": name, "kind": "measurement", "status": "used"}
            | {"condition": condition, "speed_mps": 30.0, "yaw_deg": 0.0}
            for name, condition in zip(sessions, conditions, strict=False)
        ],
        "repeatability": lambda _quantity, _condition=None: list(overall),
    }
    return cast(FinishedTables, SimpleNamespace(**made))


def test_the_first_sentence_says_how_well_a_level_repeats_at_the_headline(section: Section, report: Report) -> None:
    rows = [row for row in report.tables.repeatability("overall", "open")
            if row["weighting"] == "A" and row["speed_mps"] > 30.0]  # fmt: skip
    within = [row["session_sd_db"][row["sessions"].index("april")] for row in rows]
    first, second, third, *_ = sentences(section)
    assert first.startswith(
        f"In session april, runs of Seam open at 140 km/h, yaw 0° scatter by {np.median(within):.2f} dB(A)"
    )
    assert f"The largest is {max(within):.2f} dB at " in first
    assert second.startswith(
        "After 35 days (april to may) levels at 140 km/h, yaw 0° moved by less than 0.05 dB(A) at 9 positions"
    )
    both = np.median([row["reproducibility_sd_db"] for row in rows])
    assert "In between, sensors were remounted at 8 of 9 positions" in second
    assert third.startswith("At any operating point they moved most at "), third
    assert f"A single run of any session scatters by {both:.2f} dB (median)." in second


@pytest.mark.parametrize("recorded_at", [None, "", "an unknown day"])
def test_without_dates_the_sessions_alone_are_named(report: Report, recorded_at: str | None) -> None:
    runs = tuple({**row, "recorded_at": recorded_at} for row in report.tables.runs)
    (found,) = repeatability_sections(dataclasses.replace(report.tables, runs=runs), report.campaign)
    assert sentences(found)[1].startswith("From april to may levels at 140 km/h, yaw 0° moved by")


def test_the_headline_of_the_sheet_comes_first_then_a_weighted_levels_at_the_fastest_point() -> None:
    same = {"lowest_band_hz": 100.0, "highest_band_hz": 5000.0}
    rows = [
        {"weighting": weighting, "speed_mps": speed, "yaw_deg": yaw, **same}
        for weighting, speed, yaw in (("Z", 40.0, 0.0), ("A", 30.0, 0.0), ("A", 40.0, -5.0), ("A", 40.0, 0.0))
    ]
    of_sheet = Headline("A", (100.0, 5000.0), "april", 30.0, 0.0, (), ())
    assert at_headline(rows, of_sheet) == [rows[1]]
    assert at_headline([rows[0], rows[3]], of_sheet) == [rows[3]], "its level where its point has none"
    assert at_headline(rows, None) == [rows[3]]
    assert at_headline(rows[:1], None) == rows[:1]
    assert at_headline([], of_sheet) == []


def test_the_section_says_how_weak_two_sessions_are(section: Section) -> None:
    """Student's t of one degree of freedom is 12.7 at 95 % (any table)."""
    (said,) = [text for text in sentences(section) if "hardly known" in text]
    assert "1 degree of freedom, Student's t 12.7 for 95 %" in said


def test_the_section_counts_the_pairs(section: Section, report: Report) -> None:
    tested = [row for row in report.tables.repeat_tests if row["same"] is not None]
    (said,) = [text for text in sentences(section) if "pairs of repeats" in text]
    runs = {(row["session"], row["run_a"], row["run_b"]) for row in tested}
    assert said.startswith(
        f"{len(runs)} pairs of repeats give {len(tested)} tests, each at one position. 4 of these differ beyond random "
        "error, 3 by 0.3 dB rms or more."
    )


def test_the_scatter_is_that_of_the_session_and_another_that_is_restless_is_named() -> None:
    """The headline's session scatters by 0.02 dB, another by 0.4: the pooled 0.28 dB is said of neither."""
    same = {"weighting": "A", "speed_mps": 30.0, "yaw_deg": 0.0, "within_session_sd_db": 0.28}
    rows = [
        {**same, "position": place, "sessions": ["a", "b"], "session_sd_db": [0.02, 0.4], "cochran": flag}
        for place, flag in (("P1", "b: outlier"), ("P2", "b: straggler"), ("P3", None))
    ]
    first, second = scatter_words(built_campaign(), rows, "a")
    assert first.startswith("In session a, runs of Seam open at 108 km/h, yaw 0° scatter by 0.02 dB(A)")
    assert second == "Session b is restless, with 0.40 dB(A): Cochran's test names it at 2 of 3 positions."
    assert len(scatter_words(built_campaign(), [rows[2], rows[2] | {"position": "P4"}, rows[0]], "a")) == 1
    (pooled,) = scatter_words(built_campaign(), rows[2:], "c")
    assert pooled.startswith("Within a session, runs of Seam open at 108 km/h, yaw 0° scatter by 0.28 dB(A)")


def test_a_shift_between_two_sensors_says_so(report: Report) -> None:
    sensors = {("april", "P01"): "s01", ("may", "P01"): "s02", ("april", "P02"): "s03", ("may", "P02"): "s03"}
    tables = cast(FinishedTables, SimpleNamespace(sensor_by_place=sensors))
    rows = [row for row in report.tables.repeatability("overall", "open") if row["position"] in ("P01", "P02")]
    found = shift_table(tables, report.campaign, rows)
    mounts = {row[0]: row[found.head.index("mount")] for row in found.rows}
    assert mounts == {"P01": "same mount, sensor s01 > s02", "P02": "remounted"}


def test_what_only_all_positions_show_is_not_laid_to_a_level_of_nothing() -> None:
    row = {"position": "P1", "level_usual_p_value": 0.87, "level_median_db": 0.01, "usual_level_sd_db": 0.05,
           "shape_usual_p_value": 1.0, "shape_difference_db": 0.8, "usual_shape_sd_db": 0.5,
           "shape_band_hz": 100.0}  # fmt: skip
    said = unusual_words(row, 0.05)
    assert said == "P1 +0.8 dB at 100 Hz (usually 0.5 dB, unusual only with all positions together)"
    own = {**row, "level_usual_p_value": 0.001, "level_median_db": 0.6}
    assert unusual_words(own, 0.05) == "P1 +0.6 dB in level (usually 0.1 dB)"


def test_scatter_stands_by_operating_point_with_its_refusals(section: Section, report: Report) -> None:
    rows = lines(section, "scatter")
    overall = report.tables.repeatability("overall")
    points = {(row["condition"], row["speed_mps"], row["weighting"]) for row in overall}
    assert len(rows) == len(points)
    front = [row for row in rows if row["condition"] == "Front half taped"]
    assert {row["between, s_L"] for row in front} == {"not known: one session"}
    first = next(row for row in rows if row["condition"] == "Seam open")
    slow = [
        r["within_session_sd_db"]
        for r in overall
        if (r["condition"], r["weighting"]) == ("open", "A") and r["speed_mps"] < 30.0
    ]
    assert first["within, s_r"] == f"{np.median(slow):.2f} ({max(slow):.2f})"
    assert any(row["flagged"] == "1" for row in rows)


def test_medians_that_do_not_add_up_are_said_not_to(section: Section) -> None:
    assert "Each median is by itself" in table(section, "scatter").note


def test_shifts_are_of_the_reference_condition(section: Section, report: Report) -> None:
    rows = lines(section, "shifts")
    known = [r for r in report.tables.repeatability("overall", "open") if r["shift_db"] is not None]
    assert len(rows) == len(known)
    assert {row["mount"] for row in rows if row["position"] == "P01"} == {"same mount"}
    assert {row["p"] for row in rows if row["position"] == "P03"} == {"< 0.001"}
    assert table(section, "shifts").note.startswith("In all rows: sessions april > may")


def test_pairs_that_failed_stand_in_a_table_worst_first(section: Section) -> None:
    first, second = lines(section, "pairs")
    assert first["runs"] == "a-open-01, a-open-02"
    assert first["differ at"] == "3 of 9 positions"
    assert first["level, dB"] == "+0.70"
    assert first["largest excess, dB"] == "0.80 at P01"
    assert second["runs"] == "a-sealed-01, a-sealed-02"


def test_the_figures_say_their_message(section: Section) -> None:
    scatter, control = figure(section, "repeatability"), figure(section, "control")
    assert scatter.alt.startswith("Standard deviations of band levels of Seam open. Within sessions, s_r: median ")
    assert "Between sessions, s_L: median" in scatter.alt
    assert "furthest from its centre is P02 with" in control.alt
    assert control.alt.endswith("outside of the limits: P02.")


def test_scatter_by_band_is_gathered() -> None:
    rows = [
        {"band_hz": band, "within_session_sd_db": value}
        for band, value in ((250.0, 0.2), (250.0, 0.4), (250.0, 0.9), (500.0, 0.1), (1000.0, None))
    ]
    found = band_scatter(rows, "within_session_sd_db")
    assert found.of("band_hz") == [250.0, 500.0]
    assert (found.least_db[0], found.median_db[0], found.most_db[0]) == (0.2, 0.4, 0.9)


def test_the_numbers_of_the_scatter_figure_are_those_of_the_table(section: Section, report: Report) -> None:
    data = figure(section, "repeatability").data.columns
    bands = report.tables.repeatability("band", "open")
    columns = {"within sessions, s_r": "within_session_sd_db", "between sessions, s_L": "between_session_sd_db"}
    checked = 0
    for of, band, low, middle, high in zip(*(data[name] for name in data), strict=True):
        if of in columns:
            values = [row[columns[of]] for row in bands if row["band_hz"] == band and row[columns[of]] is not None]
            assert (low, middle, high) == (min(values), np.median(values), max(values))
            checked += 1
    assert checked > 10
    reading = figure(section, "repeatability").readings[0].words
    assert reading.startswith(f"within sessions, s_r, 100 Hz: median {data['median_db'][0]:.2f} dB")


def test_control_charts_mark_what_is_outside_and_keep_all_numbers(report: Report) -> None:
    rows = [row for row in report.tables.control_values if row["weighting"] == "A" and row["speed_mps"] < 30.0]
    made = control_figure(report.campaign, rows, "A")
    assert made is not None
    outside = [row for row in rows if row["outside"]]
    marked = [reading.words for reading in made.readings if "outside of the limits" in reading.words]
    assert [words.partition(":")[0] for words in marked] == [f"{row['position']}, {row['session']}" for row in outside]
    assert f"{outside[0]['level_db'] - outside[0]['centre_db']:+.2f} dB" in marked[0]
    by_key = {(row["position"], row["session"]): row["level_db"] for row in rows}
    columns = made.data.columns
    drawn = zip(columns["position"], columns["session"], columns["level_db"], strict=True)
    assert {(position, session): level for position, session, level in drawn}.items() <= by_key.items()


def test_control_charts_are_drawn_from_five_sessions_on(report: Report) -> None:
    rows = [row for row in report.tables.control_values if row["weighting"] == "A" and row["speed_mps"] < 30.0]
    few = [{**row, "session_count": 4} for row in rows if row["session_number"] <= 4]
    assert control_figure(report.campaign, few, "A") is None
    assert control_figure(report.campaign, [], "A") is None


def test_repeats_that_changed_need_attention_and_small_failures_do_not(report: Report) -> None:
    (line,) = [line for line in repeat_lines(report.tables, report.campaign) if "repeats" in line.found]
    assert line.where == "session april"
    assert line.severity == "note"
    assert (
        "a-open-01 and a-open-02 (Seam open, 100 km/h, yaw 0°), at 3 of 9 positions. P01 differs by +0.8 dB"
        in line.found
    )
    assert "P05" not in line.found


def test_control_values_outside_need_attention(report: Report) -> None:
    (line,) = [line for line in repeat_lines(report.tables, report.campaign) if "control limits" in line.found]
    assert (line.severity, line.where) == ("doubtful", "session june")
    assert "at P02; all positions together moved by up to +0.1 dB" in line.found


def test_sessions_without_a_shared_condition_need_attention() -> None:
    campaign = built_campaign()
    alone: list[dict[str, Any]] = [{"session_count": 1, "left_out": []}, {"session_count": 1, "left_out": None}]
    (line,) = repeat_lines(given(overall=alone), campaign)
    assert "no condition was measured in two sessions" in line.found
    assert repeat_lines(given(overall=[*alone, {"session_count": 2, "left_out": []}]), campaign) == []
    assert repeat_lines(given(overall=alone, sessions="a"), campaign) == [], "one session is no fault"


def test_a_session_that_is_left_out_is_named_and_not_said_to_be_missing() -> None:
    left_out = ["session a: less background taken off", "run b2: less background taken off"]
    rows: list[dict[str, Any]] = [
        {"position": "P01", "session_count": 1, "left_out": left_out},
        {"position": "P02", "session_count": 1, "left_out": ["session a: 2 bounds"]},
        {"position": "P03", "session_count": 1, "left_out": []},
    ]
    (line,) = repeat_lines(given(overall=rows, conditions="xx"), built_campaign())
    assert line.where == "session a"
    assert line.found.endswith("scatter between sessions: bounds at P02; less background taken off at P01")
    (line,) = repeat_lines(given(overall=rows[2:], conditions="xx"), built_campaign())
    assert line.found.startswith("no level of a condition counts in two sessions")


def test_the_section_says_why_nothing_is_known_between_sessions() -> None:
    rows = [{"between_refused": "other session had less background taken off"}, {"between_refused": "one session"}]
    assert "counts in two sessions (other session had less background taken off)" in not_between(rows, twice=True)
    assert not_between(rows, twice=False).startswith("No condition was measured in two sessions")


def test_without_levels_there_is_nothing_to_say(report: Report) -> None:
    (found,) = repeatability_sections(given(), report.campaign)
    assert [plain(block.words) for block in found.blocks if isinstance(block, Prose)] == [
        "No run has a level: how well levels repeat is not known."
    ]
    assert not [block for block in found.blocks if isinstance(block, FigureBlock)]
