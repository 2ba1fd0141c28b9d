"""The body with its positions: each plane that has coordinates, all at one scale, each side as it is seen."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from tapeline.campaign.outlines import AXES, Outline, Polylines
from tapeline.campaign.setting_sections import Plane
from tapeline.report.charts.figure import WIDTH_PX
from tapeline.report.charts.labels import Label, Segment, place_labels
from tapeline.report.charts.looks import bound_arrow, mark
from tapeline.report.charts.markup import element, moves, text
from tapeline.report.charts.panel import Box, Place, Reading
from tapeline.report.finished_tables import Row
from tapeline.report.map_sides import is_right_handed, side_names

GAP_PX = 8.0
TITLE_PX = 20.0
MOST_HEIGHT_PX = 135.0
LEAST_HEIGHT_PX = 60.0
MARGIN_PX = 46.0
"""Left free about a body, so that labels find room beside its outline."""
LINE_ROOM_PX = 22.0
LEAST_EXTENT_M = 0.05
MARK_PX = 4.2


@dataclass(frozen=True)
class Spot:
    """What stands at one position: a mark with its label; `is_bound` draws an arrow, `hollow` leaves the mark open."""

    position: str
    role: str
    label: str
    reading: str
    shape: str = "circle"
    hollow: bool = False
    arrow: str = ""
    """"up" or "down" where the value is only a bound."""
    weight: float = 0.0
    """Labels of heavier spots are placed first."""


@dataclass(frozen=True)
class BodyView:
    """One plane with its positions and the polylines of its outline; `is_mirrored` turns it left to right."""

    plane: Plane
    title: str
    rows: tuple[Row, ...]
    lines: Polylines
    is_mirrored: bool = False
    is_flipped: bool = False

    def place(self, row: Row) -> Place:
        """Where a position is seen, in metres to the right and upward."""
        across, up = AXES[self.plane]
        return self.seen(row[across], row[up])

    def seen(self, across: float, up: float) -> Place:
        """A point of the plane as it is seen."""
        return (-across if self.is_mirrored else across), (-up if self.is_flipped else up)

    @property
    def outline(self) -> list[list[Place]]:
        """The polylines as they are seen."""
        return [[self.seen(*point) for point in line] for line in self.lines]

    @property
    def points(self) -> list[Place]:
        """All that must be in the picture."""
        return [*(self.place(row) for row in self.rows), *(point for line in self.outline for point in line)]


def located(rows: Iterable[Row], plane: Plane) -> list[Row]:
    """The positions that have both coordinates of a plane."""
    return [row for row in rows if all(row[axis] is not None for axis in AXES[plane])]


def body_views(rows: Sequence[Row], outlines: Sequence[Outline], axes: str) -> list[BodyView]:
    """The views for these positions: from above, from the sides where heights differ, across where it has an outline.

    Where positions lie on both sides of y = 0 each side is a view of its own, as somebody sees it who stands there;
    positions at y = 0 and those whose y is not known are in both. `axes` is the campaign's sentence on its axes. No
    view where no position has two coordinates.
    """
    right_handed = is_right_handed(axes)
    views: list[BodyView] = []
    if above := located(rows, "x-y"):
        views.append(BodyView("x-y", "from above", tuple(above), _lines("x-y", outlines), is_flipped=not right_handed))
    heights = located(rows, "x-z")
    if heights and (not views or len({row["z_m"] for row in heights}) > 1 or _lines("x-z", outlines)):
        lines = _lines("x-z", outlines)
        below = tuple(row for row in heights if row["y_m"] is None or row["y_m"] <= 0)
        beyond = tuple(row for row in heights if row["y_m"] is None or row["y_m"] >= 0)
        has_both = any((row["y_m"] or 0) < 0 for row in heights) and any((row["y_m"] or 0) > 0 for row in heights)
        if has_both:
            for name, side, is_beyond in zip(side_names(axes), (below, beyond), (False, True), strict=True):
                views.append(BodyView("x-z", f"from the {name}", side, lines, is_mirrored=is_beyond == right_handed))
        else:
            views.append(BodyView("x-z", "from the side", tuple(heights), lines))
    across = located(rows, "y-z")
    if across and (not views or _lines("y-z", outlines)):
        views.append(BodyView("y-z", "across", tuple(across), _lines("y-z", outlines)))
    return views


def _lines(plane: Plane, outlines: Iterable[Outline]) -> Polylines:
    return tuple(line for outline in outlines if outline.plane == plane for line in outline.lines)


def undrawn(rows: Iterable[Row], views: Iterable[BodyView]) -> list[str]:
    """Positions that are in no view."""
    seen = {row["position"] for view in views for row in view.rows}
    return [row["position"] for row in rows if row["position"] not in seen]


@dataclass(frozen=True)
class BodyMap:
    """The drawn views with their height, what can be read, and the positions whose label found no room.

    `free` is where a legend may stand: beside the last view where that is alone in its row, else below all.
    """

    markup: str
    height: float
    readings: tuple[Reading, ...]
    unlabelled: tuple[str, ...]
    free: Place


def body_map(views: Sequence[BodyView], spots: Mapping[str, Spot], *, width: float = WIDTH_PX) -> BodyMap:
    """The views, two in a row where there are several, all at one scale."""
    columns = 2 if len(views) > 1 else 1
    each = (width - (columns - 1) * GAP_PX) / columns
    scale = min(_scale(view, each) for view in views)
    made: list[str] = []
    readings: list[Reading] = []
    labelled: set[str] = set()
    top = 0.0
    for start in range(0, len(views), columns):
        row = views[start : start + columns]
        height = max(_height(view, scale) for view in row)
        for place, view in enumerate(row):
            left = place * (each + GAP_PX)
            box = Box(left, top + TITLE_PX, left + each, top + TITLE_PX + height)
            markup, read, named = _drawn(view, spots, box, scale)
            made += [text(view.title, left, top + 13, "l"), markup]
            readings += read
            labelled |= named
        top += TITLE_PX + height + GAP_PX
    seen = {row["position"] for view in views for row in view.rows}
    unlabelled = tuple(name for name, spot in spots.items() if spot.label and name in seen and name not in labelled)
    is_odd = columns == 2 and len(views) % 2 == 1
    free = (each + GAP_PX, top - GAP_PX - _height(views[-1], scale) / 2) if is_odd else (8.0, top)
    return BodyMap("".join(made), top, tuple(readings), unlabelled, free)


def _extent(view: BodyView) -> tuple[float, float, float, float]:
    across, up = zip(*view.points, strict=True)
    return min(across), max(across), min(up), max(up)


def _scale(view: BodyView, width: float) -> float:
    """Pixels a metre that fit the view into its room."""
    left, right, low, high = _extent(view)
    return min(
        (width - 2 * MARGIN_PX) / max(right - left, LEAST_EXTENT_M),
        (MOST_HEIGHT_PX - 2 * LINE_ROOM_PX) / max(high - low, LEAST_EXTENT_M),
    )


def _height(view: BodyView, scale: float) -> float:
    _, _, low, high = _extent(view)
    return max((high - low) * scale + 2 * LINE_ROOM_PX, LEAST_HEIGHT_PX)


def _drawn(view: BodyView, spots: Mapping[str, Spot], box: Box, scale: float) -> tuple[str, list[Reading], set[str]]:
    left, right, low, high = _extent(view)
    middle = (box.left + box.right) / 2 - scale * (left + right) / 2
    centre = (box.top + box.bottom) / 2 + scale * (low + high) / 2

    def on_page(place: Place) -> Place:
        return middle + scale * place[0], centre - scale * place[1]

    lines = [[on_page(point) for point in line] for line in view.outline]
    made = [element("path", d="".join(moves(line) for line in lines), class_="out")] if lines else []
    segments: list[Segment] = [pair for line in lines for pair in itertools.pairwise(line)]
    inside = [(spots[row["position"]], on_page(view.place(row))) for row in view.rows if row["position"] in spots]
    # Of spots on each other the surest is on top.
    for spot, (x, y) in sorted(inside, key=lambda each: (not each[0].hollow, each[0].weight)):
        shape = bound_arrow(x, y, upward=spot.arrow == "up") if spot.arrow else mark(spot.shape, x, y, MARK_PX)
        kind = "ar" if spot.arrow else "mk"
        made.append(element("path", d=shape, class_=f"{kind} {spot.role}{' ho' if spot.hollow else ''}"))
    groups = _together([place for _, place in inside])
    groups.sort(key=lambda group: -max(inside[index][0].weight for index in group))
    labels, members = [], []
    for group in groups:
        ordered = sorted(group, key=lambda index: (-inside[index][0].weight, inside[index][0].position))
        members.append({inside[index][0].position for index in ordered})
        texts = tuple(inside[index][0].label for index in ordered if inside[index][0].label)
        if texts:
            more = f" and {len(texts) - 1} more" if len(texts) > 1 else ""
            labels.append(Label(inside[ordered[0]][1], (" · ".join(texts), f"{texts[0]}{more}")))
        else:
            members.pop()
    markup, placed = place_labels(labels, [place for _, place in inside], segments, box, MARK_PX)
    named = {name for names, has_room in zip(members, placed, strict=True) if has_room for name in names}
    readings = [Reading(x, y, spot.reading) for spot, (x, y) in inside]
    return "".join([*made, markup]), readings, named


def _together(places: Sequence[Place]) -> list[list[int]]:
    """Indices of places that lie on each other: each group about its first one."""
    groups: list[list[int]] = []
    for index, (x, y) in enumerate(places):
        for group in groups:
            first = places[group[0]]
            if abs(first[0] - x) < 1.5 * MARK_PX and abs(first[1] - y) < 1.5 * MARK_PX:
                group.append(index)
                break
        else:
            groups.append([index])
    return groups
