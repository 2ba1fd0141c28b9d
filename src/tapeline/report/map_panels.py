"""The panels of a map: which planes are drawn and which side of the body, all at one scale."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from tapeline.campaign.outlines import AXES, Outline, Polylines
from tapeline.campaign.setting_sections import Plane
from tapeline.report.figure_panels import WIDTH_IN, Heading, headed_figure
from tapeline.report.figure_style import OUTLINE_COLOUR
from tapeline.report.finished_tables import Row
from tapeline.report.map_sides import side_names
from tapeline.report.wording import counted

LEFT_IN = 0.6
GAP_IN = 0.52
MOST_PANEL_IN = 2.7
LEAST_PANEL_IN = 1.0
MARGIN = 0.05
"""Share of the extent left free on each side."""
LEAST_EXTENT_M = 0.05


@dataclass(frozen=True)
class MapPanel:
    """One plane with the positions drawn in it and the polylines of its outline."""

    plane: Plane
    title: str
    rows: tuple[Row, ...]
    lines: Polylines

    @property
    def columns(self) -> tuple[str, str]:
        """The coordinates drawn across and upward."""
        return AXES[self.plane]

    def place(self, row: Row) -> tuple[float, float]:
        """Where a position is drawn, in metres."""
        across, up = self.columns
        return row[across], row[up]


def located(rows: Iterable[Row], plane: Plane) -> list[Row]:
    """The positions that have both coordinates of a plane."""
    return [row for row in rows if all(row[axis] is not None for axis in AXES[plane])]


def map_panels(rows: Sequence[Row], outlines: Sequence[Outline], axes: str) -> list[MapPanel]:
    """The panels for these positions: x-y, then x-z where heights differ or it has an outline, y-z with an outline.

    Where positions lie on both sides of y = 0, the x-z plane is drawn once a side; those at y = 0 and those whose y is
    not known are in both. `axes` is the campaign's sentence on its axes. No panel where none has two coordinates.
    """
    panels = [_panel("x-y", "", found, outlines)] if (found := located(rows, "x-y")) else []
    heights = located(rows, "x-z")
    if heights and (not panels or len({row["z_m"] for row in heights}) > 1 or _lines("x-z", outlines)):
        sides = _sides(heights)
        if all(sides):
            names = side_names(axes)
            panels += [_panel("x-z", name, side, outlines) for name, side in zip(names, sides, strict=True)]
        else:
            panels.append(_panel("x-z", "", heights, outlines))
    across = located(rows, "y-z")
    if across and (not panels or _lines("y-z", outlines)):
        panels.append(_panel("y-z", "", across, outlines))
    return panels


def _sides(rows: Sequence[Row]) -> tuple[list[Row], list[Row]]:
    """The positions below and above y = 0, those on it or without y in both; none where all are on one side."""
    known = [row["y_m"] for row in rows if row["y_m"] is not None]
    if not (any(y < 0 for y in known) and any(y > 0 for y in known)):
        return [], []
    below = [row for row in rows if row["y_m"] is None or row["y_m"] <= 0]
    above = [row for row in rows if row["y_m"] is None or row["y_m"] >= 0]
    return below, above


def _lines(plane: Plane, outlines: Iterable[Outline]) -> Polylines:
    return tuple(line for outline in outlines if outline.plane == plane for line in outline.lines)


def _panel(plane: Plane, side: str, rows: Sequence[Row], outlines: Sequence[Outline]) -> MapPanel:
    words = f"{plane} plane{f', {side}' if side else ''}   n = {counted(len(rows), 'position')}"
    return MapPanel(plane, words, tuple(rows), _lines(plane, outlines))


def undrawn(rows: Iterable[Row], panels: Iterable[MapPanel]) -> list[str]:
    """Positions that are in no panel."""
    drawn = {row["position"] for panel in panels for row in panel.rows}
    return [row["position"] for row in rows if row["position"] not in drawn]


def without_y(panels: Iterable[MapPanel]) -> list[str]:
    """Positions that are seen from the side although nobody knows on which side they are."""
    sides = (panel for panel in panels if panel.plane == "x-z")
    return list(dict.fromkeys(row["position"] for panel in sides for row in panel.rows if row["y_m"] is None))


def map_frame(panels: Sequence[MapPanel], heading: Heading, *, right_in: float = 0.12) -> tuple[Figure, list[Axes]]:
    """A figure with the panels below each other, outlines drawn, a metre as long in all of them.

    `right_in` is left free at the right for a colour scale.
    """
    room_in = WIDTH_IN - LEFT_IN - right_in
    boxes = [_extent(panel, panels) for panel in panels]
    per_in = max(
        [LEAST_EXTENT_M]
        + [(right - left) / room_in for left, right, _, _ in boxes]
        + [(high - low) / MOST_PANEL_IN for _, _, low, high in boxes]
    )
    heights = [max((high - low) / per_in, LEAST_PANEL_IN) for _, _, low, high in boxes]
    body_in = sum(heights) + GAP_IN * max(len(panels) - 1, 0)
    figure, _, top = headed_figure(heading, max(body_in, LEAST_PANEL_IN), top_in=0.62)
    height_in = figure.get_size_inches()[1]
    every = []
    for panel, panel_in, (left, right, low, high) in zip(panels, heights, boxes, strict=True):
        width_in = min(max((right - left) / per_in, LEAST_PANEL_IN), room_in)
        top -= panel_in
        axes = figure.add_axes((LEFT_IN / WIDTH_IN, top / height_in, width_in / WIDTH_IN, panel_in / height_in))
        top -= GAP_IN
        axes.set_xlim(*_around(left, right, width_in * per_in))
        axes.set_ylim(*_around(low, high, panel_in * per_in))
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_locator(MaxNLocator(nbins=7, steps=[1, 2, 5, 10]))
        axes.set_title(panel.title)
        axes.set_xlabel(f"{panel.plane[0]}, m")
        axes.set_ylabel(f"{panel.plane[2]}, m")
        for line in panel.lines:
            axes.plot(*zip(*line, strict=True), color=OUTLINE_COLOUR, linewidth=0.7, zorder=1, gid="outline")
        every.append(axes)
    return figure, every


def _around(low: float, high: float, extent: float) -> tuple[float, float]:
    """Limits of an extent about the same middle."""
    middle = (low + high) / 2.0
    return middle - extent / 2.0, middle + extent / 2.0


def _extent(panel: MapPanel, panels: Iterable[MapPanel]) -> tuple[float, float, float, float]:
    """Left, right, low and high end of a panel with its margin; panels with x across have one left and right."""
    across = [place[0] for other in panels if other.plane[0] == panel.plane[0] for place in _places(other)]
    up = [place[1] for place in _places(panel)]
    margin = MARGIN * max(max(across) - min(across), max(up) - min(up), LEAST_EXTENT_M)
    return min(across) - margin, max(across) + margin, min(up) - margin, max(up) + margin


def _places(panel: MapPanel) -> list[tuple[float, float]]:
    return [*(panel.place(row) for row in panel.rows), *(point for line in panel.lines for point in line)]
