"""Path data of SVG as polylines: held against the grammar here, drawn by fontTools.

Grammar: W3C, Scalable Vector Graphics (SVG) 1.1 (Second Edition), chapter 8.3.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import suppress

from fontTools.misc.bezierTools import segmentPointAtT
from fontTools.svgLib.path.arc import EllipticalArc
from fontTools.svgLib.path.parser import parse_path

from tapeline.campaign.faults import quoted
from tapeline.campaign.polylines import MOST_POINTS, Point

CURVE_STEPS = 16
"""Straight pieces that stand for a curve: for a quarter of a circle they are within 0.12 % of its radius."""
MOST_UNITS = 1e6
"""Largest number taken, so that no product of a few of them runs over."""

SEPARATOR = re.compile(r"[ \t\n\r\f]*,?[ \t\n\r\f]*")
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
FLAG = re.compile("[01]")
"""A flag of an arc, one digit, which may stand against the next number."""
COUNTS = {"M": 2, "L": 2, "H": 1, "V": 1, "C": 6, "S": 4, "Q": 4, "T": 2, "Z": 0}
ARGUMENTS = {command: (NUMBER,) * count for command, count in COUNTS.items()} | {
    "A": (NUMBER, NUMBER, NUMBER, FLAG, FLAG, NUMBER, NUMBER)
}


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
