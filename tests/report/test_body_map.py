"""The body and its positions as somebody sees them who stands there."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.campaign.outlines import Outline
from tapeline.report.charts.body_map import Spot, body_map, body_views, undrawn
from tapeline.report.map_sides import UNNAMED, is_right_handed, side_names

AXES = "x rearward from the front axle, y to the right seen from the driver, z up"


def row(name: str, x: float | None, y: float | None, z: float | None) -> dict[str, Any]:
    return {"position": name, "x_m": x, "y_m": y, "z_m": z, "area": None}


BODY = [row("nose", 0.0, -0.5, 0.8), row("tail", 4.0, 0.5, 1.8), row("roof", 2.0, 0.0, 2.0)]


@pytest.mark.parametrize(
    ("axes", "below", "above"),
    [
        (AXES, "left", "right"),
        ("x forward, y positive to the left, z up", "right", "left"),
        ("y seen from the front to the right", *UNNAMED),
        ("", *UNNAMED),
    ],
)
def test_left_and_right_are_claimed_only_where_the_axes_say_so(axes: str, below: str, above: str) -> None:
    assert side_names(axes) == (below, above)


@pytest.mark.parametrize(
    ("axes", "right_handed"),
    [
        (AXES, True),
        ("x forward, y to the left, z up", True),
        ("x forward, y to the right, z up", False),
        ("x rearward, y to the left, z up", False),
        ("", True),
    ],
)
def test_a_frame_is_right_handed_where_its_words_say_so_or_nothing(axes: str, right_handed: bool) -> None:
    assert is_right_handed(axes) == right_handed


def test_the_right_side_is_drawn_as_seen_from_the_right() -> None:
    above, left, right = body_views(BODY, [], AXES)
    assert [view.title for view in (above, left, right)] == ["from above", "from the left", "from the right"]
    assert [[each["position"] for each in view.rows] for view in (left, right)] == [["nose", "roof"], ["tail", "roof"]]
    roof, tail = (right.place(each)[0] for each in (BODY[2], BODY[1]))
    assert tail < roof, "who stands at the right of the body has its rear on the left hand"
    assert left.place(BODY[0])[0] < left.place(BODY[2])[0]


def test_with_x_forward_and_y_to_the_right_the_left_side_is_turned() -> None:
    _, left, right = body_views(BODY, [], "x forward, y to the right, z up")
    assert left.place(BODY[0])[0] > left.place(BODY[2])[0]
    assert right.place(BODY[1])[0] > right.place(BODY[2])[0]


def test_planes_are_drawn_where_they_say_something() -> None:
    flat = [row("a", 0.0, 0.0, 1.0), row("b", 1.0, 0.3, 1.0)]
    outline = Outline("x-z", (((0.0, 0.0), (1.0, 1.0)),))
    assert [view.plane for view in body_views(flat, [], AXES)] == ["x-y"]
    assert [view.plane for view in body_views(flat, [outline], AXES)] == ["x-y", "x-z"]
    assert body_views([row("a", None, None, None)], [outline], AXES) == []


numbers = st.none() | st.floats(-5, 5)


@given(st.lists(st.tuples(numbers, numbers, numbers), min_size=1, max_size=8))
def test_no_position_with_two_coordinates_of_a_plane_is_lost(coordinates: list[tuple[float | None, ...]]) -> None:
    rows = [row(f"p{index}", *each) for index, each in enumerate(coordinates)]  # type: ignore[arg-type]
    views = body_views(rows, [], AXES)
    missing = undrawn(rows, views)
    for each in rows:
        has_plan = each["x_m"] is not None and each["y_m"] is not None
        assert not (has_plan and each["position"] in missing)
        assert (each["position"] in missing) == (not any(each in view.rows for view in views))


def test_a_metre_is_as_long_in_all_views_and_marks_without_label_room_are_told() -> None:
    outline = [Outline("x-z", (((0.0, 0.0), (1.0, 0.0)),)), Outline("x-y", (((0.0, 0.0), (1.0, 0.0)),))]
    spots = {
        each["position"]: Spot(each["position"], "dn", each["position"], f"reads {each['position']}") for each in BODY
    }
    drawn = body_map(body_views(BODY, outline, AXES), spots)
    lengths = {
        round(abs(float(to) - float(start)), 0)
        for start, to in re.findall(r'd="M([\d.]+) [\d.]+L([\d.]+) [\d.]+" class="out"', drawn.markup)
    }
    assert len(lengths) == 1
    assert {each.words for each in drawn.readings} == {"reads nose", "reads tail", "reads roof"}
    assert drawn.unlabelled == ()
    long = {"nose": Spot("nose", "dn", "n" * 200, "")}
    assert body_map(body_views(BODY, outline, AXES), long).unlabelled == ("nose",)
    unknown = {"under": Spot("under", "dn", "under", "")}
    assert body_map(body_views(BODY, outline, AXES), unknown).unlabelled == (), "it has no place, not no room"


def test_a_bound_is_an_arrow_and_no_mark() -> None:
    spots = {"nose": Spot("nose", "dn", "nose ≥8.6", "", arrow="up")}
    markup = body_map(body_views(BODY[:1], [], AXES), spots).markup
    assert 'class="ar dn"' in markup
    assert 'class="mk' not in markup
