"""One sensor over all sessions: individuals and moving ranges as control charts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from tapeline.limits import CONTROL_LIMITS_SESSIONS, MOVING_RANGE_LIMIT_MEAN_RANGES
from tapeline.report.charts.figure import WIDTH_PX, Figure, Key, figure_of
from tapeline.report.charts.markup import text
from tapeline.report.charts.panel import LETTER_PX, Box, Panel
from tapeline.report.charts.scales import rounded_limits
from tapeline.report.common_shifts import CommonShift
from tapeline.report.figure_data import FigureData, csv_text
from tapeline.report.figure_files import STYLE, drawing_text
from tapeline.report.history_text import CSV_FILE
from tapeline.report.sensor_history import HistoryPoint, SensorHistory, SensorSeries
from tapeline.report.wording import counted, listed, number, short
from tapeline.statistics.control_chart import INDIVIDUALS_FACTOR
from tapeline.store.atomic import replacing

INDIVIDUALS, RANGES = (46.0, 226.0), (258.0, 348.0)
"""Top and bottom of the two panels, in pixels."""

LEVEL_LABELS = 5
"""With more sessions than this their names stand upright."""

LABEL_CHARACTERS = 26
SHOWN_DIFFERENCE_DB = 0.02
"""A value as measured is drawn apart where its mark would not hide behind the other."""

COLUMNS = ("before_db", "after_db", "value_db", "accumulated_shift_db", "shift_removed_db", "moving_range_db")


def write_figures(history: SensorHistory, folder: Path) -> list[str]:
    """Draw every sensor that was ever checked into `folder`, its numbers beside it; the names of the drawings."""
    large = [shift for shift in history.shifts if shift.large]
    style = STYLE.read_text(encoding="utf-8")
    names = []
    for series in history.series:
        if series.checked:
            figure = history_figure(series, large)
            stem = f"{figure.stem}-sensor" if f"{figure.stem}.csv" == CSV_FILE else figure.stem
            for name, content in ((f"{stem}.svg", drawing_text(figure, style)), (f"{stem}.csv", csv_text(figure.data))):
                with replacing(folder / name) as temporary:
                    temporary.write_bytes(content.encode("utf-8"))
            names.append(f"{stem}.svg")
    return names


def history_figure(series: SensorSeries, shifts: Sequence[CommonShift]) -> Figure:
    """Individuals over moving ranges of one sensor, sessions in order of time at equal distances.

    Filled marks are the values that rules are applied to, hollow ones the values before the common shift was taken
    out. `shifts` are marked where they fall on one of the sensor's sessions. At least one session must carry a value.
    """
    points = series.checked
    limits = (-0.6, len(points) - 0.4)
    upper = Panel(
        Box(58.0, INDIVIDUALS[0], WIDTH_PX - 8.0, INDIVIDUALS[1]),
        limits,
        _value_limits(series),
        f"individuals, n = {len(points)}{_limits_words(series)}",
        x_ticks=list(map(float, range(len(points)))),
        y_label=f"against the {series.against}, dB",
    )
    lower = Panel(
        Box(58.0, RANGES[0], WIDTH_PX - 8.0, RANGES[1]),
        limits,
        (0.0, _highest_range(series)),
        f"moving range, n = {sum(point.moving_range_db is not None for point in points)}",
        x_ticks=list(map(float, range(len(points)))),
        y_label="moving range, dB",
    )
    _draw_values(upper, series)
    _draw_ranges(lower, series)
    marked = _draw_shifts(upper, points, shifts)
    labels, below = _session_names(lower, points)
    words = f"Sensor {series.sensor}: sensitivity over {counted(len(points), 'session')}"
    found = [finding.sentence for finding in series.findings]
    return figure_of(
        (series.sensor,),
        words,
        [upper, lower],
        _keys(series, marked),
        height=below,
        alt=f"{words}. {'. '.join(found) or 'Nothing stands out'}.",
        caption=_selection(series),
        data=FigureData(
            {
                "sensor": [series.sensor] * len(points),
                "session": [point.check.session.label for point in points],
                **{name: [getattr(point, name) for point in points] for name in COLUMNS},
            }
        ),
        more=[text(short(words, 90), 8.0, 12.0, "h"), *labels],
    )


def _selection(series: SensorSeries) -> str:
    without = len(series.points) - len(series.checked)
    campaigns = list(dict.fromkeys(point.check.session.campaign for point in series.points))
    left_out = f"; {counted(without, 'session')} without a check left out" if without else ""
    return (
        f"{counted(len(campaigns), 'campaign')}: {listed(campaigns)}; one value a session, the mean level of the "
        f"checks before and after{left_out}. The common shift of all sensors is taken out. Limits from "
        f"{CONTROL_LIMITS_SESSIONS} values on, anew after a step: mean ± {INDIVIDUALS_FACTOR:.2f} and "
        f"{MOVING_RANGE_LIMIT_MEAN_RANGES:g} x mean moving range."
    )


def _session_names(panel: Panel, points: Sequence[HistoryPoint]) -> tuple[list[str], float]:
    """Session and day below each value, upright where there are many, and where they end."""
    below = panel.box.bottom
    sessions = [point.check.session for point in points]
    names = [short(session.label, LABEL_CHARACTERS) for session in sessions]
    across = [panel.across.at(float(index)) for index in range(len(points))]
    if len(points) <= LEVEL_LABELS:
        named = [text(name, x, below + 14.0, "t", anchor="middle") for name, x in zip(names, across, strict=True)]
        days = [
            text(session.day, x, below + 28.0, "t", anchor="middle")
            for session, x in zip(sessions, across, strict=True)
        ]
        return named + days, below + 34.0
    whole = [f"{name}  {session.day}" for name, session in zip(names, sessions, strict=True)]
    step = max(math.ceil(len(points) * 13.0 / (panel.box.right - panel.box.left)), 1)
    made = [
        text(words, x + 4.0, below + 8.0, "t", anchor="end", turned=True)
        for words, x in list(zip(whole, across, strict=True))[::step]
    ]
    return made, below + 14.0 + LETTER_PX * max(map(len, whole))


def _value_limits(series: SensorSeries) -> tuple[float, float]:
    used, raw = [_number(point.shift_removed_db) for point in series.checked], [p.value_db for p in series.checked]
    reaches = [point.check.standard_uncertainty_db or 0.0 for point in series.checked]
    ends = [value + sign * reach for value, reach in zip(used, reaches, strict=True) for sign in (-1.0, 1.0)]
    bounds = [bound for limits in series.limits.values() for bound in (limits.lower, limits.upper)]
    return rounded_limits([*ends, *raw, *bounds], 0.1, 0.05, 0.6)


def _highest_range(series: SensorSeries) -> float:
    bounds = [limits.upper_moving_range for limits in series.limits.values()]
    return rounded_limits([0.0, *(point.moving_range_db for point in series.checked), *bounds], 0.1, 0.05, 0.3)[1]


def _draw_values(panel: Panel, series: SensorSeries) -> None:
    points = series.checked
    used = [_number(point.shift_removed_db) for point in points]
    for stage in sorted({point.stage for point in points if point.stage is not None and point.stage >= 0}):
        inside = [index for index, point in enumerate(points) if point.stage == stage]
        panel.curve(list(map(float, inside)), [used[index] for index in inside], "nt")
        limits = series.limits.get(stage)
        if limits is not None:
            ends = [inside[0] - 0.4, inside[-1] + 0.4]
            panel.curve(ends, [limits.centre] * 2, "li")
            for bound in (limits.lower, limits.upper):
                panel.curve(ends, [bound] * 2, "li", "4 3")
    known = [(float(i), v, points[i].check.standard_uncertainty_db or 0.0) for i, v in enumerate(used)]
    spread = [each for each in known if each[2]]
    panel.whiskers([x for x, _, _ in spread], [v - r for _, v, r in spread], [v + r for _, v, r in spread])
    panel.dots(list(map(float, range(len(points)))), used, "nt")
    apart = [index for index, point in enumerate(points) if _apart(point)]
    panel.dots(list(map(float, apart)), [_number(points[index].value_db) for index in apart], "bg ho")
    for kind, shape in (("step", "square"), ("trend", "triangle")):
        found = [index for index, point in enumerate(points) if kind in _kinds(series, point)]
        panel.dots(list(map(float, found)), [used[index] for index in found], "em", shape=shape, size=5.0)
    for index, point in enumerate(points):
        kinds = "".join(f", {kind}" for kind in sorted(_kinds(series, point)))
        session = point.check.session
        said = f"{session.label} ({session.day}): {number(used[index], 2, signed=True)} dB"
        panel.reads(
            float(index), used[index], f"{said}, as measured {number(point.value_db, 2, signed=True)} dB{kinds}"
        )


def _limits_words(series: SensorSeries) -> str:
    """Of the stage that the sensor is in now: its limits, or that it has none yet."""
    points = series.checked
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


def _draw_ranges(panel: Panel, series: SensorSeries) -> None:
    points = series.checked
    known = [(float(index), _number(point.moving_range_db)) for index, point in enumerate(points)]
    known = [each for each in known if math.isfinite(each[1])]
    panel.curve([x for x, _ in known], [value for _, value in known], "nt")
    panel.dots([x for x, _ in known], [value for _, value in known], "nt", size=2.6)
    for stage, limits in series.limits.items():
        inside = [index for index, point in enumerate(points) if point.stage == stage]
        ends = [inside[0] + 0.6, inside[-1] + 0.4]
        panel.curve(ends, [limits.mean_moving_range] * 2, "li")
        panel.curve(ends, [limits.upper_moving_range] * 2, "li", "4 3")
    for x, value in known:
        panel.reads(x, value, f"{points[round(x)].check.session.label}: moving range {number(value, 2)} dB")


def _draw_shifts(panel: Panel, points: Sequence[HistoryPoint], shifts: Sequence[CommonShift]) -> bool:
    """Mark the common shifts at the sensor's sessions; whether there was one."""
    across = {point.check.session: index for index, point in enumerate(points)}
    here = [shift for shift in shifts if shift.later in across]
    for shift in here:
        x = across[shift.later] - 0.5
        panel.upright_line(x, "nt", "1 2")
        size = shift.shift_db if shift.crept_db is None else shift.crept_db
        panel.words(f"all {number(size, 2, signed=True)} dB", x, panel.y[1], dx=3.0, dy=11.0)
    return bool(here)


def _kinds(series: SensorSeries, point: HistoryPoint) -> set[str]:
    return {finding.kind for finding in series.findings if point.check.session in finding.sessions}


def _apart(point: HistoryPoint) -> bool:
    return abs(point.accumulated_shift_db) > SHOWN_DIFFERENCE_DB


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _keys(series: SensorSeries, shifted: bool) -> list[Key]:
    kinds = {finding.kind for finding in series.findings}
    apart = any(_apart(point) for point in series.checked)
    every = [
        (True, Key("common shift taken out" if apart else "mean of checks", "nt", "circle")),
        (apart, Key("as measured", "bg ho", "circle", line=False)),
        (any(point.check.standard_uncertainty_db for point in series.checked), Key("± standard uncertainty", "wh")),
        (bool(series.limits), Key("mean", "li")),
        (bool(series.limits), Key("limit", "li", dashes="4 3")),
        ("step" in kinds, Key("step", "em", "square", line=False)),
        ("trend" in kinds, Key("trend", "em", "triangle", line=False)),
        (shifted, Key("all sensors moved", "nt", dashes="1 2")),
    ]
    return [key for shown, key in every if shown]
