"""Calibrator checks before and after against the sensors' charts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tapeline.report.figure_panels import Heading, legend_line, panel_grid
from tapeline.report.figures_bands import rounded_limits
from tapeline.report.finished_tables import Row
from tapeline.report.wording import counted, number, short

BEFORE_COLOUR, AFTER_COLOUR, USED_COLOUR, DRIFT_COLOUR = "#1b4965", "#d0732c", "#222222", "#5c1130"


def against_chart_db(row: Row, kind: str) -> float | None:
    """A sensitivity (before, after or sensitivity, the one used) against the chart's: 20 lg of their ratio, or None."""
    value, chart = row[f"{kind}_v_per_pa"], row["chart_v_per_pa"]
    if not value or not chart:
        return None
    return float(20.0 * np.log10(value / chart))


def calibration_figure(
    sessions: Mapping[str, Sequence[Row]], positions: Sequence[str], heading: Heading, deviation_limit_db: float
) -> Figure:
    """One panel a session: before and after at each position, joined by the drift, and the value used, with limits.

    `sessions` holds rows of the calibration table by session. A position without a chart carries a cross at zero. The
    session's median deviation is a line where it is known; a drift beyond its limit is drawn strong.
    """
    figure, every = panel_grid(
        len(sessions), heading, "position", "sensitivity against the chart, dB", columns=1, panel_in=1.25
    )
    missing = False
    across = {name: index for index, name in enumerate(positions)}
    values: list[float | None] = [-deviation_limit_db, deviation_limit_db]
    for axes, (session, rows) in zip(every, sessions.items(), strict=False):
        axes.set_title(f"session {session}   n = {counted(len(rows), 'channel')}")
        axes.axhline(0.0, color="#222222", linewidth=0.7)
        for limit in (-deviation_limit_db, deviation_limit_db):
            axes.axhline(limit, color="#7a5c2e", linewidth=0.7, linestyle=(0, (4, 3)))
        median = next((row["session_deviation_db"] for row in rows if row["session_deviation_db"] is not None), None)
        if median is not None:
            axes.axhline(median, color="#2f8f7f", linewidth=0.9, linestyle=(0, (1, 1)))
        for row in rows:
            x = across[row["position"]]
            before, after = against_chart_db(row, "before"), against_chart_db(row, "after")
            values += [before, after]
            if before is not None and after is not None:
                strong = "drift" in (row["reasons"] or ())
                axes.plot(
                    [x - 0.12, x + 0.12],
                    [before, after],
                    color=DRIFT_COLOUR if strong else "#777777",
                    linewidth=1.8 if strong else 0.8,
                )
            used = against_chart_db(row, "sensitivity")
            if used is not None:
                axes.plot([x - 0.2, x + 0.2], [used, used], color=USED_COLOUR, linewidth=0.9)
            if before is not None:
                axes.plot(x - 0.12, before, marker="o", color=BEFORE_COLOUR, markerfacecolor="white", markersize=4)
            if after is not None:
                axes.plot(x + 0.12, after, marker="s", color=AFTER_COLOUR, markersize=3.4)
            if before is None and after is None:
                missing = True
                axes.plot(x, 0.0, marker="x", color="#5c1130", markersize=4)
    every[0].set_xticks(range(len(positions)), [short(name, 12) for name in positions])
    every[0].set_xlim(-0.6, max(len(positions), 1) - 0.4)
    every[0].set_ylim(rounded_limits(values, 0.5, 0.1, 2.0))
    for axes in every:
        axes.tick_params(axis="x", rotation=90 if len(positions) > 12 else 0)
    handles = _handles(deviation_limit_db)
    legend_line(figure, handles if missing else [*handles[:2], *handles[3:]])
    return figure


def _handles(limit_db: float) -> list[Artist]:
    return [
        Line2D([], [], linestyle="none", marker="o", color=BEFORE_COLOUR, markerfacecolor="white", label="before"),
        Line2D([], [], linestyle="none", marker="s", color=AFTER_COLOUR, label="after"),
        Line2D([], [], linestyle="none", marker="x", color="#5c1130", label="no check"),
        Line2D([], [], color="#7a5c2e", linestyle=(0, (4, 3)), linewidth=0.7,
               label=f"deviation ±{number(limit_db)} dB"),
        Line2D([], [], color=USED_COLOUR, linewidth=0.9, label="used"),
        Line2D([], [], color="#2f8f7f", linewidth=0.9, linestyle=(0, (1, 1)), label="session's median"),
        Line2D([], [], color=DRIFT_COLOUR, linewidth=1.8, label="drift beyond limit"),
    ]  # fmt: skip
