"""Maps of values on the body: coloured by level or difference, marked by what is known of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from tapeline.report.figure_files import Spot
from tapeline.report.figure_panels import WIDTH_IN, Heading, legend_line
from tapeline.report.map_labels import Label, place_labels, together
from tapeline.report.map_marks import Mark
from tapeline.report.map_panels import MapPanel, map_frame
from tapeline.report.map_symbols import MARK_PT, ColourScale, draw_mark, legend_handles

MANY = 30
SCALE_IN = 0.85
MOST_STACKED = 3


@dataclass(frozen=True)
class ValueMap:
    """A drawn map: the positions whose number has no room in any panel, and the spots under a pointer."""

    figure: Figure
    unwritten: tuple[str, ...]
    spots: tuple[Spot, ...]


def value_map(panels: Sequence[MapPanel], marks: Sequence[Mark], scale: ColourScale, heading: Heading) -> ValueMap:
    """A mark for each position: filled for a value, a ring for a difference not shown, a hollow diamond for one that is
    shown to be small, an arrow for a bound.

    A cross is a position without anything usable, a ring about a dot one that was not measured. Numbers stand beside
    the marks where there is room.
    """
    by_name = {mark.position: mark for mark in marks}
    figure, every = map_frame(panels, heading, right_in=SCALE_IN)
    written: set[str] = set()
    spots: list[Spot] = []
    for panel, axes in zip(panels, every, strict=True):
        inside = {by_name[row["position"]]: panel.place(row) for row in panel.rows if row["position"] in by_name}
        for mark, place in inside.items():
            draw_mark(axes, place, mark, scale)
        written |= _write_numbers(axes, inside)
        spots += [_spot(figure, axes, place, mark.words) for mark, place in inside.items()]
    if every:
        _colour_bar(figure, every[0], scale)
    legend_line(figure, legend_handles(scale, signed=any(mark.signed for mark in marks)))
    drawn = {row["position"] for panel in panels for row in panel.rows}
    unwritten = tuple(mark.position for mark in marks if mark.text and mark.position in drawn - written)
    return ValueMap(figure, unwritten, tuple(spots))


def _write_numbers(axes: Axes, inside: Mapping[Mark, tuple[float, float]]) -> set[str]:
    """Name and number beside each mark, the number alone where that is too much; the positions that found room."""
    places = list(inside.values())
    groups = [
        sorted((list(inside)[index] for index in group), key=_importance)
        for group in together(places, axes, 0.6 * MARK_PT)
    ]
    groups.sort(key=lambda group: _importance(group[0]))
    labels = [Label(inside[group[0]], _texts(group)) for group in groups]
    size_pt = 5.5 if len(inside) <= MANY else 4.6
    placed = place_labels(axes, labels, places, size_pt=size_pt, mark_pt=MARK_PT)
    found = (group for group, has_room in zip(groups, placed, strict=True) if has_room)
    return {mark.position for group in found for mark in group[:MOST_STACKED]}


def _importance(mark: Mark) -> tuple[int, float, str]:
    """Sorts what is shown first, the largest first; then bounds, what is equivalent or not shown, and no numbers."""
    order = {"shown": 0, "bound": 1, "equivalent": 2, "not shown": 3, "unusable": 4, "not measured": 5}
    return order[mark.status], -abs(mark.value_db or 0.0), mark.position


def _texts(group: Sequence[Mark]) -> tuple[str, ...]:
    """What may be written beside marks that lie on each other: the first ones below each other, how many more."""
    first, more = group[:MOST_STACKED], len(group) - MOST_STACKED
    rest = [f"and {more} more"] if more > 0 else []
    full = "\n".join([*(f"{mark.position} {mark.text}".rstrip() for mark in first), *rest])
    numbers = "\n".join([*(mark.text or "–" for mark in first), *rest])
    return (full, numbers) if any(mark.text for mark in first) else (full,)


def _spot(figure: Figure, axes: Axes, place: tuple[float, float], text: str) -> Spot:
    across, up = axes.transData.transform(place)
    width, height = figure.bbox.width, figure.bbox.height
    size = MARK_PT * figure.dpi / 72.0
    left, top = 100.0 * (across - size / 2.0) / width, 100.0 * (1.0 - (up + size / 2.0) / height)
    return Spot(left, top, 100.0 * size / width, 100.0 * size / height, text)


def _colour_bar(figure: Figure, beside: Axes, scale: ColourScale) -> None:
    place = beside.get_position()
    bar = figure.add_axes((place.x1 + 0.15 / WIDTH_IN, place.y0, 0.1 / WIDTH_IN, place.height))
    drawn = figure.colorbar(
        ScalarMappable(scale.norm, scale.colours), cax=bar, ticks=MaxNLocator(5, steps=[1, 2, 5, 10])
    )
    drawn.set_label(scale.label, fontsize=6.5)
    drawn.outline.set_linewidth(0.4)
    bar.grid(visible=False)
