"""The drawings that stand in the page: scales, texts, marks and labels."""

from __future__ import annotations

import doctest
import math
import re
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.report.charts import markup, scales
from tapeline.report.charts.labels import LINE_PX, Label, place_labels
from tapeline.report.charts.looks import SHAPES, condition_look, mark
from tapeline.report.charts.markup import drawing, element, moves, text
from tapeline.report.charts.panel import LETTER_PX, Box, Panel
from tapeline.report.charts.scales import Scale, rounded_limits

HOSTILE = '</text><script>alert(1)</script>" onload="x&\x00'


@pytest.mark.parametrize("module", [markup, scales])
def test_the_examples_hold(module: object) -> None:
    assert doctest.testmod(module).failed == 0  # type: ignore[arg-type]


def test_free_text_is_inert_as_text_and_as_attribute() -> None:
    made = drawing(10, 10, text(HOSTILE, 1, 1, "t"), element("path", d="M0 0", class_=HOSTILE), title=HOSTILE)
    root = ElementTree.fromstring(made)
    assert [child.tag.rpartition("}")[2] for child in root] == ["text", "path"]
    assert root[0].text == HOSTILE.replace("\x00", "\ufffd")
    assert set(root.attrib) == {"class", "width", "height", "viewBox", "role", "aria-label"}


@given(st.floats(-200, 200), st.floats(0.5, 300), st.floats(0, 1), st.floats(0, 1), st.booleans())
def test_a_scale_keeps_the_order_of_values(low: float, span: float, first: float, second: float, is_log: bool) -> None:
    limits = (abs(low) + 1.0, abs(low) + 1.0 + span) if is_log else (low, low + span)
    scale = Scale(limits, 10.0, 500.0, is_log)
    places = [scale.at(limits[0] + share * (limits[1] - limits[0])) for share in sorted((first, second))]
    assert 10.0 - 1e-6 <= places[0] <= places[1] <= 500.0 + 1e-6
    assert all(limits[0] - 1e-6 <= tick <= limits[1] + 1e-6 for tick in scale.ticks(5))
    assert len(scale.ticks(5)) <= 11


def test_octaves_are_written_below_frequencies() -> None:
    assert Scale((89.1, 4467.0), 0.0, 600.0, is_log=True).ticks() == [125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0]


def test_limits_hold_all_values_and_are_round() -> None:
    assert rounded_limits([61.2, None, 73.9, math.nan], 5.0, 1.0, 15.0) == (60.0, 75.0)
    assert rounded_limits([], 1.0, 1.0, 4.0) == (-2.0, 2.0)


def test_a_line_breaks_where_there_is_no_value_and_ends_at_the_axis() -> None:
    panel = Panel(Box(0, 0, 100, 100), (0.0, 10.0), (0.0, 10.0))
    panel.curve([0.0, 5.0, 6.0, 10.0], [5.0, math.nan, 5.0, 99.0], "c0")
    assert 'd="M0 50M60 50L62.1 0"' in panel.parts[0]
    assert moves([]) == ""


def test_marks_beyond_the_axis_are_not_drawn_at_its_end() -> None:
    panel = Panel(Box(0, 0, 100, 100), (0.0, 10.0), (0.0, 10.0))
    panel.dots([1.0, 2.0, math.nan], [5.0, 99.0, 5.0], "up")
    assert panel.parts[0].count("M") == 1
    panel.dots([1.0], [99.0], "up")
    assert len(panel.parts) == 1


def test_an_open_end_of_an_interval_reaches_the_end_of_the_axis() -> None:
    panel = Panel(Box(0, 0, 100, 100), (0.0, 10.0), (0.0, 10.0))
    panel.interval_bars([1.0], [2.0], [math.nan], [5.0])
    assert 'd="M10 100H20V50H10z"' in panel.parts[0]


def test_a_condition_keeps_its_look_and_no_two_of_eight_share_colour_mark_or_dashes() -> None:
    names = [f"c{index}" for index in range(8)]
    looks = [condition_look(names, name) for name in names]
    assert [condition_look(names, name) for name in reversed(names)] == looks[::-1]
    assert (
        len({look.role for look in looks})
        == len({look.shape for look in looks})
        == len({look.dashes for look in looks})
        == 8
    )
    assert all(mark(shape, 5.0, 5.0).startswith("M") and mark(shape, 5.0, 5.0).endswith("z") for shape in SHAPES)


@given(st.lists(st.tuples(st.floats(20, 600), st.floats(20, 300)), min_size=1, max_size=64), st.integers(1, 24))
def test_labels_cover_neither_each_other_nor_marks_and_the_rest_is_told(
    places: list[tuple[float, float]], length: int
) -> None:
    labels = [Label(place, ("x" * length,)) for place in places]
    made, placed = place_labels(labels, places, (), Box(0, 0, 640, 320), 4.0)
    written = re.findall(r'<text x="([\d.-]+)" y="([\d.-]+)"', made)
    assert len(placed) == len(places)
    assert sum(placed) == len(written)
    boxes = [
        (float(x), float(y) - 4 - LINE_PX / 2, float(x) + LETTER_PX * length, float(y) - 4 + LINE_PX / 2)
        for x, y in written
    ]
    for index, box in enumerate(boxes):
        others = [*boxes[:index], *((x - 4.5, y - 4.5, x + 4.5, y + 4.5) for x, y in places)]
        assert not any(_overlap(box, other) for other in others)
        assert box[0] >= -0.1
        assert box[2] <= 640.1


def _overlap(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    """By more than what the tenths of a pixel in the markup leave open."""
    return one[0] < other[2] - 0.2 and other[0] < one[2] - 0.2 and one[1] < other[3] - 0.2 and other[1] < one[3] - 0.2


def test_a_label_keeps_clear_of_an_outline_where_it_can() -> None:
    line = ((0.0, 50.0), (640.0, 50.0))
    made, _ = place_labels([Label((100.0, 55.0), ("seam",))], [(100.0, 55.0)], [line], Box(0, 0, 640, 320), 4.0)
    (y,) = (float(found) for found in re.findall(r'<text x="[\d.-]+" y="([\d.-]+)"', made))
    assert not y - 4 - LINE_PX / 2 < 50.0 < y - 4 + LINE_PX / 2
