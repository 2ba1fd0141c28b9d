"""Labels beside marks, placed where they cover neither a mark, nor another label, nor a line of the drawing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from tapeline.report.charts.markup import element, moves, text
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
    covered = [Box(x - half, y - half, x + half, y + half) for x, y in marks]
    written: list[Box] = []
    leaders: list[Segment] = []
    made: list[str] = []
    placed: list[bool] = []
    for label in labels:
        # Rather across a line of the drawing than across a leader, and rather that than no label.
        for avoided, clear in (([*lines, *leaders], written), (leaders, written), ([], [])):
            found = _first_free(label, [*covered, *written], avoided, clear, within)
            if found is not None:
                break
        placed.append(found is not None)
        if found is not None:
            words, box, leader = found
            written.append(box)
            leaders += [leader] if leader else []
            made.append(_written(label, words, box, leader))
    return "".join(made), placed


def _first_free(
    label: Label, taken: Sequence[Box], lines: Sequence[Segment], clear: Sequence[Box], within: Box
) -> tuple[str, Box, Segment | None] | None:
    """The first candidate on no box that is taken and on no line, whose leader crosses nothing that must stay clear."""
    for words, box, away in _candidates(label):
        inside = box.left >= within.left and box.right <= within.right and box.top >= within.top
        is_free = inside and box.bottom <= within.bottom and not any(_overlap(box, other) for other in taken)
        if not is_free or any(_crosses(line, box) for line in lines):
            continue
        leader = _leader(label, box, away)
        if leader is None or not any(_crosses(leader, other) for other in clear):
            return words, box, leader
    return None


def _leader(label: Label, box: Box, away: float) -> Segment | None:
    """The line from a mark to its label; none to one that is beside it."""
    if away == DISTANCES_PX[0]:
        return None
    x, y = label.place
    return (x, y), (min(max(x, box.left), box.right), min(max(y, box.top), box.bottom))


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


def _written(label: Label, words: str, box: Box, leader: Segment | None) -> str:
    said = text(words, box.left, (box.top + box.bottom) / 2 + 4.0, f"{label.role} halo")
    return said if leader is None else element("path", d=moves(leader), class_="ln wh") + said


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
