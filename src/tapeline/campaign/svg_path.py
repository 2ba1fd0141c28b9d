"""Path data of SVG as polylines.

Grammar: W3C, Scalable Vector Graphics (SVG) 1.1 (Second Edition), chapter 8.3; arcs: its appendix F.6.
"""

from __future__ import annotations

import itertools
import math
import re
from typing import TypeAlias

from tapeline.campaign.faults import quoted

Point: TypeAlias = tuple[float, float]

CURVE_STEPS = 16
"""Straight pieces that stand for a curve: for a quarter of a circle they are within 0.12 % of its radius."""
MOST_UNITS = 1e6
"""Largest number taken, so that no product of a few of them runs over."""
MOST_POINTS = 20_000
"""Points of one outline: more than any print shows."""

ARGUMENTS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "A": 7, "Z": 0}
FLAGS = (3, 4)
SEPARATOR = re.compile(r"[ \t\n\r\f]*,?[ \t\n\r\f]*")
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


class SvgMisfit(Exception):  # noqa: N818 (it becomes a fault, with the place that only the reader knows)
    """Something in a drawing that cannot be read; the parts complete "found …, expected …; mend"."""

    def __init__(self, found: str, expected: str, mend: str | None = None) -> None:
        super().__init__(found)
        self.found = found
        self.expected = expected
        self.mend = mend


def number(text: str) -> float:
    """A number without a unit, or in px, which are user units. Raises SvgMisfit."""
    plain = text.strip().removesuffix("px")
    if NUMBER.fullmatch(plain) is None:
        mend = "give lengths without a unit: one user unit is one metre"
        raise SvgMisfit(quoted(text), "a number without a unit", mend)
    return _within(float(plain))


def numbers(text: str) -> list[float]:
    """Numbers separated by blanks or commas. Raises SvgMisfit."""
    found, at = [], SEPARATOR.match(text).end()  # type: ignore[union-attr]
    while at < len(text):
        match = NUMBER.match(text, at)
        if match is None:
            raise SvgMisfit(quoted(text[at : at + 20]), "numbers separated by blanks or commas")
        found.append(_within(float(match.group())))
        at = SEPARATOR.match(text, match.end()).end()  # type: ignore[union-attr]
    return found


def _within(value: float) -> float:
    if abs(value) > MOST_UNITS:
        raise SvgMisfit(f"{value:g}", f"a number from {-MOST_UNITS:g} to {MOST_UNITS:g}")
    return value


def path_lines(text: str) -> list[list[Point]]:
    """The polylines of path data, curves and arcs flattened, in the path's own units. Raises SvgMisfit."""
    pen = _Pen()
    reader = _Reader(text)
    command = ""
    while not reader.done:
        command = reader.command(first=not command)
        if command in "Zz":
            pen.close()
            continue
        while True:
            pen.draw(command, reader.arguments(command.upper()))
            # Further pairs after a "move to" are lines.
            command = {"M": "L", "m": "l"}.get(command, command)
            if not reader.at_number():
                break
    pen.lift()
    return pen.lines


class _Reader:
    """Commands and their numbers, one after the other."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self._skip()

    @property
    def done(self) -> bool:
        return self.at >= len(self.text)

    def _skip(self) -> None:
        self.at = SEPARATOR.match(self.text, self.at).end()  # type: ignore[union-attr]

    def _rest(self) -> str:
        return quoted(self.text[self.at : self.at + 20]) if not self.done else "the end of the path data"

    def command(self, first: bool) -> str:
        sign = self.text[self.at]
        if sign.upper() not in ARGUMENTS or (first and sign not in "Mm"):
            expected = "path data that begins with M or m" if first else "one of the commands M L H V C S Q T A Z"
            raise SvgMisfit(self._rest(), expected)
        self.at += 1
        self._skip()
        return sign

    def at_number(self) -> bool:
        return NUMBER.match(self.text, self.at) is not None

    def arguments(self, command: str) -> list[float]:
        found = []
        for index in range(ARGUMENTS[command]):
            if command == "A" and index in FLAGS:
                found.append(self._flag())
                continue
            match = NUMBER.match(self.text, self.at)
            if match is None:
                raise SvgMisfit(self._rest(), f"{ARGUMENTS[command]} numbers after {command}")
            found.append(_within(float(match.group())))
            self.at = match.end()
            self._skip()
        return found

    def _flag(self) -> float:
        """A flag of an arc, one digit, which may stand against the next number."""
        if self.done or self.text[self.at] not in "01":
            raise SvgMisfit(self._rest(), "the flags 0 or 1 of an arc")
        self.at += 1
        value = float(self.text[self.at - 1])
        self._skip()
        return value


class _Pen:
    """Draws commands into polylines."""

    def __init__(self) -> None:
        self.lines: list[list[Point]] = []
        self.line: list[Point] = []
        self.here: Point = (0.0, 0.0)
        self.start: Point = (0.0, 0.0)
        self.control: Point | None = None
        self.curve = ""
        self.count = 0

    def lift(self) -> None:
        if len(self.line) > 1:
            self.lines.append(self.line)
        self.line = []

    def close(self) -> None:
        if self.line:
            self.line_to([self.start])
        self.lift()
        self.here, self.curve = self.start, ""

    def line_to(self, points: list[Point]) -> None:
        self.line = self.line or [self.here]
        self.line += points
        self.count += len(points)
        if self.count > MOST_POINTS:
            raise SvgMisfit(f"more than {MOST_POINTS:,} points", "fewer", "simplify the path in a drawing program")
        self.here = points[-1]

    def draw(self, command: str, given: list[float]) -> None:
        name = command.upper()
        origin = self.here if command.islower() else (0.0, 0.0)
        if name in "HV":
            axis = "HV".index(name)
            there = [self.here[0], self.here[1]]
            there[axis] = given[0] + origin[axis]
            self.line_to([(there[0], there[1])])
        elif name == "A":
            end = (given[5] + origin[0], given[6] + origin[1])
            self.line_to(arc_points(self.here, (given[0], given[1]), given[2], (given[3] > 0, given[4] > 0), end))
        else:
            places = [(x + origin[0], y + origin[1]) for x, y in zip(given[::2], given[1::2], strict=True)]
            self._draw_places(name, places)
        self.curve = {"C": "C", "S": "C", "Q": "Q", "T": "Q"}.get(name, "")

    def _draw_places(self, name: str, places: list[Point]) -> None:
        if name == "M":
            self.lift()
            self.here = self.start = places[0]
        elif name == "L":
            self.line_to(places)
        else:
            kind = {"S": "C", "T": "Q"}.get(name, name)
            if name in "ST":
                places = [self._mirrored(kind), *places]
            self.control = places[-2]
            self.line_to(curve_points([self.here, *places]))

    def _mirrored(self, kind: str) -> Point:
        """The last control point seen from the other side of the current point, where the last curve was of a kind."""
        if self.curve != kind or self.control is None:
            return self.here
        return 2.0 * self.here[0] - self.control[0], 2.0 * self.here[1] - self.control[1]


def curve_points(controls: list[Point]) -> list[Point]:
    """Points on the Bézier curve of these control points after its first, (de Casteljau's construction)."""
    found = []
    for step in range(1, CURVE_STEPS + 1):
        share, places = step / CURVE_STEPS, controls
        while len(places) > 1:
            places = [
                (a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])) for a, b in itertools.pairwise(places)
            ]
        found.append(places[0])
    return [*found[:-1], controls[-1]]


def arc_points(start: Point, radii: Point, turned_deg: float, flags: tuple[bool, bool], end: Point) -> list[Point]:
    """Points on an elliptic arc after its start (SVG 1.1, F.6.5 and F.6.6); `flags`: the large arc, the sweep."""
    rx, ry = abs(radii[0]), abs(radii[1])
    if start == end or rx == 0.0 or ry == 0.0:
        return [end]
    cos, sin = math.cos(math.radians(turned_deg)), math.sin(math.radians(turned_deg))
    half = (start[0] - end[0]) / 2.0, (start[1] - end[1]) / 2.0
    # In the ellipse's own axes, as shares of its radii.
    u, v = (cos * half[0] + sin * half[1]) / rx, (cos * half[1] - sin * half[0]) / ry
    square = u * u + v * v
    if square == 0.0:
        return [end]
    grown = math.sqrt(max(square, 1.0))
    rx, ry, u, v = rx * grown, ry * grown, u / grown, v / grown
    side = (-1.0 if flags[0] == flags[1] else 1.0) * math.sqrt(max(1.0 / square - 1.0, 0.0))
    centre = side * v, -side * u
    first = math.atan2(v - centre[1], u - centre[0])
    swept = math.atan2(-v - centre[1], -u - centre[0]) - first
    if flags[1] and swept < 0.0:
        swept += 2.0 * math.pi
    elif not flags[1] and swept > 0.0:
        swept -= 2.0 * math.pi
    middle = (start[0] + end[0]) / 2.0, (start[1] + end[1]) / 2.0
    steps = max(1, math.ceil(CURVE_STEPS * abs(swept) / (0.5 * math.pi))) if math.isfinite(swept) else 1
    found = []
    for step in range(1, steps):
        angle = first + swept * step / steps
        across, up = rx * (centre[0] + math.cos(angle)), ry * (centre[1] + math.sin(angle))
        found.append((middle[0] + cos * across - sin * up, middle[1] + sin * across + cos * up))
    return [*found, end]
