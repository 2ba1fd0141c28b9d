"""The lines of an SVG drawing: shapes flattened to polylines in user units. What cannot be read is refused.

W3C, Scalable Vector Graphics (SVG) 1.1 (Second Edition): transforms, chapter 7; path data, 8.3, held against the
grammar here and drawn by fontTools; shapes, 9. No file but the drawing itself is ever opened, and entities are refused.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from xml.parsers import expat

from fontTools.misc.bezierTools import segmentPointAtT
from fontTools.misc.transform import Identity, Transform
from fontTools.svgLib.path.arc import EllipticalArc
from fontTools.svgLib.path.parser import parse_path

from tapeline.campaign.faults import Fault, quoted
from tapeline.campaign.outlines import MOST_POINTS, Point

SVG = "http://www.w3.org/2000/svg"
SHAPES = ("path", "polyline", "polygon", "line", "rect", "circle", "ellipse")
NOT_DRAWN = frozenset(
    {"defs", "title", "desc", "metadata", "style", "symbol", "clipPath", "mask", "marker", "pattern", "filter"}
    | {"linearGradient", "radialGradient"}
)
TRANSFORM = re.compile(r"[\s,]*([A-Za-z]+)\s*\(([^()]*)\)[\s,]*")
COUNTS = {"matrix": (6,), "translate": (1, 2), "scale": (1, 2), "rotate": (1, 3), "skewX": (1,), "skewY": (1,)}
HIDDEN = re.compile(r"(^|;)\s*display\s*:\s*none\s*(;|$)")
STYLED_TRANSFORM = re.compile(r"(^|;)\s*(transform|d|rotate|scale|translate)\s*:")
PLAIN_DOCTYPE = re.compile(r"<!DOCTYPE[^\[\]<>]*>")
AS_PATH = "turn it into a path in a drawing program, or take it out"
PLAIN_SVG = 'save the drawing as "plain SVG"'

CURVE_STEPS = 16
"""Straight pieces that stand for a curve: for a quarter of a circle they are within 0.12 % of its radius."""
MOST_UNITS = 1e6
"""Largest number taken, so that no product of a few of them runs over."""

SEPARATOR = re.compile(r"[ \t\n\r\f]*,?[ \t\n\r\f]*")
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
FLAG = re.compile("[01]")
"""A flag of an arc, one digit, which may stand against the next number."""
ARGUMENTS: dict[str, tuple[re.Pattern[str], ...]] = {
    "Z": (),
    **dict.fromkeys("HV", (NUMBER,)),
    **dict.fromkeys("MLT", (NUMBER,) * 2),
    **dict.fromkeys("SQ", (NUMBER,) * 4),
    "C": (NUMBER,) * 6,
    "A": (NUMBER, NUMBER, NUMBER, FLAG, FLAG, NUMBER, NUMBER),
}


def drawing_lines(text: str, shown: str, faults: list[Fault]) -> tuple[tuple[Point, ...], ...] | None:
    """The polylines of a drawing in user units, y downward; None, and a fault, where it cannot be read."""
    # A document type without entities of its own says nothing; without it unknown entities are faults of the XML.
    plain = PLAIN_DOCTYPE.sub(lambda found: "\n" * found.group().count("\n"), text, count=1)
    drawing = _Drawing()
    try:
        drawing.parser.Parse(plain, True)
    except SvgMisfit as misfit:
        faults.append(Fault(shown, *drawing.place, misfit.found, misfit.expected, misfit.mend))
        return None
    except expat.ExpatError as error:
        found = f"text that is not XML ({expat.ErrorString(error.code)})"
        faults.append(Fault(shown, error.lineno, error.offset + 1, found, "an SVG drawing", PLAIN_SVG))
        return None
    return tuple(tuple(line) for line in drawing.lines)


class _Drawing:
    """Takes the elements as they come; `open` holds the transform of each open element, None where it is not drawn."""

    def __init__(self) -> None:
        self.lines: list[list[Point]] = []
        self.open: list[Transform | None] = []
        self.points = 0
        self.place = (1, 1)
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.StartElementHandler = self.start
        self.parser.EndElementHandler = self.end
        self.parser.StartDoctypeDeclHandler = self.doctype

    def note_place(self) -> None:
        """Line and column where the present element begins, from 1."""
        self.place = self.parser.CurrentLineNumber, self.parser.CurrentColumnNumber + 1

    def doctype(self, name: str, system: str | None, public: str | None, has_subset: bool) -> None:
        self.note_place()
        found = "a document type with declarations of its own" if has_subset else "a document type"
        raise SvgMisfit(found, "a drawing without entities", PLAIN_SVG)

    def start(self, name: str, attributes: Mapping[str, str]) -> None:
        self.note_place()
        space, _, local = name.rpartition(" ")
        outermost = not self.open
        if outermost and (local != "svg" or space not in ("", SVG)):
            raise SvgMisfit(f"the element <{local[:40]}> outermost", "<svg>")
        above = Identity if outermost else self.open[-1]
        if above is None or space not in ("", SVG) or local in NOT_DRAWN or _is_hidden(attributes):
            self.open.append(None)
            return
        own = f"<{local}>" + (f" {quoted(attributes['id'])}" if attributes.get("id") else "")
        try:
            transform = above.transform(transform_of(attributes))
            if local in SHAPES:
                self.add(path_lines(shape_data(local, attributes)), transform)
            elif local not in ("g", "a") and not (local == "svg" and outermost):
                raise SvgMisfit("something else than lines", f"one of {', '.join(SHAPES)} or g", AS_PATH)
        except SvgMisfit as misfit:
            raise SvgMisfit(f"{misfit.found} in {own}", misfit.expected, misfit.mend) from None
        self.open.append(transform)

    def end(self, name: str) -> None:
        self.open.pop()

    def add(self, lines: list[list[Point]], transform: Transform) -> None:
        self.points += sum(map(len, lines))
        if self.points > MOST_POINTS:
            raise SvgMisfit(f"more than {MOST_POINTS:,} points", "fewer", "simplify the drawing")
        self.lines += [transform.transformPoints(line) for line in lines]


def _is_hidden(attributes: Mapping[str, str]) -> bool:
    return attributes.get("display", "").strip() == "none" or HIDDEN.search(attributes.get("style", "")) is not None


def shape_data(shape: str, attributes: Mapping[str, str]) -> str:
    """A shape as path data, empty where nothing is drawn (SVG 1.1, chapter 9). Raises SvgMisfit."""
    if shape == "path":
        return attributes.get("d", "")
    if shape in ("polyline", "polygon"):
        places = _numbers(attributes.get("points", ""))
        if len(places) % 2:
            raise SvgMisfit(f"{len(places)} numbers", "pairs of numbers")
        return f"M{' '.join(map(repr, places))}{'Z' if shape == 'polygon' else ''}" if places else ""

    def given(name: str) -> float:
        return _number(attributes.get(name, "0"))

    if shape == "line":
        return f"M{given('x1')!r} {given('y1')!r}L{given('x2')!r} {given('y2')!r}"
    if shape == "rect":
        return _rectangle(attributes, given("x"), given("y"), given("width"), given("height"))
    rx, ry = (given("r"), given("r")) if shape == "circle" else (given("rx"), given("ry"))
    x, y = given("cx"), given("cy")
    if rx <= 0.0 or ry <= 0.0:
        return ""
    return f"M{x + rx!r} {y!r}A{rx!r} {ry!r} 0 0 1 {x - rx!r} {y!r}A{rx!r} {ry!r} 0 0 1 {x + rx!r} {y!r}Z"


def _rectangle(attributes: Mapping[str, str], x: float, y: float, width: float, height: float) -> str:
    if width <= 0.0 or height <= 0.0:
        return ""
    rounded = [_number(attributes[name]) for name in ("rx", "ry") if name in attributes]
    if not rounded or min(rounded) <= 0.0:
        return f"M{x!r} {y!r}H{x + width!r}V{y + height!r}H{x!r}Z"
    rx, ry = min(rounded[0], width / 2.0), min(rounded[-1], height / 2.0)
    corner = f"a{rx!r} {ry!r} 0 0 1"
    across, down = width - 2.0 * rx, height - 2.0 * ry
    return (
        f"M{x + rx!r} {y!r}h{across!r}{corner} {rx!r} {ry!r}v{down!r}{corner} {-rx!r} {ry!r}"
        f"h{-across!r}{corner} {-rx!r} {-ry!r}v{-down!r}{corner} {rx!r} {-ry!r}Z"
    )


def transform_of(attributes: Mapping[str, str]) -> Transform:
    """The transform of an element (SVG 1.1, chapter 7.6). Raises SvgMisfit."""
    if STYLED_TRANSFORM.search(attributes.get("style", "")):
        raise SvgMisfit("a transform or path as a style", "it as an attribute", PLAIN_SVG)
    text, made, at = attributes.get("transform", "").rstrip(), Identity, 0
    while at < len(text):
        match = TRANSFORM.match(text, at)
        if match is None or match.group(1) not in COUNTS:
            raise SvgMisfit(
                f"the transform {quoted(text[at:])}", f"one of {', '.join(COUNTS)} with numbers in brackets"
            )
        made = _moved(made, match.group(1), _numbers(match.group(2)))
        at = match.end()
    return made


def _moved(made: Transform, name: str, given: list[float]) -> Transform:
    if len(given) not in COUNTS[name]:
        raise SvgMisfit(f"{name} of {len(given)} numbers", " or ".join(map(str, COUNTS[name])))
    if name in ("translate", "scale"):
        return getattr(made, name)(*given)
    if name == "matrix":
        return made.transform(given)
    angle = math.radians(given[0])
    if name == "rotate":
        x, y = given[1:] or (0.0, 0.0)
        return made.translate(x, y).rotate(angle).translate(-x, -y)
    return made.skew(x=angle) if name == "skewX" else made.skew(y=angle)


class SvgMisfit(Exception):  # noqa: N818 (it becomes a fault, with the place that only the reader knows)
    """Something in a drawing that cannot be read; the parts complete "found …, expected …; mend"."""

    def __init__(self, found: str, expected: str, mend: str | None = None) -> None:
        super().__init__(found)
        self.found = found
        self.expected = expected
        self.mend = mend


def _number(text: str) -> float:
    """A number without a unit, or in px, which are user units. Raises SvgMisfit."""
    plain = text.strip().removesuffix("px")
    if NUMBER.fullmatch(plain) is None:
        mend = "give lengths without a unit: one user unit is one metre"
        raise SvgMisfit(quoted(text), "a number without a unit", mend)
    return _within(float(plain))


def _numbers(text: str) -> list[float]:
    """Numbers separated by blanks or commas. Raises SvgMisfit."""
    found, at = [], _separated(text, 0)
    while at < len(text):
        match = NUMBER.match(text, at)
        if match is None:
            raise SvgMisfit(quoted(text[at : at + 20]), "numbers separated by blanks or commas")
        found.append(_within(float(match.group())))
        at = _separated(text, match.end())
    return found


def _within(value: float) -> float:
    if abs(value) > MOST_UNITS:
        raise SvgMisfit(f"{value:g}", f"a number from {-MOST_UNITS:g} to {MOST_UNITS:g}")
    return value


def _separated(text: str, at: int) -> int:
    """Where the next word begins."""
    return SEPARATOR.match(text, at).end()  # type: ignore[union-attr]


def path_lines(text: str) -> list[list[Point]]:
    """The polylines of path data, curves and arcs flattened, in the path's own units. Raises SvgMisfit."""
    pen = _Pen()
    parse_path(" ".join(_words(text)), pen)
    return [line for line in pen.lines if len(line) > 1]


def _words(text: str) -> Iterator[str]:
    """Commands and numbers, each held against the grammar: what is no word `parse_path` would pass over."""
    command, at = "", _separated(text, 0)
    while at < len(text):
        if text[at].upper() in ARGUMENTS and (command or text[at] in "Mm"):
            command = text[at]
            yield command
            at = _separated(text, at + 1)
        elif command in ("", "Z", "z") or NUMBER.match(text, at) is None:
            expected = "one of the commands M L H V C S Q T A Z" if command else "path data that begins with M or m"
            raise SvgMisfit(_rest(text, at), expected)
        arguments = ARGUMENTS[command.upper()]
        for kind in arguments:
            match = kind.match(text, at)
            if match is None:
                expected = f"{len(arguments)} numbers after {command.upper()}"
                raise SvgMisfit(_rest(text, at), "the flags 0 or 1 of an arc" if kind is FLAG else expected)
            yield match.group() if kind is FLAG else repr(_within(float(match.group())))
            at = _separated(text, match.end())
        # Further pairs after a "move to" are lines.
        command = {"M": "L", "m": "l"}.get(command, command)


def _rest(text: str, at: int) -> str:
    return quoted(text[at : at + 20]) if at < len(text) else "the end of the path data"


class _Pen:
    """Takes what `parse_path` draws as points; the names are those of fontTools' pens."""

    def __init__(self) -> None:
        self.lines: list[list[Point]] = []
        self.count = 0

    def moveTo(self, point: Point) -> None:  # noqa: N802
        self.lines.append([point])

    def lineTo(self, *points: Point) -> None:  # noqa: N802
        self.count += len(points)
        if self.count > MOST_POINTS:
            raise SvgMisfit(f"more than {MOST_POINTS:,} points", "fewer", "simplify the path in a drawing program")
        self.lines[-1] += points

    def curveTo(self, *places: Point) -> None:  # noqa: N802
        curve = (self.lines[-1][-1], *places)
        self.lineTo(*(segmentPointAtT(curve, step / CURVE_STEPS) for step in range(1, CURVE_STEPS + 1)))

    qCurveTo = curveTo  # noqa: N815

    def arcTo(self, rx: float, ry: float, turned_deg: float, large: bool, sweep: bool, end: Point) -> None:  # noqa: N802
        here = complex(*self.lines[-1][-1])
        # Radii so small that their squares vanish; the line to the end stands for the arc then.
        with suppress(ArithmeticError, ValueError):
            EllipticalArc(here, rx, ry, turned_deg, large, sweep, complex(*end)).draw(self)
        if self.lines[-1][-1] != end:
            self.lineTo(end)

    def closePath(self) -> None:  # noqa: N802
        """Nothing more: the line back to the start has been drawn."""

    endPath = closePath  # noqa: N815
