"""Panels of the maps: planes, sides of the body, one scale, outlines; names where there is room."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from tapeline.campaign.outlines import Outline
from tapeline.report.figure_panels import Heading
from tapeline.report.figure_style import report_style
from tapeline.report.figures_positions import position_map
from tapeline.report.map_panels import MapPanel, map_frame, map_panels, undrawn, without_y
from tapeline.report.map_sides import UNNAMED, side_names
from tapeline.report.pictures_map import panels_words

HEADING = Heading("A map", "campaign van-built")
SIDE = Outline("x-z", (((0.0, 0.0), (4.0, 0.0), (4.0, 2.0)),))
REAR = Outline("y-z", (((-1.0, 0.0), (1.0, 0.0)),))


def place(name: str, x: float | None, y: float | None, z: float | None, area: str | None = "seam") -> dict[str, Any]:
    return {"position": name, "x_m": x, "y_m": y, "z_m": z, "area": area}


def many() -> list[dict[str, Any]]:
    """64 places on both sides, some so near each other that not all can be named."""
    scatter = np.random.default_rng(7)
    return [
        place(f"place-{n:02d}", 0.5 * (n // 8), (-1) ** n * 0.9, 0.4 + 0.2 * (n % 8) + float(scatter.uniform(0, 0.02)))
        for n in range(64)
    ]


@pytest.mark.parametrize(
    ("axes", "below", "above"),
    [
        ("x rearward, y to the right seen from the driver, z up", "left (y < 0)", "right (y > 0)"),
        ("x forward, y to the left, z up; yaw positive nose to the left", "right (y < 0)", "left (y > 0)"),
        ("X aft; Y positive to the right looking forward", "left (y < 0)", "right (y > 0)"),
        ("y axis rightward", "left (y < 0)", "right (y > 0)"),
        ("x rearward, y to the right seen from ahead", *UNNAMED),
        ("x rearward, y to the right facing the body", *UNNAMED),
        ("x rearward, negative y to the right", *UNNAMED),
        ("-y to the right", *UNNAMED),
        ("y to the right in april, y to the left in may", *UNNAMED),
        ("the body to the right of the sting, y up", *UNNAMED),
        ("not stated", *UNNAMED),
        ("", *UNNAMED),
    ],
)
def test_left_and_right_are_claimed_only_where_the_axes_say_so(axes: str, below: str, above: str) -> None:
    assert side_names(axes) == (below, above)


@given(axes=st.text(max_size=60))
def test_any_words_on_the_axes_name_two_sides(axes: str) -> None:
    below, above = side_names(axes)
    assert "y < 0" in below
    assert "y > 0" in above


def names(panel: MapPanel) -> list[str]:
    return [row["position"] for row in panel.rows]


def test_each_side_of_the_body_has_a_panel() -> None:
    rows = [
        place("A", 0, -1, 1),
        place("B", 1, 1, 2),
        place("C", 2, 0, 3),
        place("D", 3, None, 1),
        place("E", 1, 1, None),
    ]
    plan, left, right = map_panels(rows, (SIDE, REAR), "y to the right")[:3]
    assert (names(plan), names(left), names(right)) == (["A", "B", "C", "E"], ["A", "C", "D"], ["B", "C", "D"])
    assert left.title == "x-z plane, left (y < 0)   n = 3 positions"
    assert right.title == "x-z plane, right (y > 0)   n = 3 positions"
    assert plan.lines == ()
    assert left.lines == right.lines == SIDE.lines
    assert undrawn(rows, (plan, left, right)) == []
    assert without_y((plan, left, right)) == ["D"]
    assert panels_words((plan, left, right)) == (
        " Both sides have one x axis, so one of them is seen through the body. Positions at y = 0 are in both. y is "
        "missing, so drawn on both sides: D."
    )


def test_a_missing_y_is_told_where_there_is_one_side_view() -> None:
    panels = map_panels([place("A", 0, 1, 1), place("B", 1, 1, 2), place("C", 1, None, 2)], (), "")
    assert [names(panel) for panel in panels] == [["A", "B"], ["A", "B", "C"]]
    assert panels_words(panels) == " y is missing, so seen from the side only: C."
    assert panels_words(panels[:1]) == ""


def test_planes_are_drawn_where_they_say_something() -> None:
    def planes(rows: list[dict[str, Any]], *outlines: Outline) -> list[str]:
        return [panel.plane for panel in map_panels(rows, outlines, "")]

    flat = [place("A", 0, 1, 1), place("B", 1, 2, 1)]
    assert planes(flat) == ["x-y"]
    assert planes(flat, SIDE, REAR) == ["x-y", "x-z", "y-z"]
    assert planes([place("A", 0, 1, 1), place("B", 1, 2, 2)]) == ["x-y", "x-z"]
    assert planes([place("A", 0, None, 1)]) == ["x-z"]
    assert planes([place("A", None, 0, 1)]) == ["y-z"]
    assert planes([place("A", 0, None, None)], SIDE) == []
    assert planes([]) == []


COORDINATE = st.none() | st.floats(-20, 20)
ROWS = st.lists(st.tuples(COORDINATE, COORDINATE, COORDINATE), max_size=12).map(
    lambda places: [place(f"P{number}", *where) for number, where in enumerate(places)]
)


@settings(max_examples=80)
@given(rows=ROWS)
def test_no_position_is_lost_and_none_is_on_both_sides_without_need(rows: list[dict[str, Any]]) -> None:
    panels = map_panels(rows, (SIDE, REAR), "y to the left")
    drawn = {name for panel in panels for name in names(panel)}
    assert drawn | set(undrawn(rows, panels)) == {row["position"] for row in rows}
    pairs = {row["position"] for row in rows if row["x_m"] is not None and row["y_m"] is not None}
    assert pairs <= drawn
    sides = [panel for panel in panels if panel.plane == "x-z"]
    if len(sides) == 2:
        both = set(names(sides[0])) & set(names(sides[1]))
        seen = [row for row in rows if None not in (row["x_m"], row["z_m"])]
        assert both == {row["position"] for row in seen if row["y_m"] in (0, None)}
        assert set(undrawn(seen, panels)) == set()


def metres_per_inch(figure: Figure, axes: Axes) -> tuple[float, float]:
    width, height = figure.get_size_inches()
    box = axes.get_position()
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    return (right - left) / (box.width * width), (high - low) / (box.height * height)


@pytest.mark.parametrize("rows", [many(), [place("A", 0, 0, 0)], [place("A", 0, -9, 0), place("B", 0, 9, 0.1)]])
def test_a_metre_is_as_long_in_all_panels(rows: list[dict[str, Any]]) -> None:
    panels = map_panels(rows, (SIDE, REAR), "")
    with report_style():
        figure, every = map_frame(panels, HEADING)
    scales = [scale for axes in every for scale in metres_per_inch(figure, axes)]
    assert scales == pytest.approx([scales[0]] * len(scales))
    for panel, axes in zip(panels, every, strict=True):
        (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
        points = [*map(panel.place, panel.rows), *(point for line in panel.lines for point in line)]
        assert all(left < x < right and low < y < high for x, y in points)
    across = {axes.get_xlim() for panel, axes in zip(panels, every, strict=True) if panel.plane[0] == "x"}
    assert len(across) == 1
    boxes = [axes.get_position() for axes in every]
    assert all(below.y1 < above.y0 for above, below in itertools.pairwise(boxes))


def test_outlines_are_drawn_below_the_marks() -> None:
    with report_style():
        figure, _ = position_map(map_panels([place("A", 1, 0, 1)], (SIDE,), ""), HEADING)
    plan, side = figure.axes
    assert [line.get_gid() for line in plan.lines] == ["positions-x-y"]
    outline, marks = side.lines
    assert outline.get_gid() == "outline"
    assert list(zip(*outline.get_data(), strict=True)) == list(SIDE.lines[0])
    assert outline.get_zorder() < marks.get_zorder()
    assert (side.get_xlabel(), side.get_ylabel()) == ("x, m", "z, m")


def test_positions_without_coordinates_are_no_points_on_the_map() -> None:
    places = [("P1", 0.0, 0.0, 1.0), ("P2", 2.0, 0.5, 1.5), ("P3", 2.001, 0.5, None), ("P4", None, 1.0, None)]
    rows = [place(*each) for each in places]
    panels = map_panels(rows, (), "")
    assert undrawn(rows, panels) == ["P4"]
    with report_style():
        figure, unnamed = position_map(panels, HEADING)
    plan, side = figure.axes
    assert sorted(plan.lines[0].get_xdata()) == [0.0, 2.0, 2.001]
    assert sorted(side.lines[0].get_ydata()) == [1.0, 1.5]
    assert [text.get_text() for text in plan.texts] == ["P1", "P2, P3"]
    assert unnamed == []


def boxes_of(figure: Figure, axes: Axes) -> list[Bbox]:
    """Where the labels are drawn, by the renderer's own measure of the text."""
    renderer = FigureCanvasAgg(figure).get_renderer()
    return [text.get_window_extent(renderer) for text in axes.texts]


def test_names_of_64_positions_cover_neither_each_other_nor_marks() -> None:
    panels = map_panels(many(), (), "y to the right")
    with report_style():
        figure, unnamed = position_map(panels, HEADING)
        written = 0
        for panel, axes in zip(panels, figure.axes, strict=True):
            boxes = boxes_of(figure, axes)
            written += len(boxes)
            for index, box in enumerate(boxes):
                assert not any(box.overlaps(other) for other in boxes[:index])
                assert axes.bbox.padded(1.0).contains(box.x0, box.y0)
                assert axes.bbox.padded(1.0).contains(box.x1, box.y1)
                for row in panel.rows:
                    assert not box.contains(*axes.transData.transform(panel.place(row)))
    assert written > 40
    said = {name for axes in figure.axes for text in axes.texts for name in text.get_text().split(", ")}
    assert not said & set(unnamed)
    assert len(said) + len(unnamed) >= 64


def test_names_that_find_no_room_are_told() -> None:
    crowd = [place(f"a-long-name-of-a-place-{n}", 0.001 * n, 0.0, 1.0) for n in range(60)] + [
        place("far", 50.0, 50, 1.0)
    ]
    with report_style():
        figure, unnamed = position_map(map_panels(crowd, (), ""), HEADING)
    texts = [text.get_text() for text in figure.axes[0].texts]
    assert "far" in texts
    assert "a-long-name-of-a-place-0 and 59 more" in texts
    assert len(unnamed) == 59
    spread = [place(f"a-long-name-of-a-place-{n:02d}", 0.1 * (n % 12), 0.1 * (n // 12), 1.0) for n in range(144)]
    with report_style():
        figure, unnamed = position_map(map_panels(spread, (), ""), HEADING)
    assert len(unnamed) + len(figure.axes[0].texts) == 144
    assert len(unnamed) > 0
