"""Figures of the calibrator checks: sensitivities against the charts with their drift, and the calibrator sequence."""

from __future__ import annotations

import math
from collections.abc import Sequence

from tapeline.acoustics.levels import ratio_db
from tapeline.campaign.model import Campaign
from tapeline.quality.reasons import UNFIT_CHECKS
from tapeline.report.charts.figure import WIDTH_PX, Figure, Key, figure_of
from tapeline.report.charts.panel import Box, Panel
from tapeline.report.charts.scales import Limits, rounded_limits
from tapeline.report.comparison_views import in_table_order
from tapeline.report.figure_data import rows_data
from tapeline.report.finished_tables import Row
from tapeline.report.wording import counted, listed, number, short

MOST_CHANNELS, MOST_ROWS = 24, 40
ROW_PX = 16.0
LABEL_LETTERS = 28
LEFT_PX = 200.0
SENSITIVITIES = (
    "session", "position", "sensor", "before_v_per_pa", "after_v_per_pa", "chart_v_per_pa", "sensitivity_v_per_pa",
    "deviation_db", "drift_db", "verdict",
)  # fmt: skip
APPLICATIONS = (
    "session", "run", "stage", "position", "found", "start_s", "stop_s", "application_starts_s", "application_stops_s",
    "turn", "turn_stated", "reasons",
)  # fmt: skip


def against_chart_db(row: Row, kind: str) -> float | None:
    """A sensitivity (before, after or sensitivity, the one used) against the chart's: 20 lg of their ratio, or None."""
    value, chart = row[f"{kind}_v_per_pa"], row["chart_v_per_pa"]
    return float(ratio_db(value / chart)) if value and chart else None


def size_of(row: Row) -> float:
    """How far a channel is off at worst, by deviation or drift; without a check further than any."""
    known = [abs(row[name]) for name in ("deviation_db", "drift_db") if row[name] is not None]
    return max(known, default=math.inf)


def row_limits(count: int) -> Limits:
    """The ordinate of `count` rows from the top down: row n stands at -n."""
    return 0.4 - max(count, 1), 0.6


def deviation_figure(campaign: Campaign, rows: Sequence[Row]) -> Figure | None:
    """A row a channel and session: the checks before and after against the chart, joined by the drift."""
    charted = [row for row in rows if any(against_chart_db(row, kind) is not None for kind in ("before", "after"))]
    if not charted:
        return None
    order = in_table_order(campaign, (row["position"] for row in rows))
    worst = sorted(charted, key=lambda row: (-size_of(row), row["session"], row["position"]))[:MOST_CHANNELS]
    chosen = sorted(worst, key=lambda row: (row["session"], order.index(row["position"])))
    limit, drift = campaign.settings.calibration.deviation_limit_db, campaign.settings.calibration.drift_limit_db
    without = [f"{row['position']} in {row['session']}" for row in rows if row not in charted]
    values = [against_chart_db(row, kind) for row in chosen for kind in ("before", "after", "sensitivity")]
    befores = [against_chart_db(row, "before") for row in chosen if row["drift_db"] is not None]
    values += [before + sign * drift for before in befores if before is not None for sign in (-1.0, 1.0)]
    height = 14.0 + ROW_PX * len(chosen)
    panel = Panel(
        Box(LEFT_PX, 14.0, WIDTH_PX - 8.0, height),
        rounded_limits([*values, -limit, limit], 0.5, 0.05, 2.0),
        row_limits(len(chosen)),
        x_label="sensitivity against the chart, dB",
        y_words=lambda place: _channel(chosen[round(-place)]),
        y_ticks=[-float(index) for index in range(len(chosen))],
    )
    panel.upright_line(0.0, "ze")
    for end in (-limit, limit):
        panel.upright_line(end, "li", "4 3")
    for index, row in enumerate(chosen):
        _channel_marks(panel, row, -float(index), drift)
    return figure_of(
        ("calibration",),
        "Calibrator checks against the sensors' charts",
        [panel],
        [
            Key("before", "nt ho", "circle", line=False),
            Key("after", "nt", "square", line=False),
            *(
                [Key("drift beyond its limit", "em")]
                if any("drift" in (row["reasons"] or ()) for row in chosen)
                else []
            ),
            Key("used", "ze", "bar", line=False),
            Key(f"limit of what is used, ±{number(limit)} dB", "li", dashes="4 3"),
            *(
                [Key(f"within the drift limit, ±{number(drift)} dB of before", "iv", "box")]
                if any(row["drift_db"] is not None for row in chosen)
                else []
            ),
        ],
        height=height + 36.0,
        alt=_deviation_message(rows),
        caption="Each check against the sensor's chart; the line from before to after is the drift."
        + (f" The {len(chosen)} furthest off of {len(charted)} checked channels." if len(charted) > len(chosen) else "")
        + (f" Without check or chart: {listed(without, 4)}." if without else ""),
        data=rows_data(chosen, SENSITIVITIES),
    )


def _channel(row: Row) -> str:
    sensor = f"{row['sensor']}, " if row["sensor"] else ""
    return short(f"{row['session']}, {sensor}{row['position']}", LABEL_LETTERS)


def _channel_marks(panel: Panel, row: Row, place: float, drift_limit_db: float) -> None:
    before, after, used = (against_chart_db(row, kind) for kind in ("before", "after", "sensitivity"))
    role = "em" if "drift" in (row["reasons"] or ()) else "nt"
    if before is not None and after is not None:
        ends = [before - drift_limit_db], [before + drift_limit_db]
        panel.interval_bars(*ends, [place - 0.25], [place + 0.25], "iv")
        panel.curve([before, after], [place, place], role)
    if used is not None:
        panel.dots([used], [place], "ze", shape="bar")
    for value, shape, fill in ((before, "circle", " ho"), (after, "square", "")):
        if value is not None:
            panel.dots([value], [place], f"{role}{fill}", shape=shape)
    middle = used if used is not None else before if before is not None else after
    panel.reads(math.nan if middle is None else middle, place, _channel_words(row))


def _channel_words(row: Row) -> str:
    sensor = f", sensor {row['sensor']}" if row["sensor"] else ""
    checks = ", ".join(
        f"{kind} {number(against_chart_db(row, kind), 2, signed=True)} dB" for kind in ("before", "after")
    )
    return (
        f"{row['position']}, session {row['session']}{sensor}: {checks}; drift "
        f"{number(row['drift_db'], 2, signed=True)} dB, {row['verdict']}"
    )


def _deviation_message(rows: Sequence[Row]) -> str:
    """The largest drift and deviation."""
    parts = [f"Checks of {counted(len(rows), 'channel')} against the charts."]
    for column, words in (("drift_db", "drift"), ("deviation_db", "deviation of what is used")):
        known = [row for row in rows if row[column] is not None]
        if known:
            worst = max(known, key=lambda row: (abs(row[column]), row["session"], row["position"]))
            parts.append(
                f"Largest {words}: {number(worst[column], 2, signed=True)} dB at {worst['position']}, "
                f"session {worst['session']}."
            )
    return " ".join(parts)


def sequence_figure(campaign: Campaign, session: str, run: str, rows: Sequence[Row]) -> Figure:
    """One calibrator recording: on which channel the tone was heard when, and which part was measured."""
    every = in_table_order(campaign, (row["position"] for row in rows))
    in_doubt_first = sorted(every, key={row["position"]: not row["reasons"] for row in rows}.__getitem__)
    order = in_table_order(campaign, in_doubt_first[:MOST_ROWS])
    inside = sorted((row for row in rows if row["position"] in order), key=lambda row: order.index(row["position"]))
    length = max([row["duration_s"] or 0.0 for row in inside] + [1.0])
    height = 14.0 + ROW_PX * len(order)
    panel = Panel(
        Box(130.0, 14.0, WIDTH_PX - 8.0, height),
        (0.0, length),
        row_limits(len(order)),
        x_label="time in the recording, s",
        y_words=lambda place: short(order[round(-place)], 18),
        y_ticks=[-float(index) for index in range(len(order))],
    )
    for row in inside:
        _applications(panel, row, -float(order.index(row["position"])), length)
    found = sum(bool(row["found"]) for row in rows)
    doubted = sorted(row["position"] for row in rows if row["reasons"])
    in_doubt = f"in doubt: {listed(doubted, 4)}" if doubted else "none in doubt"
    return figure_of(
        ("sequence", session, run),
        f"Calibrator sequence, {run}",
        [panel],
        [
            Key("tone heard", "bg"),
            Key("measured", "nt", "box"),
            *([Key("measured and refused", "iv", "box")] if any(map(_is_refused, inside)) else []),
        ],
        height=height + 36.0,
        alt=f"Calibrator sequence of {run}, session {session}: {counted(found, 'channel')} with a steady tone, "
        f"{in_doubt}.",
        caption=f"{run}, session {session}, {rows[0]['stage'] or 'stage not stated'}. The number is the turn in the "
        "recording; in brackets the turn of the run table, where it differs."
        + (f" {len(order)} of {len(rows)} channels." if len(rows) > len(order) else ""),
        data=rows_data(inside, APPLICATIONS),
    )


def _is_refused(row: Row) -> bool:
    return row["start_s"] is not None and bool(UNFIT_CHECKS.intersection(row["reasons"] or ()))


def _applications(panel: Panel, row: Row, place: float, length_s: float) -> None:
    starts, stops = row["application_starts_s"] or (), row["application_stops_s"] or ()
    for start, stop in zip(starts, stops, strict=True):
        panel.curve([start, stop], [place, place], "bg")
    if row["start_s"] is not None:
        role = "iv" if _is_refused(row) else "nt"
        panel.interval_bars([row["start_s"]], [row["stop_s"]], [place - 0.22], [place + 0.22], role)
    if not starts and row["start_s"] is None:
        return
    end, start = max([*stops, row["stop_s"] or 0.0]), min([*starts, row["start_s"] or length_s])
    late = end > 0.6 * length_s
    stated = row["turn_stated"]
    turn = (
        ""
        if row["turn"] is None
        else f"{row['turn']}"
        if stated in (None, row["turn"])
        else f"{row['turn']} ({stated})"
    )
    words = " ".join(part for part in (turn, listed(row["reasons"] or (), 2)) if part)
    panel.words(words, start if late else end, place, anchor="end" if late else None, dx=-4 if late else 4, dy=4)
    measured = (
        "not measured" if row["start_s"] is None else f"measured {number(row['start_s'])} to {number(row['stop_s'])} s"
    )
    panel.reads(
        (start + end) / 2, place, f"{row['position']}: heard {number(start)} to {number(end)} s, {measured}; {words}"
    )
