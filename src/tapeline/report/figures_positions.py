"""The map of positions in the campaign's axes."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tapeline.report.figure_panels import Heading, headed_figure, legend_line
from tapeline.report.figure_style import CONDITION_COLOURS
from tapeline.report.finished_tables import Row
from tapeline.report.wording import short

AREA_MARKS = ("o", "s", "^", "D", "v", "P")
NO_AREA = "area not stated"
BODY_IN = 3.2
LABEL_WIDTH, LABEL_HEIGHT = 0.05, 0.012
"""Room of a label as a share of the map's width: positions nearer than this share one."""


def located(rows: Sequence[Row], across: str = "x_m", up: str = "y_m") -> list[Row]:
    """The positions that have both coordinates."""
    return [row for row in rows if row[across] is not None and row[up] is not None]


def position_map(rows: Sequence[Row], heading: Heading) -> Figure:
    """The positions in the x-y plane, marked by area and named; the x-z plane below where heights are given."""
    planes = [("x_m", "y_m", "x, m", "y, m")]
    heights = {row["z_m"] for row in rows if row["z_m"] is not None}
    if len(heights) > 1:
        planes.append(("x_m", "z_m", "x, m", "z, m"))
    gap_in = 0.45
    figure, _, top = headed_figure(heading, BODY_IN * len(planes) + gap_in * (len(planes) - 1), top_in=0.5)
    height_in = figure.get_size_inches()[1]
    areas = sorted({row["area"] or NO_AREA for row in rows})
    for index, (across, up, x_label, y_label) in enumerate(planes):
        low = top - (index + 1) * BODY_IN - index * gap_in
        axes = figure.add_axes((0.08, low / height_in, 0.9, BODY_IN / height_in))
        _draw_plane(axes, located(rows, across, up), areas, across, up)
        axes.set_xlabel(x_label)
        axes.set_ylabel(y_label)
    legend_line(figure, _handles(areas)[:8])
    return figure


def _look(areas: Sequence[str], area: str) -> tuple[str, str]:
    index = areas.index(area)
    return CONDITION_COLOURS[index % len(CONDITION_COLOURS)], AREA_MARKS[index % len(AREA_MARKS)]


def _draw_plane(axes: Axes, rows: Sequence[Row], areas: Sequence[str], across: str, up: str) -> None:
    for area in areas:
        colour, mark = _look(areas, area)
        members = [row for row in rows if (row["area"] or NO_AREA) == area]
        axes.plot([row[across] for row in members], [row[up] for row in members], linestyle="none", marker=mark,
                  color=colour, markersize=4.5, gid=f"{across}-{up}")  # fmt: skip
    size = 6 if len(rows) <= 30 else 4.5
    axes.margins(0.1)
    axes.set_aspect("equal", adjustable="datalim")
    axes.apply_aspect()
    low, high = axes.get_xlim()
    for place, names in _neighbours(rows, across, up, high - low).items():
        right = place[0] > low + 0.8 * (high - low)
        axes.annotate(
            short(", ".join(names), 40),
            place,
            xytext=(-4 if right else 4, 3),
            textcoords="offset points",
            ha="right" if right else "left",
            fontsize=size,
        )


def _neighbours(rows: Sequence[Row], across: str, up: str, span: float) -> dict[tuple[float, float], list[str]]:
    """Names by place, those too near each other for two labels together at the first one's place."""
    together: dict[tuple[float, float], list[str]] = {}
    for row in rows:
        place = (row[across], row[up])
        near = (
            other
            for other in together
            if abs(other[0] - place[0]) < LABEL_WIDTH * span and abs(other[1] - place[1]) < LABEL_HEIGHT * span
        )
        together.setdefault(next(near, place), []).append(row["position"])
    return together


def _handles(areas: Sequence[str]) -> list[Artist]:
    looks = {area: _look(areas, area) for area in areas}
    return [
        Line2D([], [], linestyle="none", marker=mark, color=colour, label=short(area, 20))
        for area, (colour, mark) in looks.items()
    ]
