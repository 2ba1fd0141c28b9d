"""The symbols of a map of values: what is known at a position by shape, how much by colour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import Colormap, Normalize
from matplotlib.lines import Line2D

from tapeline.report.figure_style import BOTH_ARROWS, DOTTED_RING, DOWN_ARROW, UP_ARROW, VERDICT_COLOURS
from tapeline.report.map_marks import Mark

MARK_PT = 7.5
INK = "#333333"
HOLE = 0.5
"""Size of the hole in a ring or diamond as a share of the whole's."""
HOLLOW = {"not shown": "o", "equivalent": "D"}
"""Shapes of differences that are known and not shown; so they stand in the panels of bands too."""
DIAMOND = 0.85
"""Size of a diamond as a share of a ring's that looks as large."""
UNUSABLE = {"marker": "x", "markersize": 0.7 * MARK_PT, "color": VERDICT_COLOURS["unusable"], "markeredgewidth": 1.4}
NOT_MEASURED = {"marker": DOTTED_RING, "markersize": 0.55 * MARK_PT, "fillstyle": "none", "markeredgewidth": 0.7}
ARROW = {"markersize": MARK_PT, "fillstyle": "none", "markeredgewidth": 1.1}


@dataclass(frozen=True)
class ColourScale:
    """The colours of a map: their ends in dB and what they are."""

    colours: Colormap
    lowest_db: float
    highest_db: float
    label: str

    @property
    def norm(self) -> Normalize:
        """Decibels to the colours' range."""
        return Normalize(self.lowest_db, self.highest_db)

    def colour(self, value_db: float) -> tuple[float, ...]:
        """The colour of a value, red, green, blue and opacity."""
        return tuple(float(part) for part in self.colours(self.norm(value_db)))

    def is_dark(self, value_db: float) -> bool:
        """Whether white is read better than black on a value's colour: by its luma (ITU-R BT.601)."""
        red, green, blue, _ = self.colour(value_db)
        return 0.299 * red + 0.587 * green + 0.114 * blue < 0.5


def draw_mark(axes: Axes, place: tuple[float, float], mark: Mark, scale: ColourScale) -> None:
    """Draw one mark: a value is filled, a difference not shown hollow, a bound an arrow and never a point."""
    if mark.status == "unusable":
        _draw(axes, place, "unusable", **UNUSABLE)
    elif mark.status == "not measured":
        _draw(axes, place, "not-measured", **NOT_MEASURED)
    elif mark.value_db is None:
        arrow, gid = _arrow(mark)
        _draw(axes, place, gid, marker=arrow, **ARROW)
    else:
        gid = mark.status.replace(" ", "-")
        colour, shape = scale.colour(mark.value_db), HOLLOW.get(mark.status, "o")
        size = MARK_PT * (DIAMOND if shape == "D" else 1.0)
        _draw(axes, place, gid, marker=shape, markersize=size, markerfacecolor=colour, markeredgewidth=0.6)
        if mark.status in HOLLOW:
            hole = HOLE * size
            _draw(axes, place, "hole", marker=shape, markersize=hole, markerfacecolor="white", markeredgewidth=0.5)
        elif mark.signed and mark.value_db:
            _draw_sign(axes, place, mark.value_db, scale)


def _draw_sign(axes: Axes, place: tuple[float, float], value_db: float, scale: ColourScale) -> None:
    """A plus or minus in a filled mark, so that the sign is seen without colour."""
    colour = "white" if scale.is_dark(value_db) else "black"
    sign, gid = ("+", "sign-plus") if value_db > 0 else ("_", "sign-minus")
    _draw(axes, place, gid, marker=sign, markersize=0.5 * MARK_PT, color=colour, markeredgewidth=0.9)


def _arrow(mark: Mark) -> tuple[Any, str]:
    if mark.upper_db is not None:
        return DOWN_ARROW, "bound-at-most"
    return (UP_ARROW, "bound-at-least") if mark.lower_db is not None else (BOTH_ARROWS, "bound-unknown")


def _draw(axes: Axes, place: tuple[float, float], gid: str, **look: Any) -> None:
    given = {"color": INK, "markeredgecolor": look.get("color", INK), **look}
    axes.plot(*place, linestyle="none", gid=gid, zorder=4, **given)


def legend_handles(scale: ColourScale, *, signed: bool) -> list[Artist]:
    """The symbols with their words: of differences where `signed`, else of levels."""
    filled = tuple(float(part) for part in scale.colours(0.75))
    point = {"marker": "o", "markersize": 5.5, "markerfacecolor": filled, "markeredgewidth": 0.6}
    hollow = {"markersize": 4.5, "markerfacecolor": "white", "markeredgecolor": filled, "markeredgewidth": 1.7}
    if signed:
        values = [
            _handle("shown", **point),
            _handle("equivalent", **hollow | {"marker": HOLLOW["equivalent"], "markersize": 4.5 * DIAMOND}),
            _handle("not shown", **hollow, marker=HOLLOW["not shown"]),
            _handle("at most", marker=DOWN_ARROW, **ARROW),
            _handle("at least", marker=UP_ARROW, **ARROW),
            _handle("bounds, unknown", marker=BOTH_ARROWS, **ARROW),
        ]
    else:
        values = [_handle("value", **point), _handle("upper bound", marker=DOWN_ARROW, **ARROW)]
    return [*values, _handle("unusable", **UNUSABLE), _handle("not measured", **NOT_MEASURED)]


def _handle(label: str, **look: Any) -> Artist:
    return Line2D([], [], linestyle="none", label=label, **{"color": INK, "markeredgecolor": INK, **look})
