"""Levels by condition: the numbers are the tables', bounds are arrows, what is left out is counted."""

from __future__ import annotations

import re
from typing import Any

import pytest
from built_report import Report
from built_results import built_campaign
from drawings import figures_of, paths_of, points_of, words_of

from tapeline.report.charts.figure import Figure
from tapeline.report.charts.looks import condition_look
from tapeline.report.chosen_runs import ChosenRuns, chosen_runs
from tapeline.report.condition_levels import (
    ConditionLevel,
    background_levels,
    band_levels,
    overall_levels,
    put_together,
    runs_at,
)
from tapeline.report.sections.levels import (
    DEEPEST_DB,
    arrow_step,
    beyond_words,
    level_axis,
    levels_figure,
    levels_sections,
    overall_table,
)


@pytest.fixture
def chosen(report: Report) -> ChosenRuns:
    found = chosen_runs(report.tables, report.campaign)
    assert found is not None
    return found


@pytest.fixture
def figure(report: Report) -> Figure:
    (made,) = figures_of(levels_sections(report.tables, report.campaign))
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
    means = report.tables.absolute_levels(chosen.session, chosen.speed_mps, chosen.yaw_deg, "band")
    found, _ = band_levels(report.tables, report.campaign, chosen)
    valued = [part for own in found.values() for levels in own.values() for part in levels if part.level_db is not None]
    assert len(valued) == len([row for row in means if row["condition"] is not None]) > 0
    assert {round(part.level_db or 0.0, 9) for part in valued} <= {round(row["level_db"], 9) for row in means}
    every = [part for own in found.values() for levels in own.values() for part in levels]
    assert all((part.level_db is None) != (part.bound_db is None) for part in every), "a value or a bound"


def row(run: str, **changed: Any) -> dict[str, Any]:
    """A band level of one run: a bound of 60 dB after flow was subtracted."""
    return {"run": run, "position": "P1", "band_hz": 500.0, "midband_hz": 501.2, "lower_hz": 447.0,
            "upper_hz": 562.0, "corrected_level_db": None, "upper_bound_db": 60.0, "state": "bound",
            "background_source": "flow", "background_level_db": 58.0, "marks": [], "doubt": [],
            "comparable": True} | changed  # fmt: skip


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


def test_the_background_is_the_mean_of_the_runs_that_have_one() -> None:
    rows = [row("a"), row("b", background_level_db=62.0), row("c", background_level_db=None)]
    assert background_levels(rows) == {("P1", 501.2): 60.0}


def test_bounds_are_arrows_and_never_points(report: Report, chosen: ChosenRuns) -> None:
    levels = {"P01": {"open": [level(500.0, 80.0), level(630.0, None, 61.0)]}}
    made = levels_figure(report.tables, report.campaign, chosen, levels, {})
    look = condition_look(list(report.campaign.settings.conditions), "open")
    (curve,) = paths_of(made, f"ln {look.role}")[:1]
    assert len(points_of(curve)) == 1, "the bound is no point of the line"
    marks = paths_of(made, f"mk {look.role}")
    assert marks[0].count("z") == 1
    (arrow,) = paths_of(made, f"ar {look.role}")
    assert arrow.count("H") == 1
    assert any("at most" in words for words in words_of(made))
    assert made.data.columns["bound_db"] == [None, 61.0]


def test_arrows_of_a_band_stay_within_it() -> None:
    """Of three conditions in third-octaves the outer ones are 8 % off, the band reaches 12 % to either side."""
    step = arrow_step([level(500.0, None, 61.0)], 3)
    assert 1.05 < step < 1.12
    assert arrow_step([level(500.0, None, 61.0)], 8) ** 3.5 < 1.12


def test_the_figure_and_the_table_beside_it_hold_the_same_levels(
    report: Report, chosen: ChosenRuns, figure: Figure
) -> None:
    found, backgrounds = band_levels(report.tables, report.campaign, chosen)
    cells = figure.data.columns
    rows = list(zip(cells["position"], cells["condition"], cells["midband_hz"], strict=True))
    assert len(rows) == sum(len(levels) for own in found.values() for levels in own.values())
    for index, (position, condition, midband) in enumerate(rows):
        (one,) = [each for each in found[position][condition] if each.midband_hz == midband]
        assert cells["level_db"][index] == one.level_db
        assert cells["bound_db"][index] == one.bound_db
        assert cells["background_db"][index] == backgrounds.get((position, midband))
    assert "is loudest with" in figure.alt


def test_every_band_of_every_panel_can_be_read_with_its_levels(
    report: Report, chosen: ChosenRuns, figure: Figure
) -> None:
    found, _ = band_levels(report.tables, report.campaign, chosen)
    bands = {(name, each.midband_hz) for name, own in found.items() for levels in own.values() for each in levels}
    assert len(figure.readings) == len(bands)
    first = next(each.words for each in figure.readings if each.words.startswith("P01, 501 Hz"))
    (one,) = [each for each in found["P01"]["open"] if round(each.midband_hz or 0) == 501]
    assert f"Seam open {one.level_db:.1f} dB ({one.lower_db:.1f} to {one.upper_db:.1f}), n {len(one.runs)}" in first


def test_the_axis_holds_all_or_says_what_it_leaves_out() -> None:
    assert level_axis([60.0, 80.0]) == (50.0, 90.0)
    low, high = level_axis([-40.0, 100.0, None, float("-inf")])
    assert high - low == DEEPEST_DB
    assert high >= 100.0
    low, high = level_axis([None])
    assert high - low >= 30.0
    assert beyond_words([49.0, 50.0, 60.0, 61.0, None], (50.0, 60.0)) == " 2 values beyond the axis, 50 to 60 dB."
    assert beyond_words([None, 55.0], (50.0, 60.0)) == ""


def test_a_set_axis_is_taken_and_what_lies_beyond_is_said(report: Report) -> None:
    campaign = built_campaign(report={"level_axis_db": [90, 95]})
    (made,) = figures_of(levels_sections(report.tables, campaign))
    values = [value for name in ("level_db", "bound_db") for value in made.data.columns[name] if value is not None]
    count = sum(not 90 <= value <= 95 for value in values)
    assert f"{count} values beyond the axis, 90 to 95 dB." in made.caption


def test_the_table_says_level_interval_and_runs(report: Report, chosen: ChosenRuns) -> None:
    first = report.campaign.settings.overall[0]
    levels = overall_levels(report.tables, report.campaign, chosen, first.weighting, first.range_hz)
    table = overall_table(report.tables, report.campaign, chosen, first.weighting, first.range_hz)
    assert len(table.rows) == len(levels) > 0
    for cells in table.rows:
        for name, cell in zip(runs_at(report.tables, report.campaign, chosen), cells[1:], strict=True):
            found = levels[str(cells[0])].get(name)
            if found is None:
                assert cell == "–"
            elif found.level_db is None:
                assert str(cell).replace("?", "") == f"at most {found.bound_db:.1f} dB, n {len(found.runs)}"
            else:
                numbers = [float(value) for value in re.findall(r"-?\d+\.\d", str(cell))]
                assert numbers == pytest.approx([found.level_db, found.lower_db, found.upper_db], abs=0.0501)
                assert str(cell).endswith(f"n {len(found.runs)}")
