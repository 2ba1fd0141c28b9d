"""Overall level over speed, with the straight line that the exponent stands for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from tapeline.arrays import Reals
from tapeline.campaign.operating_points import MPS_PER_UNIT
from tapeline.report.figure_panels import Heading, cut_name, legend_line, panel_grid
from tapeline.report.figure_style import condition_face, condition_look, condition_mark
from tapeline.report.figures_bands import Limits, bound_handle, draw_bounds, rounded_limits
from tapeline.report.finished_tables import Row
from tapeline.report.speed_levels import SpeedLevel, SpeedSeries, line_db
from tapeline.report.wording import counted, interval, number, short

INK = "#444444"
REFERENCE_COLOUR = "#b9b9b2"
LEAST_GAP = 0.14
"""Speeds nearer than this share of the axis get one label."""
LINE_POINTS = 2
AXIS_MARGIN = 0.06
CROSSED = 5.5
"""Size of the marks that have a cross in them: the condition is told by them where colour tells nothing."""
BESIDE = 0.03
"""Arrows of two conditions stand so far beside each other, as a share of the axis."""
CORNERS: dict[bool, Literal["lower right", "upper left"]] = {True: "lower right", False: "upper left"}
"""Levels rise to the right: these two corners stay free."""


@dataclass(frozen=True)
class SpeedAxis:
    """Nominal speeds (m/s) that get a tick, and the unit in which they are labelled."""

    nominal_mps: tuple[float, ...]
    unit: str


def exponent_words(row: Row, *, doubtful: bool = False) -> str:
    """The exponent with its interval, "exponent 5.9 (5.2 to 6.6)", or why there is none.

    Of two speeds it is weak; of a doubtful channel it has a question mark.
    """
    if row["exponent"] is None:
        return f"no exponent: {', '.join(row['left_out'] or ()) or 'too few levels'}"
    weak = ", weak" if row["speeds"] == 2 else ""
    mark = "?" if doubtful else ""
    return f"exponent {number(row['exponent'])}{mark} ({interval(row['exponent_lower'], row['exponent_upper'])}){weak}"


def speed_figure(
    panels: Mapping[str, Sequence[SpeedSeries]],
    titles: Mapping[str, str],
    heading: Heading,
    axis: SpeedAxis,
    y_label: str,
) -> Figure:
    """Levels of single runs over the logarithm of speed, a panel a position, a line and mark a condition.

    `panels` holds one series a condition; `titles` the words of all conditions, in the settings' order.
    """
    figure, every = panel_grid(len(panels), heading, f"speed, {axis.unit}", y_label, panel_in=1.55)
    shown = [level for panel in panels.values() for series in panel for level in series.levels]
    limits = speed_limits([series for panel in panels.values() for series in panel])
    speed_axis(every[0], axis, [level.speed_mps for level in shown])
    every[0].set_ylim(limits)
    for axes, (position, panel) in zip(every, panels.items(), strict=False):
        axes.set_title(cut_name(axes, position, level_counts(panel)))
        _draw_reference(axes, panel, MPS_PER_UNIT[axis.unit])
        for index, series in enumerate(panel):
            beside = BESIDE * (index - (len(panel) - 1) / 2)
            _draw_series(axes, series, tuple(titles), limits, MPS_PER_UNIT[axis.unit], beside)
        _exponents(axes, panel, tuple(titles), limits)
    legend_line(figure, _handles(panels, titles))
    return figure


def level_counts(panel: Sequence[SpeedSeries]) -> str:
    """How many levels a panel shows: in fits, left out of one, without any, and bounds."""
    parts = Counter(level.part for series in panel for level in series.levels)
    said = [counted(parts["in the fit"], "level")] if parts["in the fit"] else []
    said += [f"{parts['left out']} left out"] if parts["left out"] else []
    said += [f"{parts['no fit']} without a fit"] if parts["no fit"] else []
    return ", ".join([*said, *([counted(parts["bound"], "bound")] if parts["bound"] else [])]) or "no levels"


def speed_limits(every: Sequence[SpeedSeries]) -> Limits:
    """One level axis for all positions, at most 60 dB deep."""
    values: list[float | None] = [level.level_db for series in every for level in series.levels]
    low, high = rounded_limits(values, 5.0, 2.0, 15.0)
    return max(low, high - 60.0), high


def speed_axis(axes: Axes, axis: SpeedAxis, speed_mps: Sequence[float]) -> None:
    """A logarithmic axis of speed with ticks at the nominal speeds, those too near the one before without."""
    unit_mps = MPS_PER_UNIT[axis.unit]
    ends = [value / unit_mps for value in (*speed_mps, *axis.nominal_mps)] or [1.0]
    low, high = min(ends), max(ends)
    margin = max((high / low) ** AXIS_MARGIN, 1.02)
    axes.set_xscale("log")
    axes.set_xlim(low / margin, high * margin)
    span = np.log(high * margin * margin / low)
    kept: list[float] = []
    for value in sorted(nominal / unit_mps for nominal in axis.nominal_mps):
        if not kept or np.log(value / kept[-1]) >= LEAST_GAP * span:
            kept.append(value)
    axes.xaxis.set_major_locator(FixedLocator(kept))
    axes.xaxis.set_major_formatter(FixedFormatter([f"{round(value, 1):g}" for value in kept]))
    axes.xaxis.set_minor_locator(NullLocator())


def _draw_reference(axes: Axes, panel: Sequence[SpeedSeries], unit_mps: float) -> None:
    """An upright line at the speed that the table's level is for."""
    for reference in {series.row["reference_speed_mps"] for series in panel if series.fitted}:
        axes.axvline(reference / unit_mps, color=REFERENCE_COLOUR, linewidth=0.7, linestyle=(0, (1.0, 1.5)))


def _draw_series(
    axes: Axes, series: SpeedSeries, conditions: Sequence[str], limits: Limits, unit_mps: float, beside: float
) -> None:
    """Marks, arrows and line of a condition; its arrows are drawn `beside` their speed, a share of the axis."""
    name = series.row["condition"]
    (colour, dashes), mark = condition_look(conditions, name), condition_mark(conditions, name)
    for part, drawn_as in (("in the fit", mark), ("left out", "x"), ("no fit", "x")):
        levels = [level for level in series.levels if level.part == part]
        if levels:
            x, y = _places(levels, unit_mps)
            if drawn_as == "x":
                axes.plot(x, y, linestyle="none", marker=mark, color=colour, markersize=CROSSED, markeredgewidth=0.4,
                          markerfacecolor="white", gid=f"{name} crossed")  # fmt: skip
            axes.plot(x, y, linestyle="none", marker=drawn_as, color=colour, markersize=3.4, markeredgewidth=0.8,
                      markerfacecolor=condition_face(conditions, name), gid=f"{name} {part}")  # fmt: skip
    bounds = [level for level in series.levels if level.part == "bound"]
    x, y = _places(bounds, unit_mps)
    low, high = axes.get_xlim()
    draw_bounds(axes, x * (high / low) ** beside, y, limits, colour=colour)
    if series.fitted:
        ends = np.geomspace(series.row["lowest_speed_mps"], series.row["highest_speed_mps"], LINE_POINTS)
        line = [line_db(series.row, float(speed)) for speed in ends]
        axes.plot(ends / unit_mps, line, color=colour, linestyle=dashes, linewidth=0.9, gid=f"{name} line")


def _places(levels: Sequence[SpeedLevel], unit_mps: float) -> tuple[Reals, Reals]:
    return np.array([level.speed_mps / unit_mps for level in levels]), np.array([level.level_db for level in levels])


def _exponents(axes: Axes, panel: Sequence[SpeedSeries], conditions: Sequence[str], limits: Limits) -> None:
    """The exponents of a panel, in the corner that its levels leave free."""
    handles = [
        _series_handle(series, conditions, short(exponent_words(series.row, doubtful=series.doubtful), 40))
        for series in panel
    ]
    levels = [level.level_db for series in panel for level in series.levels]
    above = bool(levels) and float(np.mean(levels)) >= sum(limits) / 2
    axes.legend(handles=handles, loc=CORNERS[above], fontsize=5.5, handlelength=2.4, labelspacing=0.25,
                borderaxespad=0.2)  # fmt: skip


def _series_handle(series: SpeedSeries, conditions: Sequence[str], label: str) -> Line2D:
    name = series.row["condition"]
    colour, dashes = condition_look(conditions, name)
    mark, face = condition_mark(conditions, name), condition_face(conditions, name)
    return Line2D([], [], color=colour, linestyle=dashes if series.fitted else "none", linewidth=0.9, markersize=3.4,
                  marker=mark, markerfacecolor=face, label=label)  # fmt: skip


def _handles(panels: Mapping[str, Sequence[SpeedSeries]], titles: Mapping[str, str]) -> list[Artist]:
    every = [series for panel in panels.values() for series in panel]
    used = {series.row["condition"]: series for series in sorted(every, key=lambda series: series.fitted)}
    names = [*(name for name in titles if name in used), *(name for name in used if name not in titles)]
    width = max(12, 80 // max(len(names), 1))
    handles: list[Artist] = [
        _series_handle(used[name], tuple(titles), short(titles.get(name, name), width)) for name in names
    ]
    parts = {level.part for series in every for level in series.levels}
    if parts & {"left out", "no fit"}:
        handles.append(Line2D([], [], color=INK, linestyle="none", marker="x", label="in no fit"))
    if "bound" in parts:
        handles.append(bound_handle())
    return handles
