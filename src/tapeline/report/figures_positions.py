"""The map of positions, marked by area and named."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tapeline.report.figure_panels import Heading, legend_line
from tapeline.report.figure_style import CONDITION_COLOURS
from tapeline.report.map_labels import Label, place_labels, together
from tapeline.report.map_panels import MapPanel, map_frame
from tapeline.report.wording import short

AREA_MARKS = ("o", "s", "^", "D", "v", "P")
NO_AREA = "area not stated"
MARK_PT = 4.5
MANY = 30
LABEL_CHARACTERS = 40


def position_map(panels: Sequence[MapPanel], heading: Heading) -> tuple[Figure, list[str]]:
    """The positions of each panel, marked by area and named; also the names that have no room in any panel."""
    figure, every = map_frame(panels, heading)
    areas = sorted({row["area"] or NO_AREA for panel in panels for row in panel.rows})
    named: set[str] = set()
    for panel, axes in zip(panels, every, strict=True):
        _draw_areas(axes, panel, areas)
        named |= _write_names(axes, panel)
    legend_line(figure, _handles(areas)[:8])
    names = dict.fromkeys(row["position"] for panel in panels for row in panel.rows)
    return figure, [name for name in names if name not in named]


def _look(areas: Sequence[str], area: str) -> tuple[str, str]:
    index = areas.index(area)
    return CONDITION_COLOURS[index % len(CONDITION_COLOURS)], AREA_MARKS[index % len(AREA_MARKS)]


def _draw_areas(axes: Axes, panel: MapPanel, areas: Sequence[str]) -> None:
    for area in areas:
        colour, mark = _look(areas, area)
        places = [panel.place(row) for row in panel.rows if (row["area"] or NO_AREA) == area]
        if places:
            axes.plot(*zip(*places, strict=True), linestyle="none", marker=mark, color=colour, markersize=MARK_PT,
                      zorder=4, gid=f"positions-{panel.plane}")  # fmt: skip


def _write_names(axes: Axes, panel: MapPanel) -> set[str]:
    """Name the positions, those that lie on each other together; the names that are written in full."""
    places = [panel.place(row) for row in panel.rows]
    groups = [[panel.rows[index]["position"] for index in group] for group in together(places, axes, MARK_PT)]
    size_pt = 6.0 if len(panel.rows) <= MANY else 5.0
    at = {row["position"]: panel.place(row) for row in panel.rows}
    written = [_fitting(group) for group in groups]
    labels = [Label(at[group[0]], (_label(group, names),)) for group, names in zip(groups, written, strict=True)]
    placed = place_labels(axes, labels, places, size_pt=size_pt, mark_pt=MARK_PT)
    return {name for names, found in zip(written, placed, strict=True) if found for name in names}


def _fitting(names: Sequence[str]) -> list[str]:
    """The first names, as many as one label holds."""
    lengths = list(itertools.accumulate(len(name) + 2 for name in names))
    return [name for name, end in zip(names, lengths, strict=True) if end <= LABEL_CHARACTERS]


def _label(names: Sequence[str], written: Sequence[str]) -> str:
    if not written:
        return short(names[0], LABEL_CHARACTERS)
    more = len(names) - len(written)
    return ", ".join(written) + (f" and {more} more" if more else "")


def _handles(areas: Sequence[str]) -> list[Artist]:
    looks = {area: _look(areas, area) for area in areas}
    return [
        Line2D([], [], linestyle="none", marker=mark, color=colour, label=short(area, 20))
        for area, (colour, mark) in looks.items()
    ]
