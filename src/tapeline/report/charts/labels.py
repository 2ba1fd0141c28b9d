"""Labels beside marks, placed where they cover neither a mark, nor another label, nor a line of the drawing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from tapeline.report.charts.markup import element, px, text
from tapeline.report.charts.panel import LETTER_PX, Box, Place

Segment: TypeAlias = tuple[Place, Place]

LINE_PX = 13.0
DISTANCES_PX = (7.0, 14.0, 22.0, 32.0, 44.0, 60.0, 80.0)
"""How far from its mark a label may stand; from the second on a thin line leads to it."""


@dataclass(frozen=True)
class Label:
    """What may stand beside the mark at `place`, in pixels: the first of `texts` that has room nearest to it."""

    place: Place
    texts: tuple[str, ...]
    role: str = "t"


def place_labels(
    labels: Sequence[Label], marks: Sequence[Place], lines: Sequence[Segment], within: Box, mark_px: float
) -> tuple[str, list[bool]]:
    """The labels as markup, in the order given, and which of them found room.

    Where no place is free of the drawing's lines a label may cross one: its halo keeps it readable.
    """
    half = mark_px + 1.0
    taken = [Box(x - half, y - half, x + half, y + half) for x, y in marks]
    made: list[str] = []
    placed: list[bool] = []
    for label in labels:
        found = _first_free(label, taken, lines, within) or _first_free(label, taken, (), within)
        placed.append(found is not None)
        if found is not None:
            words, box, distance = found
            taken.append(box)
            made.append(_written(label, words, box, distance))
    return "".join(made), placed


def _first_free(
    label: Label, taken: Sequence[Box], lines: Sequence[Segment], within: Box
) -> tuple[str, Box, float] | None:
    for words, box, distance in _candidates(label):
        inside = box.left >= within.left and box.right <= within.right and box.top >= within.top
        is_free = inside and box.bottom <= within.bottom and not any(_overlap(box, other) for other in taken)
        if is_free and not any(_crosses(line, box) for line in lines):
            return words, box, distance
    return None


def _candidates(label: Label) -> Iterator[tuple[str, Box, float]]:
    x, y = label.place
    half = LINE_PX / 2
    for away in DISTANCES_PX:
        slant = 0.7 * away
        for words in label.texts:
            width = LETTER_PX * len(words)
            for left, middle in (
                (x + away, y),
                (x - away - width, y),
                (x - width / 2, y - away - half),
                (x - width / 2, y + away + half),
                (x + slant, y - slant - half),
                (x + slant, y + slant + half),
                (x - slant - width, y - slant - half),
                (x - slant - width, y + slant + half),
                (x, y - away - half),
                (x, y + away + half),
                (x - width, y - away - half),
                (x - width, y + away + half),
            ):
                yield words, Box(left, middle - half, left + width, middle + half), away


def _written(label: Label, words: str, box: Box, distance: float) -> str:
    said = text(words, box.left, (box.top + box.bottom) / 2 + 4.0, f"{label.role} halo")
    if distance == DISTANCES_PX[0]:
        return said
    x, y = label.place
    to_x, to_y = min(max(x, box.left), box.right), min(max(y, box.top), box.bottom)
    return element("path", d=f"M{px(x)} {px(y)}L{px(to_x)} {px(to_y)}", class_="ln wh") + said


def _overlap(one: Box, other: Box) -> bool:
    return one.left < other.right and other.left < one.right and one.top < other.bottom and other.top < one.bottom


def _crosses(line: Segment, box: Box) -> bool:
    """Whether a segment has a point in a box (clipping after Liang and Barsky 1984)."""
    (x, y), (to_x, to_y) = line
    first, last = 0.0, 1.0
    for step, room in (
        (x - to_x, x - box.left),
        (to_x - x, box.right - x),
        (y - to_y, y - box.top),
        (to_y - y, box.bottom - y),
    ):
        if step == 0.0:
            if room < 0.0:
                return False
        elif step < 0.0:
            first = max(first, room / step)
        else:
            last = min(last, room / step)
    return first <= last
