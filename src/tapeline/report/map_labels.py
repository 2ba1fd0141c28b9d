"""Labels beside the marks of a map: placed where there is room, left out where there is none."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from matplotlib.axes import Axes

Place: TypeAlias = tuple[float, float]
Box: TypeAlias = tuple[float, float, float, float]

CHARACTER = 0.64
"""Width of a character of the figures' type as a share of its size, on the wide side."""
LINE = 1.18
GAP_PT = 1.5
PAPER = {"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.3}


@dataclass(frozen=True)
class Label:
    """What may stand beside the mark at `place`, in metres: the first of `texts` that there is room for."""

    place: Place
    texts: tuple[str, ...]


def together(places: Sequence[Place], axes: Axes, within_pt: float) -> list[list[int]]:
    """Indices of places that lie on each other on paper: each group about its first one."""
    on_paper = _on_paper(places, axes)
    groups: list[list[int]] = []
    for index, (x, y) in enumerate(on_paper):
        for group in groups:
            first = on_paper[group[0]]
            if abs(first[0] - x) < within_pt and abs(first[1] - y) < within_pt:
                group.append(index)
                break
        else:
            groups.append([index])
    return groups


def place_labels(
    axes: Axes, labels: Sequence[Label], marks: Sequence[Place], *, size_pt: float, mark_pt: float
) -> list[bool]:
    """Write the labels in the order given; no label covers a mark or another label. Tells which found room.

    `marks` are the places of all marks of the panel, `mark_pt` their size.
    """
    half = mark_pt / 2.0
    taken = [(x - half, y - half, x + half, y + half) for x, y in _on_paper(marks, axes)]
    left, low, right, high = (value * _points(axes) for value in axes.bbox.extents)
    placed = []
    for label, spot in zip(labels, _on_paper([label.place for label in labels], axes), strict=True):
        for text, box, aligned in _candidates(label, spot, size_pt, half):
            inside = box[0] >= left and box[1] >= low and box[2] <= right and box[3] <= high
            if inside and not any(_overlap(box, other) for other in taken):
                taken.append(box)
                _write(axes, label.place, spot, text, box, aligned, size_pt)
                placed.append(True)
                break
        else:
            placed.append(False)
    return placed


def _on_paper(places: Sequence[Place], axes: Axes) -> list[Place]:
    """Places in points from the figure's lower left corner."""
    if not places:
        return []
    return [(float(x), float(y)) for x, y in axes.transData.transform(places) * _points(axes)]


def _points(axes: Axes) -> float:
    figure = axes.get_figure()
    return 72.0 / figure.dpi if figure is not None else 1.0


def _candidates(label: Label, spot: Place, size_pt: float, half: float) -> Iterator[tuple[str, Box, str]]:
    """Texts with the boxes where they may stand, and whether they are set left, centred or right in them."""
    x, y = spot
    away = half + GAP_PT
    for text in label.texts:
        lines = text.split("\n")
        width = CHARACTER * size_pt * max(map(len, lines))
        height = LINE * size_pt * len(lines)
        for left, low, aligned in (
            (x + away, y - height / 2.0, "left"),
            (x - away - width, y - height / 2.0, "right"),
            (x - width / 2.0, y + away, "center"),
            (x - width / 2.0, y - away - height, "center"),
            (x + half, y + half, "left"),
            (x + half, y - half - height, "left"),
            (x - half - width, y + half, "right"),
            (x - half - width, y - half - height, "right"),
        ):
            yield text, (left, low, left + width, low + height), aligned


def _overlap(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _write(axes: Axes, place: Place, spot: Place, text: str, box: Box, aligned: str, size_pt: float) -> None:
    at = {"left": box[0], "right": box[2], "center": (box[0] + box[2]) / 2.0}[aligned]
    middle = (box[1] + box[3]) / 2.0
    axes.annotate(text, place, xytext=(at - spot[0], middle - spot[1]), textcoords="offset points", ha=aligned,
                  va="center", fontsize=size_pt, linespacing=1.0, bbox=PAPER, zorder=6, gid="label")  # fmt: skip
