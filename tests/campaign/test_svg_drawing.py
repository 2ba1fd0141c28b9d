"""Drawings: what their shapes are as polylines, and what is refused."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tapeline.campaign.faults import Fault
from tapeline.campaign.outlines import MOST_POINTS, Point
from tapeline.campaign.svg_drawing import CURVE_STEPS, SvgMisfit, drawing_lines, path_lines

ARC_SHARE = 2.8e-4
"""A cubic that stands for a quarter of a circle leaves it by up to this share of the radius (closed form:
t = 4/3 (sqrt 2 - 1); largest radius 1 + 2.73e-4)."""
HEAD = '<svg xmlns="http://www.w3.org/2000/svg">'


def lines_of(shapes: str) -> tuple[tuple[Point, ...], ...]:
    faults: list[Fault] = []
    found = drawing_lines(f"{HEAD}{shapes}</svg>", "a.svg", faults)
    assert faults == []
    assert found is not None
    return found


def near(*points: Point) -> tuple[object, ...]:
    return tuple(pytest.approx(point, abs=1e-9) for point in points)


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        ("M 100 100 L 300 100 L 200 300 z", [[(100, 100), (300, 100), (200, 300), (100, 100)]]),
        ("M100 100L300 100 200 300z", [[(100, 100), (300, 100), (200, 300), (100, 100)]]),
        ("m1,2 3,4 h-1 V0", [[(1, 2), (4, 6), (3, 6), (3, 0)]]),
        ("M.5.5-3-4", [[(0.5, 0.5), (-3, -4)]]),
        ("M0 0H1M2 2v1z l1 1", [[(0, 0), (1, 0)], [(2, 2), (2, 3), (2, 2)], [(2, 2), (3, 3)]]),
        ("M0,0e0 1e1,1E-1", [[(0, 0), (10, 0.1)]]),
        ("M0 0H1zZz h2", [[(0, 0), (1, 0), (0, 0)], [(0, 0), (2, 0)]]),
        ("M007,1.-6.e0,2", [[(7, 1), (-6, 2)]]),
        ("M1 1A1e-300 2 0 01 3 4", [[(1, 1), (3, 4)]]),
        ("M5 5", []),
        ("", []),
    ],
)
def test_straight_path_data(data: str, expected: list[list[Point]]) -> None:
    """The first two are the triangle of SVG 1.1 (Second Edition), 8.3.2, written out and with commands left out."""
    assert path_lines(data) == expected


def test_a_smooth_curve_mirrors_the_control_point() -> None:
    """Example cubic01 of SVG 1.1, 8.3.6: M100,200 C100,100 250,100 250,200 S400,300 400,200."""
    (short,) = path_lines("M100,200 C100,100 250,100 250,200 S400,300 400,200")
    (long,) = path_lines("M100,200 C100,100 250,100 250,200 C250,300 400,300 400,200")
    assert short == long
    assert len(short) == 1 + 2 * CURVE_STEPS
    # Middle of a cubic: an eighth of its ends and three eighths of its control points.
    assert short[CURVE_STEPS // 2] == pytest.approx((175.0, 125.0))


def test_a_smooth_quadratic_mirrors_the_control_point() -> None:
    """Example quad01 of SVG 1.1, 8.3.7: M200,300 Q400,50 600,300 T1000,300; its mirrored control point is 800,550."""
    (short,) = path_lines("M200,300 Q400,50 600,300 T1000,300")
    assert short == path_lines("M200,300 Q400,50 600,300 Q800,550 1000,300")[0]
    # Middle of a quadratic: a quarter of its ends and half of its control point.
    assert short[CURVE_STEPS // 2] == pytest.approx((400.0, 175.0))


def test_arcs_lie_on_their_ellipse() -> None:
    """Example arcs01 of SVG 1.1, 8.3.8: three quarters of a circle about 300,200, and a quarter about 275,175."""
    (large,) = path_lines("M300,200 h-150 a150,150 0 1,0 150,-150 z")
    assert all(math.dist(point, (300, 200)) == pytest.approx(150.0, rel=ARC_SHARE) for point in large[1:-1])
    assert max(x for x, _ in large) == pytest.approx(450.0, abs=0.5)
    (small,) = path_lines("M275,175 v-150 a150,150 0 0,0 -150,150 z")
    assert all(math.dist(point, (275, 175)) == pytest.approx(150.0, rel=ARC_SHARE) for point in small[1:-1])
    assert min(x + y for x, y in small) == pytest.approx(450.0 - 300.0 * math.sqrt(0.5), abs=0.5)


def test_an_arc_too_small_for_its_ends_is_scaled_up() -> None:
    """SVG 1.1, F.6.6: radii are scaled until the ends can be joined, here to a half circle of radius 2 about 2,0."""
    (drawn,) = path_lines("M0 0 A1 1 0 00 4 0")
    assert all(math.dist(point, (2, 0)) == pytest.approx(2.0, rel=ARC_SHARE) for point in drawn)
    assert drawn[len(drawn) // 2] == pytest.approx((2.0, 2.0))


def test_shapes_are_outlines() -> None:
    assert lines_of('<line x1="1" y1="2" x2="3px" y2="4"/>') == (((1, 2), (3, 4)),)
    assert lines_of('<polygon points="0,0 1,0 1,1"/>') == (((0, 0), (1, 0), (1, 1), (0, 0)),)
    assert lines_of('<rect x="1" width="2" height="3"/>') == (((1, 0), (3, 0), (3, 3), (1, 3), (1, 0)),)
    (circle,) = lines_of('<circle cx="2" cy="1" r="0.5"/>')
    assert all(math.dist(point, (2, 1)) == pytest.approx(0.5, rel=ARC_SHARE) for point in circle)
    assert len(circle) >= 4 * CURVE_STEPS
    (ellipse,) = lines_of('<ellipse rx="4" ry="1"/>')
    assert max(y for _, y in ellipse) == pytest.approx(1.0, abs=0.01)
    (rounded,) = lines_of('<rect width="4" height="2" rx="0.5"/>')
    assert rounded[0] == pytest.approx(rounded[-1])
    assert max(x for x, _ in rounded) == pytest.approx(4.0)
    corner = [point for point in rounded if point[0] > 3.5 and point[1] > 1.5]
    assert all(math.dist(point, (3.5, 1.5)) == pytest.approx(0.5, rel=ARC_SHARE) for point in corner)


def test_transforms_hold_from_the_outside_in() -> None:
    """Example of SVG 1.1, 7.5: inside translate(50,30) and rotate(30), a point 20 along x."""
    moved = '<g transform="translate(50,30)"><g transform="rotate(30)"><path d="M0 0H20"/></g></g>'
    expected = near((50, 30), (50 + 20 * math.cos(math.pi / 6), 40))
    assert lines_of(moved) == (expected,)
    listed = '<path transform=" translate(50 30), rotate(30) " d="M0 0H20"/>'
    assert lines_of(listed) == (expected,)
    assert lines_of('<path transform="matrix(0 1 -1 0 5 6)" d="M0 0L1 2"/>') == (near((5, 6), (3, 7)),)
    assert lines_of('<path transform="rotate(90 1 1)" d="M1 1H2"/>') == (near((1, 1), (1, 2)),)
    assert lines_of('<path transform="skewX(45)scale(2)" d="M0 0V1"/>') == (near((0, 0), (2, 2)),)
    assert lines_of('<path transform="skewY(45)" d="M0 0H1"/>') == (near((0, 0), (1, 1)),)


def test_what_is_not_drawn_is_passed_over() -> None:
    shapes = (
        "<title>Van</title><defs><path d='M0 0H9'/><text>no</text></defs><style>path {}</style>"
        "<g display='none'><path d='M0 0H8'/></g><g style='fill:none; display: none'><image/></g>"
        "<own:view xmlns:own='urn:editor'><own:page/></own:view><path d='M0 0H1'/>"
    )
    assert lines_of(shapes) == (((0, 0), (1, 0)),)


@pytest.mark.parametrize(
    ("text", "line", "found", "expected", "mend"),
    [
        ("\n<text id='words'>van</text>", 2, 'lines in <text> "words"', "path, polyline", "turn it into a path"),
        ("<use href='#a'/>", 1, "<use>", "path, polyline", "turn it into a path"),
        ("<svg/>", 1, "<svg>", "path, polyline", "turn it into a path"),
        ("\n\n<path d='M0 0 k1'/>", 3, '"k1" in <path>', "one of the commands", None),
        ("\n  <path\n d='L0 0'\n/>", 2, '"L0 0"', "begins with M", None),
        ("<path d='M0 0L1'/>", 1, "the end of the path data", "2 numbers after L", None),
        ("<path d='M0 0 1 x'/>", 1, '"x" in <path>', "2 numbers after L", None),
        ("<path d='M0 0 1 1 % H3'/>", 1, '"% H3" in <path>', "one of the commands", None),
        ("<path d='M0 0A1 1 0 2 0 1 1'/>", 1, '"2 0 1 1"', "flags 0 or 1", None),
        ("<path d='M0 0H1e9'/>", 1, "1e+09", "1e+06", None),
        ("<polyline points='0 0 1'/>", 1, "3 numbers", "pairs", None),
        ("<polyline points='0 0 1 a'/>", 1, '"a"', "numbers separated", None),
        ("<circle r='5mm'/>", 1, '"5mm"', "without a unit", "one user unit is one metre"),
        ("<g transform='turn(3)'/>", 1, 'the transform "turn(3)"', "one of matrix", None),
        ("<g transform='rotate(1 2)'/>", 1, "rotate of 2 numbers", "1 or 3", None),
        ("<g style='transform: scale(2)'/>", 1, "as a style", "as an attribute", "plain SVG"),
        ("<path d='M0 0'", 1, "not XML", "an SVG drawing", "plain SVG"),
        ("<path d='M&van;'/>", 1, "not XML (undefined entity)", "an SVG drawing", "plain SVG"),
    ],
)
def test_a_fault_of_a_drawing(text: str, line: int, found: str, expected: str, mend: str | None) -> None:
    faults: list[Fault] = []
    assert drawing_lines(f"{HEAD}{text}</svg>", "a.svg", faults) is None
    (fault,) = faults
    assert (fault.file, fault.line) == ("a.svg", line)
    assert found in fault.found
    assert expected in fault.expected
    assert mend is None or mend in (fault.mend or "")


def test_another_root_than_a_drawing() -> None:
    for text in ("<html/>", "<svg xmlns='urn:other'/>", "", "van"):
        faults: list[Fault] = []
        assert drawing_lines(text, "a.svg", faults) is None
        assert len(faults) == 1


LAUGHS = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 9))


@pytest.mark.parametrize(
    "subset",
    [
        f'<!ENTITY a0 "ha">{LAUGHS}',
        '<!ENTITY a8 SYSTEM "outside.txt">',
        '<!ENTITY % a8 SYSTEM "outside.txt"> %a8;',
        "<!-- nothing -->",
    ],
)
def test_entities_are_refused_before_they_are_looked_at(subset: str, tmp_path: Path) -> None:
    """Entities that grow without end, and those that open another file (OWASP, XML external entity prevention)."""
    (tmp_path / "outside.txt").write_text("M0 0H1", encoding="utf-8")
    faults: list[Fault] = []
    text = f"<!DOCTYPE svg [{subset}]><svg><path d='M0 0H1'/><a>&a8;</a></svg>"
    assert drawing_lines(text, "a.svg", faults) is None
    assert "document type with declarations" in faults[0].found
    assert "plain SVG" in (faults[0].mend or "")


def test_a_plain_document_type_does_no_harm() -> None:
    """The document type that SVG 1.1, 1.3 gives; an entity that only it could declare is a fault, never left out."""
    kind = '<?xml version="1.0"?>\n<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN"\n "http://w3.org/svg11.dtd">\n'
    faults: list[Fault] = []
    found = drawing_lines(f"{kind}{HEAD}<path d='M0 0H1'/></svg>", "a.svg", faults)
    assert (found, faults) == ((((0.0, 0.0), (1.0, 0.0)),), [])
    assert drawing_lines(f"{kind}{HEAD}<path d='M0 0H1&more;'/></svg>", "a.svg", faults) is None
    assert faults[0].line == 4


def test_points_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(SvgMisfit, match="more than 20,000 points"):
        path_lines("M0 0" + "t1 1" * 1251)
    monkeypatch.setattr("tapeline.campaign.svg_drawing.MOST_POINTS", 5)
    faults: list[Fault] = []
    assert drawing_lines(f"{HEAD}{'<path d=M_0_0H1_/>' * 3}</svg>".replace("M_0_0H1_", "'M0 0H1'"), "a", faults) is None
    assert faults[0].found == "more than 5 points in <path>"
    assert MOST_POINTS == 20_000


NUMBERS = st.floats(allow_nan=False).map(repr) | st.sampled_from(["0", "1", "-1", ".5", "1e6", "1e-300", "1e999"])
DATA = st.lists(st.sampled_from("MmLlHhVvCcSsQqTtAaZz ,x") | NUMBERS, max_size=30).map(" ".join)


@settings(max_examples=300)
@given(data=DATA)
@example("M 0 0 A 1e-300 1e-300 0 1 1 1 1")
@example("M 0 0 A 1 1 1e6 1 1 1e-300 0")
def test_any_path_data_is_points_or_a_misfit(data: str) -> None:
    try:
        lines = path_lines(data)
    except SvgMisfit as misfit:
        assert misfit.found
        assert misfit.expected
        return
    assert all(len(line) > 1 for line in lines)


SOUND = st.lists(st.sampled_from("LlTt").flatmap(lambda c: st.tuples(st.just(c), *[st.floats(-9, 9)] * 2)), min_size=1)


@settings(max_examples=100)
@given(steps=SOUND)
def test_a_path_ends_where_its_steps_lead(steps: list[tuple[str, float, float]]) -> None:
    data, here = "M1 2", (1.0, 2.0)
    for command, x, y in steps:
        data += f"{command}{x!r} {y!r}"
        here = (x, y) if command.isupper() else (here[0] + x, here[1] + y)
    assert path_lines(data)[0][-1] == pytest.approx(here, abs=1e-6)


@settings(max_examples=200)
@given(
    text=st.lists(
        st.sampled_from(
            ["<svg>", HEAD, "</svg>", "<g transform='", "scale(", "rotate(1e6)", "1e6)", "'>", "</g>", "<path d='M0 0",
             "H1'/>", "<rect width='1' height='1' rx='", "<!DOCTYPE svg>", "<!-- ", " -->", "&#0;", "&amp;", "\n"]
        ) | st.text(max_size=5),
        max_size=14,
    ).map("".join)
)  # fmt: skip
def test_any_text_is_a_drawing_or_one_fault(text: str) -> None:
    faults: list[Fault] = []
    found = drawing_lines(text, "a.svg", faults)
    assert (found is None) == (len(faults) == 1)
    assert all("\n" not in str(fault) for fault in faults)
