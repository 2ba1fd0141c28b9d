"""Figures of band levels and differences: what is drawn, and how bounds are never drawn as points."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from built_report import Report
from built_results import SMALL, built_campaign, write_results
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.colors import to_hex
from matplotlib.container import BarContainer, ErrorbarContainer
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.markers import CARETDOWNBASE

from tapeline.report.comparison_figures import comparison_parts
from tapeline.report.comparison_views import View, panels, selection, views, with_bounds
from tapeline.report.figure_files import FigureShelf
from tapeline.report.figure_panels import Heading
from tapeline.report.figure_style import (
    DIFFERENCE_COLOUR,
    DOUBTFUL_COLOUR,
    condition_face,
    condition_mark,
    report_style,
)
from tapeline.report.figures_bands import Sides, difference_figure, difference_limits, levels_figure
from tapeline.report.figures_heat import heat_limit, heat_map
from tapeline.report.finished_tables import Row, read_finished
from tapeline.store.tables import BOTH_BOUNDS

SIDES = Sides("open", "sealed", "Seam open", "Seam taped", ("open", "sealed", "front"))
HEADING = Heading("Levels", "campaign van-built · runs a, b")
MIDBANDS = np.array([501.187, 630.957, 794.328, 1000.0])


def band(index: int, **changed: Any) -> dict[str, Any]:
    """One band of a comparison at P01; a reduction of 2 dB that is shown."""
    midband = float(MIDBANDS[index])
    return {
        "position": "P01",
        "band_hz": round(midband),
        "midband_hz": midband,
        "lower_hz": midband / 1.122,
        "upper_hz": midband * 1.122,
        "reference_level_db": 80.0,
        "treatment_level_db": 78.0,
        "reference_bound_db": None,
        "treatment_bound_db": None,
        "background_db": 60.0,
        "difference_db": -2.0,
        "lower_db": -2.5,
        "upper_db": -1.5,
        "finding": "lower",
        "doubtful": False,
        "reference_runs": ["r1", "r2"],
        "treatment_runs": ["t1", "t2", "t3"],
        **changed,
    }


def lines_with(axes: Axes, gid: str) -> list[Line2D]:
    return [line for line in axes.lines if line.get_gid() == gid]


def words_of(figure: Figure) -> str:
    texts = [text.get_text() for text in figure.texts]
    legends = [text.get_text() for legend in figure.legends for text in legend.get_texts()]
    return " | ".join(texts + legends)


@pytest.fixture
def levels() -> Figure:
    rows = [
        band(0),
        band(1, treatment_level_db=None, treatment_bound_db=61.0, difference_db=None, finding="bound"),
        band(2, reference_level_db=None, treatment_level_db=None, reference_bound_db=62.0, treatment_bound_db=63.0),
        band(3),
    ]
    with report_style():
        return levels_figure({"P01": rows}, SIDES, HEADING, (40.0, 90.0), 2e-5)


def test_a_bound_is_an_arrow_downward_and_no_point(levels: Figure) -> None:
    axes = levels.axes[0]
    (reference,) = lines_with(axes, "reference")
    (treatment,) = lines_with(axes, "treatment")
    np.testing.assert_array_equal(np.isnan(np.asarray(reference.get_ydata(), float)), [False, False, True, False])
    np.testing.assert_array_equal(np.isnan(np.asarray(treatment.get_ydata(), float)), [False, True, True, False])
    arrows = [container for container in axes.containers if isinstance(container, ErrorbarContainer)]
    ends = []
    for arrow in arrows:
        data, caps, bars = arrow.lines
        assert data is None
        assert CARETDOWNBASE in {cap.get_marker() for cap in caps}
        for bar in bars:
            ends += [sorted(segment[:, 1], reverse=True) for segment in bar.get_segments()]
    assert sorted(top for top, _ in ends) == [61.0, 62.0, 63.0]
    assert all(bottom < top for top, bottom in ends)
    tails = lines_with(axes, "bound-tail")
    assert {line.get_marker() for line in tails} == {"_"}
    assert all(line.get_linestyle() == "None" for line in tails)


def test_levels_of_the_table_are_drawn_at_the_exact_midbands(levels: Figure) -> None:
    (reference,) = lines_with(levels.axes[0], "reference")
    np.testing.assert_array_equal(reference.get_xdata(), MIDBANDS)
    np.testing.assert_array_equal(np.asarray(reference.get_ydata(), float)[[0, 1, 3]], [80.0, 80.0, 80.0])


def test_a_level_figure_names_unit_selection_and_number_of_runs(levels: Figure) -> None:
    words = words_of(levels)
    assert "band level, dB re 20 µPa" in words
    assert "campaign van-built · runs a, b" in words
    assert "Seam open (reference)" in words
    assert "at most (upper bound)" in words
    assert levels.axes[0].get_title(loc="left") == "P01   n = 2 + 3 runs"
    assert levels.axes[0].get_ylim() == (40.0, 90.0)


def test_conditions_differ_by_mark_and_dash_and_not_by_colour_alone(levels: Figure) -> None:
    (reference,), (treatment,) = (lines_with(levels.axes[0], side) for side in ("reference", "treatment"))
    assert reference.get_marker() != treatment.get_marker()
    assert reference.get_linestyle() != treatment.get_linestyle()
    assert to_hex(reference.get_markerfacecolor()) == "#ffffff"
    assert to_hex(treatment.get_markerfacecolor()) == to_hex(treatment.get_color())


def test_a_condition_is_drawn_alike_as_reference_and_as_treatment(levels: Figure) -> None:
    """The look goes with the condition: in another comparison "sealed" is the reference."""
    turned = Sides("sealed", "front", "Seam taped", "Front taped", SIDES.conditions)
    with report_style():
        other = levels_figure({"P01": [band(0)]}, turned, HEADING, (40.0, 90.0), 2e-5)
    looks = [
        (line.get_color(), line.get_marker(), to_hex(line.get_markerfacecolor()), line.is_dashed())
        for line in (lines_with(levels.axes[0], "treatment")[0], lines_with(other.axes[0], "reference")[0])
    ]
    assert looks[0] == looks[1]
    drawn = condition_mark(SIDES.conditions, "sealed"), to_hex(condition_face(SIDES.conditions, "sealed"))
    assert looks[0][1:3] == drawn


@pytest.fixture
def differences() -> Figure:
    rows = [
        band(0),
        band(1, finding="not shown", difference_db=-0.1, lower_db=-0.8, upper_db=0.6),
        band(2, finding="equivalent", difference_db=0.1, lower_db=-0.2, upper_db=0.4, doubtful=True),
        band(3, finding="bound", difference_db=None, lower_db=None, upper_db=-1.0),
    ]
    with report_style():
        return difference_figure({"P01": rows}, HEADING, (-4.0, 2.0), threshold_db=0.5, confidence=0.95)


def test_only_findings_after_false_discovery_control_are_filled(differences: Figure) -> None:
    axes = differences.axes[0]
    for kind, filled, marker in (("shown", True, "o"), ("not shown", False, "o"), ("equivalent", False, "d")):
        (line,) = lines_with(axes, kind)
        assert line.get_marker() == marker
        assert (to_hex(line.get_markerfacecolor()) != "#ffffff") == filled
    (shown,) = lines_with(axes, "shown")
    assert (list(shown.get_xdata()), list(shown.get_ydata())) == ([MIDBANDS[0]], [-2.0])


def test_a_one_sided_difference_is_an_arrow_and_its_interval_is_open(differences: Figure) -> None:
    axes = differences.axes[0]
    (arrow,) = [container for container in axes.containers if isinstance(container, ErrorbarContainer)]
    _, _, (bars,) = arrow.lines
    (segment,) = bars.get_segments()
    assert max(segment[:, 1]) == -1.0
    (intervals,) = [container for container in axes.containers if isinstance(container, BarContainer)]
    spans = [(bar.get_y(), bar.get_y() + bar.get_height()) for bar in intervals]
    np.testing.assert_allclose(spans, [(-2.5, -1.5), (-0.8, 0.6), (-0.2, 0.4), (-4.0, -1.0)])
    left = [bar.get_x() for bar in intervals]
    assert left == pytest.approx(list(MIDBANDS / 1.122))


def test_zero_and_the_practical_threshold_are_lines(differences: Figure) -> None:
    levels = [line.get_ydata()[0] for line in differences.axes[0].lines if len(set(line.get_ydata())) == 1
              and line.get_xdata()[0] == 0 and line.get_xdata()[1] == 1]  # fmt: skip
    assert sorted(levels) == [-0.5, 0.0, 0.5]
    words = words_of(differences)
    for label in ("treatment minus reference, dB", "threshold ±0.5 dB", "95 % interval", "one-sided", "doubtful"):
        assert label in words


def built_view(report: Report, name: str = "whole-seam") -> View:
    return next(view for view in views(report.tables.comparisons) if view.comparison == name)


def test_compared_panels_share_their_scales(report: Report) -> None:
    view = built_view(report)
    names = panels(report.campaign, view, report.tables.ranking)
    rows = with_bounds(report.tables, view, names)
    heading = Heading("Differences", selection(report.campaign, view))
    with report_style():
        figure = difference_figure(rows, heading, (-9.0, 3.0), threshold_db=0.5, confidence=0.95)
    assert len(figure.axes) == len(names) > 5
    assert {axes.get_ylim() for axes in figure.axes} == {(-9.0, 3.0)}
    assert len({axes.get_xlim() for axes in figure.axes}) == 1


def test_the_selection_is_printed_in_the_figure(report: Report) -> None:
    view = built_view(report)
    words = selection(report.campaign, view)
    for part in ("van-built", "whole-seam (sealed minus open)", "session april", "100 km/h, yaw 0°", "a-open-01"):
        assert part in words
    with report_style():
        figure = heat_map(view.bands, Heading("Map", words), 5.0)
    assert words in words_of(figure).replace("\n", " ")


def test_limits_hold_all_values_and_are_round() -> None:
    rows = [band(0, difference_db=-4.3), band(1, difference_db=None, lower_db=None, upper_db=2.2)]
    low, high = difference_limits(rows, 0.5)
    assert low <= -4.3
    assert high >= 2.2
    assert (low, high) == (round(low), round(high))


def test_the_heat_map_hatches_what_is_not_shown_and_greys_bounds() -> None:
    first: list[Row] = [band(0), band(1, finding="not shown", difference_db=0.4), band(2, finding="equivalent")]
    second: list[Row] = [
        band(0, finding="higher", difference_db=3.0),
        band(1, finding="bound", difference_db=None, lower_db=None, upper_db=-1.0),
    ]
    with report_style():
        figure = heat_map({"P02": second, "P01": first}, HEADING, 4.0)
    axes = figure.axes[0]
    values = np.ma.filled(axes.images[0].get_array(), np.nan)
    np.testing.assert_array_equal(values, [[3.0, np.nan, np.nan], [-2.0, 0.4, -2.0]])
    marked = {c.get_gid(): c for c in axes.collections if isinstance(c, PolyCollection)}
    assert [tuple(path.vertices[0] + 0.5) for path in marked["not-shown"].get_paths()] == [(1, 1), (2, 1)]
    assert marked["not-shown"].get_hatch()
    assert [tuple(path.vertices[0] + 0.5) for path in marked["one-sided"].get_paths()] == [(1, 0)]
    assert [label.get_text() for label in axes.get_yticklabels()] == ["P02", "P01"]
    assert {text.get_text() for text in axes.texts} == {"+3.0", "≤-1.0", "-2.0", "+0.4"}


def test_doubtful_numbers_have_a_question_mark_in_the_heat_map() -> None:
    rows: list[Row] = [
        band(0, doubtful=True),
        band(1),
        band(2, finding="bound", difference_db=None, lower_db=None, upper_db=-1.0, doubtful=True),
    ]
    with report_style():
        figure, sure = heat_map({"P01": rows}, HEADING, 4.0), heat_map({"P01": [band(0)]}, HEADING, 4.0)
    assert [text.get_text() for text in figure.axes[0].texts] == ["-2.0?", "-2.0", "≤-1.0?"]
    assert "?: doubtful" in figure.axes[0].get_xlabel()
    assert sure.axes[0].get_xlabel() == "band, Hz"


def test_doubtful_differences_are_grey() -> None:
    rows = [band(0), band(1, doubtful=True)]
    with report_style():
        figure = difference_figure({"P01": rows}, HEADING, (-4.0, 2.0), threshold_db=0.5, confidence=0.95)
    colours = {float(np.asarray(line.get_xdata())[0]): line.get_color() for line in lines_with(figure.axes[0], "shown")}
    assert colours == {MIDBANDS[0]: DIFFERENCE_COLOUR, MIDBANDS[1]: DOUBTFUL_COLOUR}
    assert "doubtful" in words_of(figure)


def test_large_heat_maps_tell_the_sign_of_shown_differences_without_colour() -> None:
    rows = {f"P{index:02d}": [band(0, finding="higher" if index == 3 else "lower",
                                   difference_db=2.0 if index == 3 else -2.0)] for index in range(40)}  # fmt: skip
    with report_style():
        figure = heat_map(rows, HEADING, 4.0)
    assert [(text.get_position(), text.get_text()) for text in figure.axes[0].texts] == [((0, 3), "+")]


def test_the_colour_scale_never_blows_up_small_differences() -> None:
    assert heat_limit([0.1, -0.2], 0.5) == 1.0
    assert heat_limit([], 1.5) == 3.0
    assert heat_limit([2.2, -7.3], 0.5) == 8.0


def test_bands_without_a_comparison_because_of_bounds_are_shown_as_bounds(report: Report) -> None:
    full = built_view(report)
    unknown = [row for row in full.band_rows() if row["why_not"] == BOTH_BOUNDS]
    assert unknown
    assert {row["finding"] for row in unknown} == {"bound"}
    levels = report.tables.band_rows("april", ["a-open-01"], ["P08"])
    assert {row["band_hz"] for row in levels if row["state"] == "bound"} <= {
        row["band_hz"] for row in full.bands["P08"] if row["finding"] == "bound"
    }
    rows = with_bounds(report.tables, full, ["P08"])["P08"]
    at = next(row for row in rows if row["finding"] == "bound")
    used = [
        row["upper_bound_db"]
        for row in report.tables.band_rows("april", at["reference_runs"], ["P08"])
        if row["band_hz"] == at["band_hz"]
    ]
    assert len(used) == 3
    assert at["reference_bound_db"] == pytest.approx(10 * np.log10(np.mean(10 ** (np.array(used) / 10))))


@pytest.mark.parametrize(("shown", "left_out"), [((-1.0, 1.0), True), ((-20.0, 20.0), False)])
def test_a_fixed_axis_says_how_many_values_it_leaves_out(
    tmp_path: Path, shown: tuple[float, float], left_out: bool
) -> None:
    write_results(tmp_path, SMALL)
    campaign = built_campaign(SMALL, report={"difference_axis_db": list(shown)})
    shelf = FigureShelf(tmp_path / "figures")
    parts = comparison_parts(read_finished(tmp_path), campaign, shelf, (-60.0, 200.0))
    shelf.draw()
    assert any(part.views for part in parts)
    for part in parts:
        for view in part.views:
            levels, differences, heat = view.pictures
            assert "beyond the axis" not in levels.caption
            with (tmp_path / differences.data_file).open(encoding="utf-8", newline="") as stream:
                values = [float(row["difference_db"]) for row in csv.DictReader(stream) if row["difference_db"]]
            beyond = sum(not shown[0] <= value <= shown[1] for value in values)
            assert (f" {beyond} value" in differences.caption) == (beyond > 0) == left_out
            assert heat.source is not None
