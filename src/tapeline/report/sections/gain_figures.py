"""What the treatments gain, drawn: on the body at the headline, and position by speed with intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.charts.body_map import Spot, body_map, body_views, undrawn
from tapeline.report.charts.figure import WIDTH_PX, Figure, Key, condition_key, figure_of, legend_markup
from tapeline.report.charts.looks import condition_look
from tapeline.report.charts.markup import drawing
from tapeline.report.charts.panel import Box, Panel
from tapeline.report.charts.scales import rounded_limits
from tapeline.report.comparison_views import SHOWN, condition_title
from tapeline.report.figure_data import rows_data
from tapeline.report.finished_tables import FinishedTables, Row, reals
from tapeline.report.headline import Headline
from tapeline.report.wording import confidence_words, interval, listed, number, short, speed

COLUMNS = (
    "condition", "position", "session", "speed_mps", "yaw_deg", "weighting", "gain_db", "gain_lower_db",
    "gain_upper_db", "gain_finding", "gain_doubtful", "remainder_db", "remainder_lower_db", "remainder_upper_db",
    "runs", "untreated_runs",
)  # fmt: skip
MOST_ROWS = 12
MOST_SPEEDS = 4
MOST_CONDITIONS = 3
ROW_PX = 14.5
NAME_LETTERS = 18


def gain_words(row: Row, unit: str) -> str:
    """A gain in words that carry its sign: "6.6 dB(A) quieter (5.2 to 8.0)"."""
    value, lower, upper = row["gain_db"], row["gain_lower_db"], row["gain_upper_db"]
    if value is None:
        if lower is None and upper is None:
            return "no difference can be given"
        if lower is not None and lower >= 0.0:
            return f"at least {number(lower)} {unit} quieter"
        return f"quieter by {interval(lower, upper)} {unit}"
    if row["gain_finding"] == "equivalent":
        return f"{_sized(value, unit)}, equivalent ({interval(lower, upper)})"
    if row["gain_finding"] not in SHOWN:
        return f"{_sized(value, unit)}, not shown beyond chance ({interval(lower, upper)})"
    if value < 0.0:
        turned = interval(None if upper is None else -upper, None if lower is None else -lower)
        return f"{number(-value)} {unit} louder ({turned})"
    return f"{number(value)} {unit} quieter ({interval(lower, upper)})"


def _sized(value: float, unit: str) -> str:
    """A gain by its size and direction; the interval behind it is one of how much quieter."""
    return f"{number(abs(value))} {unit} {'louder' if round(value, 1) < 0.0 else 'quieter'}"


def gain_label(row: Row) -> str:
    """A gain beside a mark: "6.6", "≥8.6", with a question mark where doubtful."""
    value = row["gain_db"]
    doubt = "?" if row["gain_doubtful"] else ""
    if value is not None:
        return f"{number(value)}{doubt}"
    if row["gain_lower_db"] is not None:
        return f"≥{number(row['gain_lower_db'])}{doubt}"
    return f"≤{number(row['gain_upper_db'])}{doubt}" if row["gain_upper_db"] is not None else "–"


def is_sure(row: Row) -> bool:
    """Whether a gain is shown beyond chance and nothing makes it doubtful."""
    return row["gain_finding"] in SHOWN and not row["gain_doubtful"]


def gain_map(
    tables: FinishedTables, campaign: Campaign, headline: Headline, *, width: float = WIDTH_PX
) -> Figure | None:
    """The gain of the condition with most applied at each position; None where no position has coordinates."""
    views = body_views(tables.positions, campaign.outlines, campaign.settings.axes)
    if not views:
        return None
    condition = headline.conditions[0]
    found = headline.by_position(condition)
    spots = {name: _spot(name, found.get(name), headline) for name in (row["position"] for row in tables.positions)}
    drawn = body_map(views, spots, width=width)
    title = condition_title(campaign, condition)
    legend, end = legend_markup(_map_keys(list(found.values())), drawn.free[1], width, drawn.free[0])
    missing = undrawn(tables.positions, views)
    said = [f"Without coordinates: {listed(missing)}."] if missing else []
    said += [f"Without room for a label: {listed(drawn.unlabelled)}."] if drawn.unlabelled else []
    what = f"How much quieter in {headline.unit}, {title}, {headline.point(campaign)}, session {headline.session}"
    return Figure(
        ("gain-map", condition),
        f"Gain on the body, {title}",
        drawing(width, max(end, drawn.height), drawn.markup, legend, title=f"{what}: {_map_alt(found)}"),
        f"{what}: {_map_alt(found)}",
        f"{what}. {' '.join(said)}".strip(),
        rows_data([found[name] for name in sorted(found)], COLUMNS),
        drawn.readings,
    )


def _map_alt(found: Mapping[str, Row]) -> str:
    return "; ".join(f"{name} {gain_label(found[name])}" for name in sorted(found))


def _spot(name: str, row: Row | None, headline: Headline) -> Spot:
    if row is None:
        return Spot(name, "nt", name, f"{name}: not compared here", shape="cross", hollow=True)
    label, words = f"{name} {gain_label(row)}", f"{name}: {gain_words(row, headline.unit)}"
    if row["gain_db"] is None:
        known = row["gain_lower_db"] is not None
        weight = abs(row["gain_lower_db"] or 0.0) + 1.0
        return Spot(name, "dn" if known else "nt", label, words, arrow="up" if known else "down", weight=weight)
    is_shown = is_sure(row)
    role = "dn" if row["gain_db"] > 0 else "up"
    return Spot(name, role if is_shown else "nt", label, words, hollow=not is_shown, weight=abs(row["gain_db"]) + 1.0)


def _map_keys(rows: Sequence[Row]) -> list[Key]:
    keys = [Key("quieter", "dn", "circle", line=False)]
    if any((row["gain_db"] or 0.0) < 0.0 and row["gain_finding"] in SHOWN for row in rows):
        keys.append(Key("louder", "up", "circle", line=False))
    if any(row["gain_db"] is not None and row["gain_finding"] not in SHOWN for row in rows):
        keys.append(Key("not shown, or equivalent", "nt ho", "circle", line=False))
    if any(row["gain_db"] is None for row in rows):
        keys.append(Key("at least", "dn", "arrow-up", line=False))
    return keys


def gain_matrix(campaign: Campaign, headline: Headline, positions: Sequence[str]) -> Figure:
    """Gains with their intervals, a panel a speed and a row a position, in the looks of the conditions."""
    names = list(positions)[:MOST_ROWS]
    speeds = sorted({row["speed_mps"] for row in headline.every}, reverse=True)
    speeds = sorted(speeds, key=lambda value: (value != headline.speed_mps, -value))[:MOST_SPEEDS]
    conditions = headline.conditions[:MOST_CONDITIONS]
    rows = [
        row
        for row in headline.every
        if row["position"] in names and row["condition"] in conditions and row["speed_mps"] in speeds
    ]
    rows.sort(key=lambda row: (names.index(row["position"]), conditions.index(row["condition"])))
    ends = [row[name] for row in rows for name in ("gain_db", "gain_lower_db", "gain_upper_db")]
    limits = rounded_limits([0.0, *ends], 1.0, 0.5, 4.0)
    unit, top = campaign.settings.report.speed_unit, 22.0
    left, gap = 124.0, 16.0
    each = (WIDTH_PX - left - 8.0 - gap * (len(speeds) - 1)) / len(speeds)
    height = ROW_PX * len(names)
    panels = []

    def name_of(place: float) -> str:
        return short(names[len(names) - 1 - round(place)], NAME_LETTERS)

    for index, speed_mps in enumerate(speeds):
        start = left + index * (each + gap)
        panel = Panel(
            Box(start, top, start + each, top + height), limits, (-0.5, len(names) - 0.5),
            title=f"{speed(speed_mps, unit)}, yaw {headline.yaw_deg:g}°", x_label=f"quieter by, {headline.unit}",
            y_ticks=[float(place) for place in range(len(names))],
            y_words=name_of if index == 0 else lambda place: "",
        )  # fmt: skip
        panel.upright_line(0.0, "ze")
        for order, condition in enumerate(conditions):
            own = [row for row in rows if row["condition"] == condition and row["speed_mps"] == speed_mps]
            shift = 0.18 * (len(conditions) - 1) - 0.36 * order
            _draw_gains(panel, campaign, own, names, shift, headline.unit)
        panels.append(panel)
    looks = list(campaign.settings.conditions)
    keys = [condition_key(condition_look(looks, name), condition_title(campaign, name)) for name in conditions]
    has_hollow = any(row["gain_db"] is not None and not is_sure(row) for row in rows)
    keys += [Key("hollow: not shown", "nt ho", "circle", line=False)] if has_hollow else []
    left_out = (
        f" {len(positions) - len(names)} more positions stand in the table below."
        if len(positions) > len(names)
        else ""
    )
    confidence = confidence_words(campaign.settings.confidence)
    against = condition_title(campaign, headline.rows[0]["untreated"])
    caption = (
        f"Positions in the order of the spots to work on first. Against {against}, session {headline.session}, "
        f"{confidence} intervals; an arrow is an open end. Hollow: not shown, equivalent or doubtful.{left_out}"
    )
    alt = f"{headline.level}: " + "; ".join(
        f"{row['condition']} at {row['position']}, {speed(row['speed_mps'], unit)}: {gain_words(row, headline.unit)}"
        for row in rows
    )
    name, title = ("gains", headline.session), "Gain by position and speed"
    data, below = rows_data(rows, COLUMNS), top + height + 36.0
    return figure_of(name, title, panels, keys, height=below, alt=alt, caption=caption, data=data)


def _draw_gains(
    panel: Panel, campaign: Campaign, rows: Sequence[Row], names: Sequence[str], shift: float, unit: str
) -> None:
    look = condition_look(list(campaign.settings.conditions), rows[0]["condition"] if rows else None)
    places = [len(names) - 1 - names.index(row["position"]) + shift for row in rows]
    lows, highs = reals(rows, "gain_lower_db"), reals(rows, "gain_upper_db")
    known = [index for index in range(len(rows)) if math.isfinite(lows[index]) or math.isfinite(highs[index])]
    panel.spans([places[i] for i in known], [lows[i] for i in known], [highs[i] for i in known], look.role)
    for hollow in (False, True):
        chosen = [index for index, row in enumerate(rows) if row["gain_db"] is not None and is_sure(row) != hollow]
        panel.marks([rows[i]["gain_db"] for i in chosen], [places[i] for i in chosen], look, hollow=hollow)
    for place, row in zip(places, rows, strict=True):
        at = row["gain_db"] if row["gain_db"] is not None else row["gain_lower_db"]
        title = condition_title(campaign, row["condition"])
        words = f"{row['position']}, {panel.title}, {title}: {gain_words(row, unit)}"
        panel.reads(0.0 if at is None else at, place, words)
