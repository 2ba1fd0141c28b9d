"""The comparisons: the table of bands and the figure of a pair show the numbers of the comparisons table."""

from __future__ import annotations

import math
from typing import Any

import pytest
from built_report import Report

from tapeline.report.blocks import FigureBlock, Fold, TableBlock
from tapeline.report.comparison_views import views, with_bounds
from tapeline.report.page_table import Marked, plain
from tapeline.report.sections.compare import compare_sections, heat_cell, heat_table
from tapeline.report.sections.pair_figure import (
    Axes,
    difference_limits,
    level_limits,
    pair_figure,
    without_background_words,
)
from tapeline.report.wording import number

ROW: dict[str, Any] = {"difference_db": 2.0, "lower_db": 1.0, "upper_db": 3.0, "finding": "higher", "doubtful": False}


@pytest.mark.parametrize(
    ("changed", "words", "role"),
    [
        ({}, "+2.0", "h2"),
        ({"difference_db": -9.1, "finding": "lower"}, "-9.1", "h-3"),
        ({"difference_db": 0.8}, "+0.8", "h1"),
        ({"finding": "not shown"}, "+2.0", "weak"),
        ({"finding": "equivalent", "difference_db": 0.1}, "+0.1", "weak"),
        ({"doubtful": True}, "+2.0?", "doubt"),
        ({"doubtful": True, "finding": "not shown"}, "+2.0?", "weak"),
        ({"difference_db": None, "lower_db": None, "finding": "bound"}, "≤3.0", "h0"),
        ({"difference_db": None, "upper_db": None, "finding": "bound"}, "≥1.0", "h0"),
        ({"difference_db": None, "lower_db": None, "upper_db": None, "finding": "bound"}, "–", "h0"),
    ],
)
def test_a_cell_has_colour_only_where_a_difference_is_shown(changed: dict[str, Any], words: str, role: str) -> None:
    cell = heat_cell(ROW | changed, "#x")
    assert isinstance(cell, Marked)
    assert (cell.words, cell.role, cell.href) == (words, role, "#x")


def test_the_table_of_bands_holds_every_band_difference(report: Report) -> None:
    for view in views(report.tables.comparisons):
        table = heat_table(report.campaign, view, {})
        found = {plain(row[0]): [plain(cell) for cell in row[1:]] for row in table.rows}
        assert set(found) == set(view.bands)
        bands = sorted({row["band_hz"] for row in view.band_rows()})
        for position, rows in view.bands.items():
            for row in rows:
                cell = found[position][bands.index(row["band_hz"])]
                if row["difference_db"] is not None:
                    assert cell.rstrip("?") == number(row["difference_db"], signed=True)


def test_the_figure_of_a_pair_reads_what_the_tables_hold(report: Report) -> None:
    view = views(report.tables.comparisons)[0]
    rows = with_bounds(report.tables, view, list(view.bands))
    every = [row for own in rows.values() for row in own]
    axes = Axes(level_limits(every), difference_limits(every, 0.5))
    for position, own in rows.items():
        figure = pair_figure(report.campaign, view, position, own, axes)
        assert list(figure.data.columns["difference_db"]) == [row["difference_db"] for row in own]
        assert list(figure.data.columns["background_db"]) == [row["background_db"] for row in own]
        lines = [line.split(" ", 2) for line in figure.read.split("\n")]
        assert len(lines) == len(own)
        for (x, y, words), row in zip(lines, own, strict=True):
            levels = [row[f"{side}_{kind}_db"] for side in ("treatment", "reference") for kind in ("level", "bound")]
            given = sum(value is not None for value in levels)
            assert len(x.split(";")) == len(y.split(";")) >= given
            if row["difference_db"] is not None:
                assert f"difference {number(row['difference_db'], signed=True)} dB" in words
            assert row["finding"] in words
        assert all(math.isfinite(reading.x) and math.isfinite(reading.y) for reading in figure.readings)


def test_a_bound_is_an_arrow_and_no_point_of_the_line(report: Report) -> None:
    view = views(report.tables.comparisons)[0]
    position, own = next(iter(with_bounds(report.tables, view, list(view.bands)).items()))
    bound = {**own[0], "treatment_level_db": None, "treatment_bound_db": 61.0, "difference_db": None, "upper_db": -3.0,
             "lower_db": None, "finding": "bound"}  # fmt: skip
    axes = Axes(level_limits([*own, bound]), difference_limits([*own, bound], 0.5))
    figure = pair_figure(report.campaign, view, position, [bound, *own[1:]], axes)
    assert 'class="ar ' in figure.drawing
    assert "at most 61.0 dB" in figure.readings[0].words
    assert "difference at most -3.0 dB" in figure.readings[0].words


def test_figures_of_a_comparison_share_their_axes_and_say_what_a_fixed_one_leaves_out(report: Report) -> None:
    view = views(report.tables.comparisons)[0]
    position, own = next(iter(with_bounds(report.tables, view, list(view.bands)).items()))
    narrow = pair_figure(report.campaign, view, position, own, Axes((0.0, 1.0), (-0.1, 0.1)))
    assert "values beyond the axis, 0 to 1 dB." in narrow.caption
    wide = pair_figure(report.campaign, view, position, own, Axes(level_limits(own), difference_limits(own, 0.5)))
    assert "beyond" not in wide.caption


def test_the_sign_is_said_in_words_above_each_comparison(report: Report) -> None:
    section = compare_sections(report.tables, report.campaign)[0]
    stage = next(block for block in section.blocks if block.kind == "group")
    conditions = report.campaign.settings.conditions
    for fold in stage.blocks:  # type: ignore[union-attr]
        comparison = report.campaign.settings.comparisons[dict(fold.choice)["comparison"]]  # type: ignore[union-attr]
        treatment, reference = (conditions[name].title for name in (comparison.treatment, comparison.reference))
        words = plain(fold.blocks[0].words)  # type: ignore[union-attr]
        assert words.startswith(f"Positive: {treatment} is louder than {reference}.")


@pytest.mark.parametrize(
    ("states", "words"),
    [
        ([True, True], "No background was subtracted."),
        ([True, False], "No background was subtracted in 1 of 2 bands."),
        ([False, False], ""),
    ],
)
def test_what_is_not_subtracted_is_said(states: list[bool], words: str) -> None:
    assert without_background_words([{"without_background": state} for state in states]) == words


def test_without_a_background_none_is_in_the_legend(report: Report) -> None:
    view = views(report.tables.comparisons)[0]
    position, own = next(iter(with_bounds(report.tables, view, list(view.bands)).items()))
    axes = Axes(level_limits(own), difference_limits(own, 0.5))
    bare = [{**row, "background_db": None, "without_background": True} for row in own]
    figure = pair_figure(report.campaign, view, position, bare, axes)
    assert ">background<" not in figure.drawing
    assert "No background was subtracted." in figure.caption
    assert "after background subtraction" not in figure.caption
    below = [{**row, "background_db": axes.levels[0] - 5.0} for row in own]
    assert 'class="ln bg"' not in pair_figure(report.campaign, view, position, below, axes).drawing
    within = [{**row, "background_db": axes.levels[0] + 5.0} for row in own]
    assert ">background<" in pair_figure(report.campaign, view, position, within, axes).drawing


@pytest.mark.parametrize("finding", ["equivalent", "not shown"])
def test_marks_of_differences_that_are_not_shown_are_neutral(report: Report, finding: str) -> None:
    view = views(report.tables.comparisons)[0]
    position, own = next(iter(with_bounds(report.tables, view, list(view.bands)).items()))
    same = [{**row, "difference_db": 0.1, "finding": finding, "doubtful": False} for row in own]
    figure = pair_figure(report.campaign, view, position, same, Axes(level_limits(own), (-2.0, 2.0)))
    assert 'class="mk nt ho"' in figure.drawing
    assert 'class="mk up' not in figure.drawing


def test_every_pair_can_be_chosen_and_reached(report: Report) -> None:
    section = compare_sections(report.tables, report.campaign)[0]
    stage = next(block for block in section.blocks if block.kind == "group")
    folds = [block for block in stage.blocks if isinstance(block, Fold)]  # type: ignore[union-attr]
    assert [dict(fold.choice)["comparison"] for fold in folds] == ["whole-seam", "front-part"]
    anchors = []
    for fold in folds:
        for view in (block for block in fold.blocks if isinstance(block, Fold) and block.choice):
            table = next(block for block in view.blocks if isinstance(block, TableBlock)).table
            pairs = [block for block in view.blocks if block.kind == "group"]
            anchors += [pair.key for pair in pairs]  # type: ignore[union-attr]
            linked = {cell.href for row in table.rows for cell in row if isinstance(cell, Marked)}
            assert linked == {f"#{pair.key}" for pair in pairs}  # type: ignore[union-attr]
            assert all(any(isinstance(each, FigureBlock) for each in pair.blocks) for pair in pairs)  # type: ignore[union-attr]
    assert len(anchors) == len(set(anchors)) > 4
    chosen = dict(stage.choice)  # type: ignore[union-attr]
    assert set(chosen) == {"comparison", "point", "position"}


def test_no_comparison_is_said(report: Report) -> None:
    from dataclasses import replace

    (section,) = compare_sections(replace(report.tables, comparisons=()), report.campaign)
    assert "No comparison has a result" in section.blocks[0].words  # type: ignore[union-attr]
