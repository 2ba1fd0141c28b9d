"""One look a role: a condition keeps its colour, mark and line on the whole page, in every campaign.

Colours stand in the style sheet, by role and for light and dark; this module says which role and which shape.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tapeline.report.charts.markup import px

CONDITION_LOOKS = 8
"""So many conditions are told apart by colour, mark and line together; further ones begin again."""

SHAPES = ("circle", "square", "triangle", "diamond", "bar", "wedge", "cross", "hexagon")
DASHES = (None, "6 2", "2 2", "8 2 2 2", "4 2", "10 3", "1 2", "6 2 1 2 1 2")


@dataclass(frozen=True)
class Look:
    """How one condition is drawn: `role` is the class of the style sheet, `dashes` the pattern of its lines."""

    role: str
    shape: str
    dashes: str | None


def condition_look(conditions: Sequence[str], name: str | None) -> Look:
    """The look of a condition by its place in the settings; one that is not there has the last one."""
    names = list(conditions)
    index = names.index(name) % CONDITION_LOOKS if name in names else CONDITION_LOOKS - 1
    return Look(f"c{index}", SHAPES[index], DASHES[index])


def mark(shape: str, x: float, y: float, size: float = 3.4) -> str:
    """The path of one mark about a place; many marks make one path."""
    r = size
    if shape == "circle":
        return f"M{px(x - r)} {px(y)}a{px(r)} {px(r)} 0 1 0 {px(2 * r)} 0a{px(r)} {px(r)} 0 1 0 {px(-2 * r)} 0z"
    corners = {
        "square": ((-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)),
        "triangle": ((0.0, -1.15), (1.1, 0.85), (-1.1, 0.85)),
        "diamond": ((0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)),
        "bar": ((-0.5, -1.3), (0.5, -1.3), (0.5, 1.3), (-0.5, 1.3)),
        "wedge": ((0.0, 1.15), (1.1, -0.85), (-1.1, -0.85)),
        "cross": ((-1.2, -0.4), (-0.4, -0.4), (-0.4, -1.2), (0.4, -1.2), (0.4, -0.4), (1.2, -0.4),
                  (1.2, 0.4), (0.4, 0.4), (0.4, 1.2), (-0.4, 1.2), (-0.4, 0.4), (-1.2, 0.4)),
        "hexagon": ((-1.1, 0.0), (-0.55, -1.0), (0.55, -1.0), (1.1, 0.0), (0.55, 1.0), (-0.55, 1.0)),
    }[shape]  # fmt: skip
    return "M" + "L".join(f"{px(x + r * across)} {px(y + r * down)}" for across, down in corners) + "z"


def marks(shape: str, places: Iterable[tuple[float, float]], size: float = 3.4) -> str:
    """The path of marks at some places."""
    return "".join(mark(shape, x, y, size) for x, y in places)


def bound_arrow(x: float, y: float, *, upward: bool = False, length: float = 11.0) -> str:
    """The path of an arrow from a bound to where the value may lie: a bar at its tail, never a mark."""
    way = -1.0 if upward else 1.0
    tip = y + way * length
    return (
        f"M{px(x - 3)} {px(y)}H{px(x + 3)}M{px(x)} {px(y)}V{px(tip)}"
        f"M{px(x - 2.5)} {px(tip - way * 4)}L{px(x)} {px(tip)}L{px(x + 2.5)} {px(tip - way * 4)}"
    )
