"""Band levels of several speeds brought to one speed, over f/U and over frequency: on which do they fall together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from tapeline.campaign.model import Campaign
from tapeline.report.charts.figure import Figure, Key, figure_of
from tapeline.report.charts.looks import DASHES, SHAPES, Look, condition_look
from tapeline.report.charts.markup import text
from tapeline.report.charts.panel import Box, Panel
from tapeline.report.charts.scales import Limits, frequency_words, rounded_limits, tick_words
from tapeline.report.comparison_views import condition_title
from tapeline.report.figure_data import FigureData
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.speed_levels import SpeedLevel, band_levels, speeds_of
from tapeline.report.wording import counted, frequency, number, short, speed

Side: TypeAlias = Literal["strouhal", "frequency"]
SIDES: tuple[Side, Side] = ("strouhal", "frequency")

MOST_COLLAPSES = 4
SCALES_WITH = {"strouhal": "closer over Strouhal number", "frequency": "closer over frequency"}
STEPS = (1.0, 2.0, 5.0)
ADJOINING = 1.001
"""Edges of neighbouring bands differ by rounding alone."""
LEVEL_COLUMNS = ("run", "nominal_mps", "speed_mps", "band_hz", "midband_hz", "level_db")


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


def collapse_figure(tables: FinishedTables, campaign: Campaign) -> Figure | None:
    """Two panels a series, where the table says on which of the two its levels fall together; None where nowhere."""
    reference = next((row["reference_speed_mps"] for row in tables.overall_scaling), None)
    if reference is None:
        return None
    every = [
        CollapseSeries(row, condition_title(campaign, row["condition"]), levels, reference)
        for row in most_different(tables.collapse)
        if (levels := tuple(band_levels(tables, campaign, row)))
    ]
    return drawn_collapses(campaign, every, len({row["position"] for row in tables.collapse})) if every else None


def most_different(rows: Sequence[Row], most: int = MOST_COLLAPSES) -> list[Row]:
    """Of each position the row whose two scatters differ most, of those that are told apart; the first positions."""
    first: dict[str, Row] = {}
    known = [row for row in rows if row["better"] in SCALES_WITH]
    for row in sorted(known, key=lambda row: (-_apart_db(row), row["position"], row["condition"], row["session"])):
        first.setdefault(row["position"], row)
    return list(first.values())[:most]


def _apart_db(row: Row) -> float:
    return abs(float(row["strouhal_scatter_db"]) - float(row["frequency_scatter_db"]))


def drawn_collapses(campaign: Campaign, every: Sequence[CollapseSeries], there: int) -> Figure:
    """The figure of some series; colour is the condition's, mark and dashes are those of the speed."""
    unit, pascal = campaign.settings.report.speed_unit, campaign.settings.reference_pressure_pa
    speeds = speeds_of([level for series in every for level in series.levels])
    boxes, height = _boxes(len(every))
    limits = level_axes(every)
    panels = []
    for index, series in enumerate(every):
        for column, side in enumerate(SIDES):
            panel = _panel(boxes[index][column], series, side, limits[index])
            panel.y_label = f"dB re {pascal * 1e6:g} µPa" if column == 0 else ""
            if column == 0:
                panel.parts.append(text(series.name, panel.box.left, panel.box.top - 21, "h"))
            look = condition_look(list(campaign.settings.conditions), series.row["condition"])
            _draw(panel, series, side, speeds, look.role, unit)
            panels.append(panel)
    reference = speed(every[0].reference_mps, unit)
    return figure_of(
        ("collapse", campaign.settings.campaign),
        f"Band levels at {reference}, over Strouhal number and over frequency",
        panels,
        [Key(speed(nominal, unit), "nt ho", *_speed_look(index)) for index, nominal in enumerate(speeds)],
        height=height,
        alt=" ".join(_message(series) for series in every),
        caption=f"Band levels of single runs less 10 n lg(U/U_ref), U_ref {reference}, n fitted on either side by "
        "itself. Lines are means over the runs of a speed. What falls together on the left scales with Strouhal "
        f"number, on the right with frequency. Upper bounds and tonal bands are left out. {len(every)} of "
        f"{counted(there, 'position')}: the largest differences between the two scatters.",
        data=_data(every),
    )


def _boxes(count: int) -> tuple[list[tuple[Box, Box]], float]:
    """The two boxes of each series, with room above for its name, and the height of them all."""
    pair, height, step = ((52.0, 340.0), (392.0, 672.0)), 116.0, 190.0
    made = [
        tuple(Box(left, 34.0 + index * step, right, 34.0 + index * step + height) for left, right in pair)
        for index in range(count)
    ]
    return [(first, second) for first, second in made], count * step - 6.0


def _speed_look(index: int) -> tuple[str, str | None]:
    return SHAPES[index % len(SHAPES)], DASHES[index % len(DASHES)]


def _brought(series: CollapseSeries, side: Side) -> list[tuple[SpeedLevel, float, float]]:
    """Each level with its abscissa and its value at the reference speed."""
    exponent = series.row[f"{side}_exponent"]
    return [
        (level, abscissa(level, side, series.row["length_m"]), at_reference_db(level, exponent, series.reference_mps))
        for level in series.levels
    ]


def level_axes(every: Sequence[CollapseSeries]) -> list[Limits]:
    """Level axes by series, all of one span."""
    found = [
        rounded_limits([value for side in SIDES for *_, value in _brought(series, side)], 5.0, 1.0, 20.0)
        for series in every
    ]
    span = max((high - low for low, high in found), default=20.0)
    return [(low, low + span) for low, _ in found]


def mean_line(own: Sequence[tuple[SpeedLevel, float, float]]) -> list[tuple[float, float]]:
    """Means by band over the runs of one speed, by abscissa; NaN where a band is missing between two."""
    points: list[tuple[float, float]] = []
    upper_hz = None
    for band in sorted({level.midband_hz for level, *_ in own if level.midband_hz is not None}):
        group = [(level, x, y) for level, x, y in own if level.midband_hz == band]
        lower_hz = group[0][0].lower_hz
        if upper_hz is not None and lower_hz is not None and lower_hz > upper_hz * ADJOINING:
            points.append((math.nan, math.nan))
        points.append((sum(x for _, x, _ in group) / len(group), sum(y for *_, y in group) / len(group)))
        upper_hz = group[0][0].upper_hz
    return points


def _panel(box: Box, series: CollapseSeries, side: Side, limits: Limits) -> Panel:
    ends = [x for _, x, _ in _brought(series, side)]
    low, high = min(ends) / 1.12, max(ends) * 1.12
    if side == "frequency":
        return Panel(box, (low, high), limits, x_label="midband frequency, Hz", x_words=frequency_words, frequency=True)
    length = series.row["length_m"]
    stated = f"St = f l/U, l = {1000.0 * (length or 0.0):g} mm ({series.row['length_source']})"
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = [float(f"{step}e{decade}") for decade in decades for step in STEPS]
    return Panel(box, (low, high), limits, x_label="f/U, 1/m" if length is None else stated, frequency=True,
                 x_words=tick_words, x_ticks=[tick for tick in ticks if low <= tick <= high])  # fmt: skip


def _draw(panel: Panel, series: CollapseSeries, side: Side, speeds: Sequence[float], role: str, unit: str) -> None:
    brought = _brought(series, side)
    for index, nominal in enumerate(speeds):
        own = [(level, x, y) for level, x, y in brought if level.nominal_mps == nominal]
        shape, dashes = _speed_look(index)
        means = mean_line(own)
        panel.curve([x for x, _ in means], [y for _, y in means], role, dashes)
        panel.marks([x for _, x, _ in own], [y for *_, y in own], Look(role, shape, dashes), hollow=True, size=2.6)
        for level, x, y in own:
            words = f"{series.name}, {frequency(level.band_hz)}, run {level.run} at {speed(level.speed_mps, unit)}"
            panel.reads(x, y, f"{words}: {number(y)} dB at the reference speed, {number(level.level_db)} dB before")
    words = f"n {number(series.row[f'{side}_exponent'])}, scatter {number(series.row[f'{side}_scatter_db'], 2)} dB"
    panel.parts.append(text(words, panel.box.left, panel.box.top - 6, "l"))


def _message(series: CollapseSeries) -> str:
    row = series.row
    return (
        f"{series.name}: scatter {number(row['strouhal_scatter_db'], 2)} dB over Strouhal number with n = "
        f"{number(row['strouhal_exponent'])}, {number(row['frequency_scatter_db'], 2)} dB over frequency with n = "
        f"{number(row['frequency_exponent'])}, {counted(len(series.levels), 'level')}: {SCALES_WITH[row['better']]}."
    )


def _data(every: Sequence[CollapseSeries]) -> FigureData:
    pairs = [(series, level) for series in every for level in series.levels]
    place = ("position", "condition", "session", "yaw_deg", "length_m", "length_source")

    def brought(side: Side) -> list[object]:
        return [at_reference_db(level, series.row[f"{side}_exponent"], series.reference_mps) for series, level in pairs]

    columns: Mapping[str, list[object]] = {
        **{name: [series.row[name] for series, _ in pairs] for name in place},
        **{name: [getattr(level, name) for _, level in pairs] for name in LEVEL_COLUMNS},
        "per_m": [abscissa(level, "strouhal", None) for _, level in pairs],
        "strouhal": [
            None if series.row["length_m"] is None else abscissa(level, "strouhal", series.row["length_m"])
            for series, level in pairs
        ],
        "at_reference_by_strouhal_db": brought("strouhal"),
        "at_reference_by_frequency_db": brought("frequency"),
    }
    return FigureData(columns)
