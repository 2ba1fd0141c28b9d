"""The section on repeatability: its words, tables and figures, and the lines of what needs attention."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from built_report import Report
from built_results import built_campaign

from tapeline.report.attention_repeats import repeat_lines
from tapeline.report.figure_files import FigureShelf
from tapeline.report.figure_panels import Heading
from tapeline.report.figure_style import report_style
from tapeline.report.figures_repeatability import band_scatter, control_figure, scatter_figure
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.repeatability_part import RepeatabilityPart, _not_between, repeatability_part

HEADING = Heading("Scatter", "campaign van-built")


@pytest.fixture(scope="module")
def part(report: Report, tmp_path_factory: pytest.TempPathFactory) -> RepeatabilityPart:
    with report_style():
        found = repeatability_part(report.tables, report.campaign, FigureShelf(tmp_path_factory.mktemp("figures")))
    assert found is not None
    return found


def table(part: RepeatabilityPart, key: str) -> list[dict[str, str]]:
    (found,) = [each for each in part.tables if each.key == f"repeatability-{key}"]
    return [dict(zip(found.head, row, strict=True)) for row in found.rows]


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


def test_the_section_says_how_weak_two_sessions_are(part: RepeatabilityPart) -> None:
    """Student's t of one degree of freedom is 12.7 at 95 % (any table)."""
    assert "2 sessions at most, 1 degree of freedom: t is 12.7 for 95 %" in part.sentences[0]
    assert "weak" in part.sentences[0]


def test_the_section_counts_the_pairs(part: RepeatabilityPart, report: Report) -> None:
    tested = [row for row in report.tables.repeat_tests if row["same"] is not None]
    assert part.sentences[1].startswith(f"{len(tested)} pairs of repeats of one position tested: 4 not the same, 3 ")


def test_scatter_stands_by_operating_point_with_its_refusals(part: RepeatabilityPart, report: Report) -> None:
    rows = table(part, "scatter")
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


def test_medians_that_do_not_add_up_are_said_not_to(part: RepeatabilityPart) -> None:
    (note,) = [each.note for each in part.tables if each.key == "repeatability-scatter"]
    assert "Each median is by itself" in note


def test_shifts_are_of_the_reference_condition(part: RepeatabilityPart, report: Report) -> None:
    rows = table(part, "shifts")
    known = [r for r in report.tables.repeatability("overall", "open") if r["shift_db"] is not None]
    assert len(rows) == len(known)
    assert {row["mount"] for row in rows if row["position"] == "P01"} == {"same mount"}
    assert {row["p"] for row in rows if row["position"] == "P03"} == {"< 0.001"}
    (note,) = [each.note for each in part.tables if each.key == "repeatability-shifts"]
    assert note.startswith("In all rows: sessions april > may")


def test_pairs_that_failed_stand_in_a_table_worst_first(part: RepeatabilityPart) -> None:
    first, second = table(part, "pairs")
    assert first["runs"] == "a-open-01, a-open-02"
    assert first["not the same at"] == "3 of 9 positions"
    assert first["level, dB"] == "+0.70"
    assert first["largest excess, dB"] == "0.80 at P01"
    assert second["runs"] == "a-sealed-01, a-sealed-02"


def test_the_figures_say_their_message(part: RepeatabilityPart) -> None:
    scatter, control = part.pictures
    assert scatter.alt.startswith("Standard deviations of band levels of Seam open. Within sessions, s_r: median ")
    assert "Between 2 sessions, s_L: median" in scatter.alt
    assert "furthest from its centre is P02 with" in control.alt
    assert control.alt.endswith("outside of the limits: P02.")


def test_the_page_has_the_section_after_the_comparisons(report: Report) -> None:
    headings = [element.text or "" for element in report.tree.iter("h2")]
    assert headings[headings.index("Repeatability") - 1] == "Comparisons"


def test_scatter_by_band_is_gathered_and_drawn() -> None:
    rows = [
        {"band_hz": band, "within_session_sd_db": value}
        for band, value in ((250.0, 0.2), (250.0, 0.4), (250.0, 0.9), (500.0, 0.1), (1000.0, None))
    ]
    found = band_scatter(rows, "within_session_sd_db")
    assert found.band_hz.tolist() == [250.0, 500.0]
    assert (found.least_db[0], found.median_db[0], found.most_db[0]) == (0.2, 0.4, 0.9)
    with report_style():
        figure = scatter_figure({"within": found, "between": found}, found, HEADING)
    left, right = figure.axes
    assert left.get_ylim() == right.get_ylim()
    (median,) = [line for line in right.lines if line.get_gid() == "median"]
    assert list(median.get_ydata()) == [0.4, 0.1]


def test_control_charts_share_their_axis_and_mark_what_is_outside(report: Report) -> None:
    rows = [row for row in report.tables.control_values if row["weighting"] == "A" and row["speed_mps"] < 30.0]
    panels = {name: [row for row in rows if row["position"] == name] for name in ("P01", "P02")}
    with report_style():
        figure = control_figure(panels, HEADING)
    quiet, jumping = figure.axes
    assert quiet.get_ylim() == jumping.get_ylim()
    crosses = [[line for line in axes.lines if line.get_marker() == "X"] for axes in (quiet, jumping)]
    assert [len(found) for found in crosses] == [0, 1]
    outside = next(row for row in panels["P02"] if row["outside"])
    assert list(crosses[1][0].get_ydata()) == pytest.approx([outside["level_db"] - outside["centre_db"]])


def test_repeats_that_changed_need_attention_and_small_failures_do_not(report: Report) -> None:
    lines = [line for line in repeat_lines(report.tables, report.campaign) if "repeats" in line.found]
    (line,) = lines
    assert line.where == "session april"
    assert line.severity == "note"
    assert "a-open-01 and a-open-02 (Seam open, 100 km/h, yaw 0°), at 3 of 9 positions: P01 +0.8 dB" in line.found
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
    assert "counts in two sessions (other session had less background taken off)" in _not_between(rows, twice=True)
    assert _not_between(rows, twice=False).startswith("No condition was measured in two sessions")


def test_without_levels_there_is_nothing_to_say(report: Report, tmp_path: Any) -> None:
    assert repeatability_part(given(), report.campaign, FigureShelf(tmp_path)) is None
