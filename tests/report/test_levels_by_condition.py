"""Levels by condition: the numbers are the tables', bounds are arrows, unusable channels are not there."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from built_report import Report
from matplotlib.container import ErrorbarContainer

from tapeline.report.chosen_runs import ChosenRuns, chosen_runs
from tapeline.report.condition_levels import ConditionLevel, band_levels, overall_levels, put_together, runs_at
from tapeline.report.figure_files import FigureShelf
from tapeline.report.figure_panels import Heading
from tapeline.report.figure_style import condition_face, condition_look, condition_mark, report_style
from tapeline.report.figures_conditions import conditions_figure
from tapeline.report.levels_part import LevelsPart, levels_part


@pytest.fixture
def chosen(report: Report) -> ChosenRuns:
    found = chosen_runs(report.tables, report.campaign)
    assert found is not None
    return found


@pytest.fixture
def part(report: Report, chosen: ChosenRuns, tmp_path: Path) -> LevelsPart:
    shelf = FigureShelf(tmp_path / "figures")
    made = levels_part(report.tables, report.campaign, chosen, shelf, (-60.0, 200.0))
    shelf.draw()
    return made


def level(midband_hz: float, value: float | None, bound: float | None = None) -> ConditionLevel:
    ends = (None, None) if value is None else (value - 1, value + 1)
    return ConditionLevel(midband_hz, midband_hz / 1.12, midband_hz * 1.12, value, *ends, bound, ("a", "b"), False)


def test_all_used_runs_of_the_place_count(report: Report, chosen: ChosenRuns) -> None:
    for condition, names in runs_at(report.tables, report.campaign, chosen).items():
        assert condition in report.campaign.settings.conditions
        rows = [report.tables.run_by_name[name] for name in names]
        assert rows
        assert {(row["session"], row["speed_mps"], row["condition"], row["status"]) for row in rows} == {
            (chosen.session, chosen.speed_mps, condition, "used")
        }


def test_levels_are_those_of_the_budgets(report: Report, chosen: ChosenRuns) -> None:
    means = {
        (row["position"], row["condition"], row["midband_hz"] if "midband_hz" in row else row["band_hz"]): row
        for row in report.tables.absolute_levels(chosen.session, chosen.speed_mps, chosen.yaw_deg, "band")
    }
    found = band_levels(report.tables, report.campaign, chosen)
    valued = [part for own in found.values() for levels in own.values() for part in levels if part.level_db is not None]
    assert len(valued) == len([row for row in means.values() if row["condition"] is not None]) > 0
    assert {round(part.level_db or 0.0, 9) for part in valued} <= {round(row["level_db"], 9) for row in means.values()}
    assert all((part.lower_db or 0.0) < (part.level_db or 0.0) < (part.upper_db or 0.0) for part in valued)


def test_a_level_is_a_value_or_a_bound(report: Report, chosen: ChosenRuns) -> None:
    for own in band_levels(report.tables, report.campaign, chosen).values():
        for levels in own.values():
            assert levels
            assert all((found.level_db is None) != (found.bound_db is None) for found in levels)


def row(run: str, **changed: Any) -> dict[str, Any]:
    """A band level of one run: a bound of 60 dB after flow was subtracted."""
    return {"run": run, "position": "P1", "band_hz": 500.0, "midband_hz": 501.2, "lower_hz": 447.0,
            "upper_hz": 562.0, "corrected_level_db": None, "upper_bound_db": 60.0, "state": "bound",
            "background_source": "flow", "marks": [], "doubt": [], "comparable": True} | changed  # fmt: skip


def test_what_cannot_be_put_together_makes_no_bound() -> None:
    """A run from which less could be subtracted holds the background: a mean with it would be no bound."""
    (one,) = put_together([], {"open": [row("a"), row("b", upper_bound_db=90.0, comparable=False)]})["P1"]["open"]
    assert one.bound_db == pytest.approx(60.0)
    assert one.runs == ("a",)
    assert not one.doubtful


@pytest.mark.parametrize("doubt", [[], ["background-louder"]])
def test_doubt_travels_with_the_level(doubt: list[str]) -> None:
    (one,) = put_together([], {"open": [row("a", doubt=doubt)]})["P1"]["open"]
    assert one.doubtful == bool(doubt)


def test_bounds_are_arrows_and_never_points() -> None:
    panels = {"P1": {"open": [level(500.0, 80.0), level(630.0, None, 61.0)]}}
    with report_style():
        figure = conditions_figure(panels, {"open": "Open"}, Heading("Levels", "campaign x"), (40.0, 90.0), 2e-5)
    (line,) = [line for line in figure.axes[0].lines if line.get_gid() == "open"]
    assert [value for value in line.get_ydata() if np.isfinite(value)] == [80.0]
    (arrow,) = [part for part in figure.axes[0].containers if isinstance(part, ErrorbarContainer)]
    assert arrow.get_label() == "at most"
    assert figure.axes[0].get_title(loc="left") == "P1   n = 2 runs"


def test_conditions_have_their_look_and_one_that_no_setting_names_a_place_in_the_legend() -> None:
    panels = {"P1": {"sealed": [level(500.0, 80.0)], "stray": [level(500.0, 70.0)]}}
    names = ("open", "sealed")
    with report_style():
        figure = conditions_figure(panels, dict(zip(names, ("Open", "Sealed"), strict=True)), Heading("t", "s"),
                                   (40.0, 90.0), 2e-5)  # fmt: skip
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert labels == ["Sealed", "stray"]
    for line in figure.axes[0].lines:
        name = str(line.get_gid())
        assert line.get_marker() == condition_mark(names, name)
        assert line.get_markerfacecolor() == condition_face(names, name)
        assert line.get_color() == condition_look(names, name)[0]


def test_arrows_of_conditions_stand_beside_each_other_about_the_midband() -> None:
    names = ("a", "b", "c")
    panels = {"P1": {name: [level(500.0, None, 61.0), level(630.0, None, 60.0)] for name in names}}
    with report_style():
        figure = conditions_figure(panels, {name: name for name in names}, Heading("t", "s"), (40.0, 90.0), 2e-5)
    tails = [line.get_xdata() for line in figure.axes[0].lines if line.get_gid() == "bound-tail"]
    places = sorted(float(np.asarray(found)[0]) for found in tails)
    assert len(places) == 3
    assert places[1] == pytest.approx(500.0)
    assert places[0] * places[2] == pytest.approx(500.0**2)
    assert places[1] / places[0] > 1.05
    assert places[2] < 500.0 * 1.12, "within the band"
    assert places[0] > 500.0 / 1.12


def test_numbers_of_runs_that_differ_are_said_to_be_runs() -> None:
    few = replace(level(630.0, 70.0), runs=("a",))
    with report_style():
        figure = conditions_figure(
            {"P1": {"open": [level(500.0, 80.0), few]}}, {"open": "Open"}, Heading("t", "s"), (40.0, 90.0), 2e-5
        )
    assert figure.axes[0].get_title(loc="left") == "P1   n = 1 to 2 runs"


def test_the_table_says_level_interval_and_runs(report: Report, chosen: ChosenRuns, part: LevelsPart) -> None:
    first = report.campaign.settings.overall[0]
    levels = overall_levels(report.tables, report.campaign, chosen, first.weighting, first.range_hz)
    assert len(part.tables[0].rows) == len(levels) > 0
    for row in part.tables[0].rows:
        for name, cell in zip(runs_at(report.tables, report.campaign, chosen), row[1:], strict=True):
            found = levels[row[0]].get(name)
            if found is None:
                assert cell == "–"
            elif found.level_db is None:
                assert cell.replace("?", "") == f"at most {found.bound_db:.1f}, n {len(found.runs)}"
            else:
                numbers = [float(value) for value in re.findall(r"-?\d+\.\d", cell)]
                assert numbers == pytest.approx([found.level_db, found.lower_db, found.upper_db], abs=0.0501)
                assert cell.endswith(f"n {len(found.runs)}")


def test_the_table_beside_the_figure_holds_what_is_drawn(part: LevelsPart, tmp_path: Path) -> None:
    assert part.picture is not None
    with (tmp_path / part.picture.data_file).open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["condition"] for row in rows} >= {"open", "sealed"}
    assert all(bool(row["level_db"]) != bool(row["bound_db"]) for row in rows)
    assert "is loudest with" in part.picture.alt
