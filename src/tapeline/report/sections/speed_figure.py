"""The figure of overall level over speed: single runs, and the line of each exponent that rests on three speeds."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from tapeline.campaign.model import Campaign
from tapeline.campaign.operating_points import MPS_PER_UNIT
from tapeline.report.charts.figure import Figure, Key, condition_key, figure_of, panel_boxes
from tapeline.report.charts.looks import CONDITION_LOOKS, condition_look, mark
from tapeline.report.charts.markup import element, text
from tapeline.report.charts.panel import Panel
from tapeline.report.charts.scales import Limits, rounded_limits, tick_words
from tapeline.report.comparison_views import MOST_PANELS, condition_title, in_table_order
from tapeline.report.figure_data import FigureData
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.speed_levels import SpeedLevel, SpeedSeries, line_db, overall_series
from tapeline.report.wording import confidence_words, counted, frequency, interval, number, speed

LEAST_SPEEDS = 3
"""Two points lie on a line in any case: a line through them says nothing."""
DEEPEST_DB = 60.0
AXIS_MARGIN = 0.06
LEAST_GAP = 0.14
"""Speeds nearer than this share of the axis get one label."""
MOST_SAID = 4
FITTED = (
    "exponent", "exponent_lower", "exponent_upper", "level_at_reference_db", "reference_speed_mps", "speeds",
    "level_count",
)  # fmt: skip
PLACE = ("position", "condition", "session", "yaw_deg", "weighting", "lowest_band_hz", "highest_band_hz")


def has_line(row: Row) -> bool:
    """Whether a row of the table `scaling` has a line that is drawn."""
    return row["exponent"] is not None and (row["speeds"] or 0) >= LEAST_SPEEDS


def speed_figure(tables: FinishedTables, campaign: Campaign, rows: Sequence[Row]) -> Figure | None:
    """Rows of one session and yaw, a panel a position; None where no line is drawn."""
    with_line = {row["position"] for row in rows if has_line(row)}
    rows = [row for row in rows if row["position"] in with_line]
    names = first_positions(tables, campaign, rows, MOST_PANELS)
    panels = speed_panels(tables, campaign, rows, names)
    every = [series for panel in panels.values() for series in panel]
    if not any(has_line(series.row) for series in every):
        return None
    unit = campaign.settings.report.speed_unit
    levels = [level for series in every for level in series.levels]
    limits = level_axis(levels)
    ends, ticks = _speed_axis(levels, unit)
    boxes, height = panel_boxes(len(panels), columns=2, height=130)
    made = []
    for index, (position, own) in enumerate(panels.items()):
        label = f"dB re {campaign.settings.reference_pressure_pa * 1e6:g} µPa" if index % 2 == 0 else ""
        panel = Panel(boxes[index], ends, limits, title=position, frequency=True, x_ticks=ticks, x_words=tick_words,
                      y_label=label, x_label=f"speed, {unit}" if index + 2 >= len(panels) else "")  # fmt: skip
        _draw(panel, campaign, own, unit)
        made.append(panel)
    first = campaign.settings.overall[0]
    what = f"{first.weighting} level, {frequency(first.range_hz[0])} to {frequency(first.range_hz[1])}"
    row = rows[0]
    return figure_of(
        ("speed", row["session"], f"yaw{'m' if row['yaw_deg'] < 0 else ''}{abs(round(row['yaw_deg'], 1)):g}"),
        f"{what}, over speed",
        made,
        _keys(campaign, every),
        height=height,
        alt=f"{what}, over speed, session {row['session']}, yaw {row['yaw_deg'] + 0.0:g}°: exponent n. "
        f"{exponents_message(campaign, every)}",
        caption=_caption(campaign, every, len(panels), len({row["position"] for row in rows})),
        data=_data(every),
    )


def first_positions(tables: FinishedTables, campaign: Campaign, rows: Sequence[Row], most: int) -> list[str]:
    """The positions of some rows of the table `scaling`: first those ranked, then the loudest; in the table's order."""
    ranks: dict[str, int] = {}
    for row in sorted(tables.ranking, key=lambda row: (row["place"], row["comparison"])):
        ranks.setdefault(row["position"], row["place"])
    loudest: dict[str, float] = {}
    for row in rows:
        level = row["level_at_reference_db"]
        loudest[row["position"]] = max(loudest.get(row["position"], -math.inf), -math.inf if level is None else level)
    order = sorted(loudest, key=lambda name: (ranks.get(name, math.inf), -loudest[name], name))
    return in_table_order(campaign, order[:most])


def speed_panels(
    tables: FinishedTables, campaign: Campaign, rows: Sequence[Row], names: Sequence[str]
) -> dict[str, list[SpeedSeries]]:
    """The series of some positions, one a condition, in the settings' order."""
    order = {name: index for index, name in enumerate(campaign.settings.conditions)}
    panels: dict[str, list[SpeedSeries]] = {name: [] for name in names}
    own = [row for row in rows if row["position"] in panels]
    ordered = sorted(own, key=lambda row: (order.get(row["condition"], len(order)), row["condition"]))
    for series in overall_series(tables, campaign, ordered):
        if (series.levels or series.fitted) and len(panels[series.row["position"]]) < CONDITION_LOOKS:
            panels[series.row["position"]].append(series)
    return {name: panel for name, panel in panels.items() if panel}


def level_axis(levels: Sequence[SpeedLevel]) -> Limits:
    """One level axis for all positions, at most 60 dB deep."""
    low, high = rounded_limits((level.level_db for level in levels), 5.0, 2.0, 15.0)
    return max(low, high - DEEPEST_DB), high


def exponent_words(row: Row, *, doubtful: bool = False) -> str:
    """The exponent with its interval, "5.9 (5.2 to 6.6)", or why there is none; "5.9?" where a level is doubtful."""
    if row["exponent"] is None:
        return f"no exponent: {', '.join(row['left_out'] or ()) or 'too few levels'}"
    ends = interval(row["exponent_lower"], row["exponent_upper"])
    return f"{number(row['exponent'])}{'?' if doubtful else ''} ({ends})"


def exponents_message(campaign: Campaign, every: Sequence[SpeedSeries]) -> str:
    """The smallest and the largest exponent of sound channels, and how many series have none."""
    fitted = [series for series in every if series.fitted]
    sound = sorted(
        (one for one in fitted if not one.doubtful), key=lambda one: (one.row["exponent"], one.row["position"])
    )
    said = [
        f"{name} {exponent_words(one.row)} at {one.row['position']}, {condition_title(campaign, one.row['condition'])}."
        for name, one in zip(("Smallest", "Largest"), (sound[0], sound[-1]), strict=True)
    ] if sound else []  # fmt: skip
    if len(sound) == 1:
        said = [f"n {said[0].removeprefix('Smallest ')}"]
    without, doubtful = len(every) - len(fitted), len(fitted) - len(sound)
    said += [f"{counted(doubtful, 'other')} {'is' if doubtful == 1 else 'are'} doubtful."] if doubtful else []
    return " ".join([*said, f"{without} of {len(every)} have no exponent."] if without else said)


def _speed_axis(levels: Sequence[SpeedLevel], unit: str) -> tuple[Limits, list[float]]:
    """The limits in the report's unit, and the nominal speeds that have room for a label."""
    per_unit = MPS_PER_UNIT[unit]
    nominal = sorted({level.nominal_mps / per_unit for level in levels})
    ends = [*nominal, *(level.speed_mps / per_unit for level in levels)]
    margin = max((max(ends) / min(ends)) ** AXIS_MARGIN, 1.02)
    low, high = min(ends) / margin, max(ends) * margin
    kept: list[float] = []
    for value in nominal:
        if not kept or math.log(value / kept[-1]) >= LEAST_GAP * math.log(high / low):
            kept.append(round(value, 1))
    return (low, high), kept


def _draw(panel: Panel, campaign: Campaign, own: Sequence[SpeedSeries], unit: str) -> None:
    per_unit = MPS_PER_UNIT[unit]
    for reference in sorted({series.row["reference_speed_mps"] for series in own if has_line(series.row)}):
        panel.upright_line(reference / per_unit, "li", "2 2")
    for series in own:
        look = condition_look(list(campaign.settings.conditions), series.row["condition"])
        if has_line(series.row):
            ends = [series.row["lowest_speed_mps"], series.row["highest_speed_mps"]]
            panel.curve(
                [mps / per_unit for mps in ends], [line_db(series.row, mps) for mps in ends], look.role, look.dashes
            )
        for part, levels in (
            ("in the fit", [each for each in series.levels if each.part == "in the fit"]),
            ("other", [each for each in series.levels if each.part in ("left out", "no fit")]),
        ):
            xs, ys = [each.speed_mps / per_unit for each in levels], [each.level_db for each in levels]
            panel.marks(xs, ys, look, hollow=part == "other")
        bounds = [each for each in series.levels if each.part == "bound"]
        panel.bounds([each.speed_mps / per_unit for each in bounds], [each.level_db for each in bounds], look.role)
        title = condition_title(campaign, series.row["condition"])
        for each in series.levels:
            value = f"at most {number(each.level_db)} dB" if each.part == "bound" else f"{number(each.level_db)} dB"
            note = {"in the fit": "", "bound": ""}.get(each.part, ", in no fit") + (
                ", doubtful" if each.doubtful else ""
            )
            where = f"{series.row['position']}, {title}, run {each.run}, {speed(each.speed_mps, unit)}"
            panel.reads(each.speed_mps / per_unit, each.level_db, f"{where}: {value}{note}")
    if len(own) <= MOST_SAID:
        _write_exponents(panel, campaign, own)


def _write_exponents(panel: Panel, campaign: Campaign, own: Sequence[SpeedSeries]) -> None:
    """The exponents with the mark of their condition; levels rise to the right, so that one of two corners is free."""
    levels = [level.level_db for series in own for level in series.levels]
    is_high = bool(levels) and sum(levels) / len(levels) >= sum(panel.y) / 2
    x = panel.box.right - 118 if is_high else panel.box.left + 8
    y = panel.box.bottom - 14.0 * len(own) + 6 if is_high else panel.box.top + 10
    for series in own:
        look = condition_look(list(campaign.settings.conditions), series.row["condition"])
        words = f"n {exponent_words(series.row, doubtful=series.doubtful)}" if has_line(series.row) else "no line"
        panel.parts += [
            element("path", d=mark(look.shape, x, y - 4), class_=f"mk {look.role}"),
            text(words, x + 8, y, "l halo"),
        ]
        y += 14


def _keys(campaign: Campaign, every: Sequence[SpeedSeries]) -> list[Key]:
    conditions = list(campaign.settings.conditions)
    used = {series.row["condition"] for series in every}
    names = [*(name for name in conditions if name in used), *sorted(used - set(conditions))]
    parts = {level.part for series in every for level in series.levels}
    keys = [condition_key(condition_look(conditions, name), condition_title(campaign, name)) for name in names]
    keys += [Key("in no fit", "nt ho", "circle", line=False)] if parts & {"left out", "no fit"} else []
    keys += [Key("at most", "nt", "arrow", line=False)] if "bound" in parts else []
    return [*keys, Key("reference speed", "li", dashes="2 2")]


def background_words(every: Sequence[SpeedSeries]) -> str:
    """Whether background was subtracted from the levels of a figure; from how many of them there was none to take."""
    levels = [level for series in every for level in series.levels if level.part != "bound"]
    without = sum(level.background_source == "nothing" for level in levels)
    if levels and without == len(levels):
        return "Levels of single runs as measured, no background to subtract"
    some = f" ({without} of {len(levels)} as measured, no background to subtract)" if without else ""
    return f"Levels of single runs after background subtraction{some}"


def _caption(campaign: Campaign, every: Sequence[SpeedSeries], shown: int, there: int) -> str:
    settings = campaign.settings
    row = next(series.row for series in every if has_line(series.row))
    some = "" if shown == there else f" {shown} of {counted(there, 'position')}: those ranked first, then the loudest."
    return (
        f"{background_words(every)}, at their achieved speeds and in air of "
        f"{settings.operating_point.reference_density_kgm3:g} kg/m³. Lines: L = L_ref + 10 n lg(U/U_ref), U_ref "
        f"{speed(row['reference_speed_mps'], settings.report.speed_unit)}, n with its "
        f"{confidence_words(settings.confidence)} interval, drawn from {LEAST_SPEEDS} speeds on. ?: a level of "
        f"the fit is doubtful.{some}"
    )


def _data(every: Sequence[SpeedSeries]) -> FigureData:
    pairs = [(series.row, level) for series in every for level in series.levels]
    columns: Mapping[str, list[object]] = {
        **{name: [row[name] for row, _ in pairs] for name in PLACE},
        **{
            name: [getattr(level, name) for _, level in pairs]
            for name in ("run", "part", "background_source", "doubtful")
        },
        "nominal_speed_mps": [level.nominal_mps for _, level in pairs],
        "speed_mps": [level.speed_mps for _, level in pairs],
        "level_db": [None if level.part == "bound" else level.level_db for _, level in pairs],
        "upper_bound_db": [level.level_db if level.part == "bound" else None for _, level in pairs],
        **{name: [row[name] for row, _ in pairs] for name in FITTED},
    }
    return FigureData(columns)
