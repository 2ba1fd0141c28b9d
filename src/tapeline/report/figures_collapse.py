"""Band levels of several speeds brought to one speed, over f/U and over frequency: on which do they fall together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator
from numpy.typing import NDArray

from tapeline.report.figure_panels import WIDTH_IN, Heading, headed_figure, legend_line
from tapeline.report.figure_style import frequency_axis, speed_look
from tapeline.report.figures_bands import Limits, rounded_limits
from tapeline.report.finished_tables import Row
from tapeline.report.speed_levels import SpeedLevel, speeds_of
from tapeline.report.wording import counted, interval, number, short, speed

Side: TypeAlias = Literal["strouhal", "frequency"]

LEFT_IN, RIGHT_IN, BETWEEN_IN = 0.5, 0.08, 0.16
PANEL_IN, GAP_IN = 1.45, 0.68
STEPS = (1.0, 2.0, 5.0)
ADJOINING = 1.001
"""Edges of neighbouring bands differ by rounding alone."""


@dataclass(frozen=True)
class CollapseSeries:
    """A row of the table `collapse`, the words of its condition, its levels, and the speed they are brought to."""

    row: Row
    condition: str
    levels: tuple[SpeedLevel, ...]
    reference_mps: float

    @property
    def name(self) -> str:
        """Position, condition, session, and the yaw where it is not zero."""
        yaw = f", yaw {self.row['yaw_deg']:g}°" if self.row["yaw_deg"] else ""
        return f"{self.row['position']}, {short(self.condition, 26)}, {self.row['session']}{yaw}"


def at_reference_db(level: SpeedLevel, exponent: float, reference_mps: float) -> float:
    """The level less 10 n lg(U / U_ref)."""
    return level.level_db - 10.0 * exponent * math.log10(level.speed_mps / reference_mps)


def abscissa(level: SpeedLevel, side: Side, length_m: float | None) -> float:
    """St = f l / U, or f/U in 1/m where no length is stated; over frequency the midband."""
    midband = level.midband_hz or 0.0
    return midband if side == "frequency" else midband / level.speed_mps * (length_m or 1.0)


def side_title(row: Row, side: Side) -> str:
    """Exponent and scatter on one side, as the table has them."""
    ends = interval(row[f"{side}_exponent_lower"], row[f"{side}_exponent_upper"])
    exponent, scatter = number(row[f"{side}_exponent"]), number(row[f"{side}_scatter_db"], 2)
    over = "f" if side == "frequency" else "f/U" if row["length_m"] is None else "St"
    return f"over {over}: exponent {exponent} ({ends}), scatter {scatter} dB"


def collapse_figure(every: Sequence[CollapseSeries], heading: Heading, unit: str, reference_pa: float) -> Figure:
    """Two panels a series, over f/U (or St) and over f; a mark, shade and dash pattern a speed.

    Levels have the scale of one pair in every pair; marks are single runs, lines means over those of a speed.
    """
    rows = max(len(every), 1)
    figure, _, top = headed_figure(heading, rows * PANEL_IN + (rows - 1) * GAP_IN, bottom_in=0.46, top_in=0.74)
    height_in = figure.get_size_inches()[1]
    width_in = (WIDTH_IN - LEFT_IN - RIGHT_IN - BETWEEN_IN) / 2
    speeds = speeds_of([level for series in every for level in series.levels])
    limits = _limits(every)
    for index, series in enumerate(every):
        low = top - (index + 1) * PANEL_IN - index * GAP_IN
        for column, side in enumerate(("strouhal", "frequency")):
            left = LEFT_IN + column * (width_in + BETWEEN_IN)
            place = (left / WIDTH_IN, low / height_in, width_in / WIDTH_IN, PANEL_IN / height_in)
            axes = figure.add_axes(place)
            _draw_side(axes, series, side, speeds)  # type: ignore[arg-type]
            axes.set_ylim(limits[index])
            axes.tick_params(labelleft=column == 0)
            if column == 0:
                axes.set_ylabel(f"band level, dB re {reference_pa * 1e6:g} µPa")
                said = f"{series.name}   n = {counted(len(series.levels), 'level')}"
                axes.annotate(said, (0, 1), (0, 14), "axes fraction", textcoords="offset points",
                              fontweight="bold", fontsize=7)  # fmt: skip
    legend_line(figure, _handles(speeds, unit))
    return figure


def _brought(series: CollapseSeries, side: Side) -> list[tuple[SpeedLevel, float, float]]:
    """Each level with its abscissa and its value at the reference speed."""
    exponent = series.row[f"{side}_exponent"]
    return [
        (level, abscissa(level, side, series.row["length_m"]), at_reference_db(level, exponent, series.reference_mps))
        for level in series.levels
    ]


def _limits(every: Sequence[CollapseSeries]) -> list[Limits]:
    """Level axes by series, all of one span."""
    found = [
        rounded_limits([value for side in ("strouhal", "frequency") for *_, value in _brought(series, side)],
                       5.0, 1.0, 20.0)
        for series in every
    ]  # fmt: skip
    span = max((high - low for low, high in found), default=20.0)
    return [((low + high - span) / 2, (low + high + span) / 2) for low, high in found]


def mean_line(own: Sequence[tuple[SpeedLevel, float, float]]) -> NDArray[np.float64]:
    """Means by band over the runs of one speed, (points, 2) by abscissa; NaN where a band is missing between two."""
    points: list[tuple[float, float]] = []
    upper_hz = None
    for band in sorted({level.midband_hz for level, *_ in own if level.midband_hz is not None}):
        group = [(level, x, y) for level, x, y in own if level.midband_hz == band]
        lower_hz = group[0][0].lower_hz
        if upper_hz is not None and lower_hz is not None and lower_hz > upper_hz * ADJOINING:
            points.append((math.nan, math.nan))
        points.append((float(np.mean([x for _, x, _ in group])), float(np.mean([y for *_, y in group]))))
        upper_hz = group[0][0].upper_hz
    return np.array(points, dtype=np.float64).reshape(-1, 2)


def _draw_side(axes: Axes, series: CollapseSeries, side: Side, speeds: Sequence[float]) -> None:
    brought = _brought(series, side)
    for index, nominal in enumerate(speeds):
        own = [(level, x, y) for level, x, y in brought if level.nominal_mps == nominal]
        if not own:
            continue
        colour, mark, dashes = speed_look(index, len(speeds))
        axes.plot([x for _, x, _ in own], [y for *_, y in own], linestyle="none", marker=mark, markersize=3,
                  markerfacecolor="white", markeredgewidth=0.7, color=colour, gid=f"{side} {nominal:.6g}")  # fmt: skip
        means = mean_line(own)
        axes.plot(means[:, 0], means[:, 1], color=colour, linestyle=dashes, linewidth=0.8,
                  gid=f"mean {side} {nominal:.6g}")  # fmt: skip
    axes.set_title(side_title(series.row, side))
    ends = [x for _, x, _ in brought]
    low, high = min(ends) / 1.12, max(ends) * 1.12
    if side == "frequency":
        frequency_axis(axes, low, high)
        axes.set_xlabel("midband frequency f, Hz")
    else:
        _ratio_axis(axes, low, high)
        length = series.row["length_m"]
        stated = f"St = f l/U, l = {1000.0 * (length or 0.0):g} mm ({series.row['length_source']})"
        axes.set_xlabel("f/U, 1/m" if length is None else stated)


def _ratio_axis(axes: Axes, low: float, high: float) -> None:
    """A logarithmic axis with ticks at 1, 2 and 5 of every decade."""
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = [step * 10.0**decade for decade in decades for step in STEPS if low <= step * 10.0**decade <= high]
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_major_formatter(FixedFormatter([f"{tick:g}" for tick in ticks]))
    axes.xaxis.set_minor_locator(NullLocator())


def _handles(speeds: Sequence[float], unit: str) -> list[Artist]:
    handles: list[Artist] = []
    for index, nominal in enumerate(speeds):
        colour, mark, dashes = speed_look(index, len(speeds))
        handles.append(Line2D([], [], color=colour, marker=mark, linestyle=dashes, markerfacecolor="white",
                              markeredgewidth=0.7, linewidth=0.8, label=speed(nominal, unit)))  # fmt: skip
    return handles
