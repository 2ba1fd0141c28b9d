"""One sensor over all sessions: individuals and moving ranges as control charts."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tapeline.limits import CONTROL_LIMITS_SESSIONS, MOVING_RANGE_LIMIT_MEAN_RANGES
from tapeline.report.common_shifts import CommonShift
from tapeline.report.figure_data import FigureData
from tapeline.report.figure_files import FigureShelf
from tapeline.report.figure_panels import WIDTH_IN, Heading, headed_figure, legend_line
from tapeline.report.figures_bands import rounded_limits
from tapeline.report.history_text import CSV_FILE
from tapeline.report.sensor_history import HistoryPoint, SensorHistory, SensorSeries
from tapeline.report.wording import counted, listed, number, short
from tapeline.statistics.control_chart import INDIVIDUALS_FACTOR

VALUE_COLOUR, RAW_COLOUR, LIMIT_COLOUR, FOUND_COLOUR, SHIFT_COLOUR = (
    "#1b4965",
    "#8f8f8a",
    "#7a5c2e",
    "#5c1130",
    "#2f8f7f",
)
LIMIT_DASHES = (0, (4, 3))
SHIFT_DASHES = (0, (1, 1.5))
INDIVIDUALS_IN, RANGES_IN, GAP_IN = 2.0, 1.0, 0.3
UPRIGHT_LABELS = 6
"""With more sessions than this their names stand upright."""
LABEL_CHARACTERS = 26
CHARACTER_IN = 0.048
"""Length of one character of an upright label."""
SHOWN_DIFFERENCE_DB = 0.02
"""A value as measured is drawn apart where its mark would not hide behind the other."""


def write_figures(history: SensorHistory, folder: Path) -> list[str]:
    """Draw every sensor that was ever checked into `folder`; the names of the files.

    A file of the other kind that an earlier drawing of the same sensor left is taken away.
    """
    shelf = FigureShelf(folder, kept=False)
    shelf.written.add(CSV_FILE)
    large = [shift for shift in history.shifts if shift.large]
    pictures = []
    for series in history.series:
        if series.checked:
            caption = f"Sensitivity of {series.sensor} over the sessions."
            drawing = partial(history_figure, series, large)
            pictures.append(shelf.add((series.sensor,), drawing, alt=caption, caption=caption, data=_data(series)))
    shelf.draw()
    names = [Path(picture.file).name for picture in pictures]
    for name in names:
        (folder / name).with_suffix(".png" if name.endswith(".svg") else ".svg").unlink(missing_ok=True)
    return names


def _data(series: SensorSeries) -> FigureData:
    points = series.checked
    names = ("before_db", "after_db", "value_db", "accumulated_shift_db", "shift_removed_db", "moving_range_db")
    return FigureData(
        {
            "sensor": [series.sensor] * len(points),
            "session": [point.check.session.label for point in points],
            **{name: [getattr(point, name) for point in points] for name in names},
        }
    )


def history_figure(series: SensorSeries, shifts: Sequence[CommonShift]) -> Figure:
    """Individuals over moving ranges of one sensor, sessions in order of time at equal distances.

    Filled marks are the values that rules are applied to, hollow ones the values before the common shift was taken
    out. `shifts` are marked where they fall on one of the sensor's sessions. At least one session must carry a value.
    """
    points = series.checked
    upright = len(points) > UPRIGHT_LABELS
    labels = [_label(point, "  " if upright else "\n") for point in points]
    below_in = 0.15 + CHARACTER_IN * max(map(len, labels)) if upright else 0.42
    body_in = INDIVIDUALS_IN + GAP_IN + RANGES_IN
    heading = Heading(f"Sensor {series.sensor}: sensitivity over {counted(len(points), 'session')}", _selection(series))
    figure, bottom, top = headed_figure(heading, body_in, bottom_in=below_in, top_in=0.62)
    height_in = float(figure.get_size_inches()[1])
    left, width = 0.6 / WIDTH_IN, 1 - 0.7 / WIDTH_IN
    upper = figure.add_axes((left, (top - INDIVIDUALS_IN) / height_in, width, INDIVIDUALS_IN / height_in))
    lower = figure.add_axes((left, bottom / height_in, width, RANGES_IN / height_in), sharex=upper)
    upper.tick_params(labelbottom=False)
    _individuals(upper, series, points)
    _moving_ranges(lower, series, points)
    marked = _shifts(upper, points, shifts)
    upper.set_ylabel(f"against the {series.against}, dB")
    lower.set_ylabel("moving range, dB")
    lower.set_xticks(range(len(points)), labels, rotation=90 if upright else 0)
    lower.set_xlim(-0.6, len(points) - 0.4)
    legend_line(figure, _handles(series, points, marked))
    return figure


def _selection(series: SensorSeries) -> str:
    without = len(series.points) - len(series.checked)
    campaigns = list(dict.fromkeys(point.check.session.campaign for point in series.points))
    left_out = f"; {counted(without, 'session')} without a check left out" if without else ""
    return (
        f"sensor {series.sensor}; {counted(len(campaigns), 'campaign')}: {listed(campaigns)}; one value a session: "
        f"mean level of the checks before and after{left_out}; common shift of all sensors taken out; limits from "
        f"{CONTROL_LIMITS_SESSIONS} values on, anew after a step: mean ± {INDIVIDUALS_FACTOR:.2f} and "
        f"{MOVING_RANGE_LIMIT_MEAN_RANGES:g} x mean moving range"
    )


def _label(point: HistoryPoint, between: str) -> str:
    session = point.check.session
    return f"{short(session.label, LABEL_CHARACTERS)}{between}{session.day}"


def _individuals(axes: Axes, series: SensorSeries, points: Sequence[HistoryPoint]) -> None:
    axes.set_title(f"individuals   n = {len(points)}{_limits_words(series, points)}")
    used = [_number(point.shift_removed_db) for point in points]
    raw = [_number(point.value_db) for point in points]
    spread = [point.check.standard_uncertainty_db or 0.0 for point in points]
    for stage in sorted({point.stage for point in points if point.stage is not None and point.stage >= 0}):
        inside = [index for index, point in enumerate(points) if point.stage == stage]
        axes.plot(inside, [used[index] for index in inside], color=VALUE_COLOUR, linewidth=0.8)
        _limit_lines(axes, series, stage, (inside[0] - 0.4, inside[-1] + 0.4))
    for index, (value, reach) in enumerate(zip(used, spread, strict=True)):
        if reach:
            axes.plot([index, index], [value - reach, value + reach], color=VALUE_COLOUR, linewidth=0.5)
    axes.plot(range(len(points)), used, linestyle="none", marker="o", color=VALUE_COLOUR, markersize=4, gid="used")
    apart = [index for index, point in enumerate(points) if _apart(point)]
    axes.plot(
        apart,
        [raw[index] for index in apart],
        linestyle="none",
        marker="o",
        color=RAW_COLOUR,
        markerfacecolor="white",
        markersize=4,
        gid="raw",
    )
    for kind, marker, size in (("step", "s", 9.0), ("trend", "^", 8.0)):
        found = [index for index, point in enumerate(points) if kind in _kinds(series, point)]
        axes.plot(
            found,
            [used[index] for index in found],
            linestyle="none",
            marker=marker,
            markersize=size,
            markerfacecolor="none",
            markeredgecolor=FOUND_COLOUR,
            gid=kind,
        )
    reached = [sign * reach + value for value, reach in zip(used, spread, strict=True) for sign in (-1.0, 1.0)]
    bounds = [bound for limits in series.limits.values() for bound in (limits.lower, limits.upper)]
    axes.set_ylim(rounded_limits([*reached, *raw, *bounds], 0.1, 0.05, 0.6))


def _limit_lines(axes: Axes, series: SensorSeries, stage: int, across: tuple[float, float]) -> None:
    limits = series.limits.get(stage)
    if limits is None:
        return
    axes.plot(across, [limits.centre] * 2, color=LIMIT_COLOUR, linewidth=0.7, gid="mean")
    for bound in (limits.lower, limits.upper):
        axes.plot(across, [bound] * 2, color=LIMIT_COLOUR, linewidth=0.8, linestyle=LIMIT_DASHES, gid="limit")


def _limits_words(series: SensorSeries, points: Sequence[HistoryPoint]) -> str:
    """Of the stage that the sensor is in now: its limits, or that it has none yet."""
    stage = max(point.stage for point in points if point.stage is not None)
    count = sum(point.stage == stage for point in points)
    since = f" since {points[[point.stage for point in points].index(stage)].check.session.label}" if stage else ""
    if stage not in series.limits:
        return f";{since} n = {count}: no limits yet" if stage else ": no limits yet"
    limits = series.limits[stage]
    return (
        f"; limits{since} {number(limits.lower, 2, signed=True)} to {number(limits.upper, 2, signed=True)} dB "
        f"from n = {count}"
    )


def _moving_ranges(axes: Axes, series: SensorSeries, points: Sequence[HistoryPoint]) -> None:
    known = [(index, point.moving_range_db) for index, point in enumerate(points) if point.moving_range_db is not None]
    axes.set_title(f"moving range   n = {len(known)}")
    axes.plot(
        [index for index, _ in known],
        [value for _, value in known],
        color=VALUE_COLOUR,
        marker="o",
        markersize=3,
        linewidth=0.8,
        gid="ranges",
    )
    for stage, limits in series.limits.items():
        inside = [index for index, point in enumerate(points) if point.stage == stage]
        across = (inside[0] + 0.6, inside[-1] + 0.4)
        axes.plot(across, [limits.mean_moving_range] * 2, color=LIMIT_COLOUR, linewidth=0.7, gid="mean")
        axes.plot(
            across,
            [limits.upper_moving_range] * 2,
            color=LIMIT_COLOUR,
            linewidth=0.8,
            linestyle=LIMIT_DASHES,
            gid="limit",
        )
    bounds = [limits.upper_moving_range for limits in series.limits.values()]
    axes.set_ylim(0.0, rounded_limits([0.0, *(value for _, value in known), *bounds], 0.1, 0.05, 0.3)[1])


def _shifts(axes: Axes, points: Sequence[HistoryPoint], shifts: Sequence[CommonShift]) -> bool:
    """Mark the common shifts at the sensor's sessions; whether there was one."""
    across = {point.check.session: index for index, point in enumerate(points)}
    here = [shift for shift in shifts if shift.later in across]
    for shift in here:
        x = across[shift.later] - 0.5
        axes.axvline(x, color=SHIFT_COLOUR, linewidth=1.0, linestyle=SHIFT_DASHES, gid="common")
        size = shift.shift_db if shift.crept_db is None else shift.crept_db
        axes.annotate(
            f"all {number(size, 2, signed=True)} dB",
            (x, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(2, -2),
            textcoords="offset points",
            va="top",
            fontsize=5.5,
        )
    return bool(here)


def _kinds(series: SensorSeries, point: HistoryPoint) -> set[str]:
    return {finding.kind for finding in series.findings if point.check.session in finding.sessions}


def _apart(point: HistoryPoint) -> bool:
    return abs(point.accumulated_shift_db) > SHOWN_DIFFERENCE_DB


def _number(value: float | None) -> float:
    return float("nan") if value is None else value


def _handles(series: SensorSeries, points: Sequence[HistoryPoint], shifted: bool) -> list[Artist]:
    kinds = {finding.kind for finding in series.findings}
    apart = any(_apart(point) for point in points)
    used = Line2D([], [], color=VALUE_COLOUR, marker="o", markersize=4, linewidth=0.8,
                  label="common shift taken out" if apart else "mean of checks")  # fmt: skip
    every: list[tuple[bool, Artist]] = [
        (True, used),
        (apart, Line2D([], [], linestyle="none", marker="o", color=RAW_COLOUR, markerfacecolor="white", markersize=4,
                       label="as measured")),
        (any(point.check.standard_uncertainty_db for point in points),
         Line2D([], [], linestyle="none", marker="|", color=VALUE_COLOUR, markersize=6,
                label="± standard uncertainty")),
        (bool(series.limits), Line2D([], [], color=LIMIT_COLOUR, linewidth=0.7, label="mean")),
        (bool(series.limits), Line2D([], [], color=LIMIT_COLOUR, linewidth=0.8, linestyle=LIMIT_DASHES, label="limit")),
        ("step" in kinds, Line2D([], [], linestyle="none", marker="s", markersize=6, markerfacecolor="none",
                                 markeredgecolor=FOUND_COLOUR, label="step")),
        ("trend" in kinds, Line2D([], [], linestyle="none", marker="^", markersize=6, markerfacecolor="none",
                                  markeredgecolor=FOUND_COLOUR, label="trend")),
        (shifted, Line2D([], [], color=SHIFT_COLOUR, linewidth=1.0, linestyle=SHIFT_DASHES, label="all sensors moved")),
    ]  # fmt: skip
    return [handle for shown, handle in every if shown]
