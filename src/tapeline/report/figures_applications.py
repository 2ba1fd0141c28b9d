"""Calibrator recordings over time: which channel was calibrated when, and which part was measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tapeline.quality.reasons import UNFIT_CHECKS
from tapeline.report.figure_panels import Heading, legend_line, panel_grid
from tapeline.report.finished_tables import Row
from tapeline.report.wording import counted, listed, short

MEASURED_COLOUR, REFUSED_COLOUR, HEARD_COLOUR = "#1b4965", "#d0732c", "#8f8f8a"
ROW_IN = 0.13


def application_figure(runs: Mapping[str, Sequence[Row]], positions: Sequence[str], heading: Heading) -> Figure:
    """One panel a recording, positions downwards, time across; `runs` holds rows of the checks table by run."""
    figure, every = panel_grid(
        len(runs), heading, "time in the recording, s", "", columns=2, panel_in=max(0.9, ROW_IN * len(positions))
    )
    down = {name: index for index, name in enumerate(positions)}
    length_s = max((row["duration_s"] or 0.0 for rows in runs.values() for row in rows), default=0.0) or 1.0
    for axes, (run, rows) in zip(every, runs.items(), strict=False):
        calibrated = [row for row in rows if row["application_starts_s"]]
        stage = rows[0]["stage"] if rows else ""
        axes.set_title(f"{run}, {stage}   n = {len(calibrated)} of {counted(len(rows), 'channel')} calibrated")
        for row in rows:
            _draw(axes, row, down[row["position"]], length_s)
        axes.grid(axis="y", color="#eeeeea", linewidth=0.4)
    labels = [short(name, 11) for name in positions]
    every[0].set_yticks(range(len(positions)), labels, fontsize=5.0 if len(positions) <= 40 else 4.5)
    every[0].set_ylim(len(positions) - 0.4, -0.6)
    every[0].set_xlim(0.0, length_s)
    legend_line(figure, _handles())
    return figure


def _draw(axes: Axes, row: Row, y: float, length_s: float) -> None:
    refused = bool(UNFIT_CHECKS.intersection(row["reasons"] or ()))
    for start, stop in zip(row["application_starts_s"] or (), row["application_stops_s"] or (), strict=True):
        axes.plot([start, stop], [y, y], color=HEARD_COLOUR, linewidth=0.8, solid_capstyle="butt", gid="heard")
    end = max(row["application_stops_s"] or (0.0,))
    if row["start_s"] is not None:
        colour = REFUSED_COLOUR if refused else MEASURED_COLOUR
        axes.plot(
            [row["start_s"], row["stop_s"]],
            [y, y],
            color=colour,
            linewidth=3.6,
            solid_capstyle="butt",
            linestyle=(0, (0.6, 0.3)) if refused else "solid",
            gid="refused" if refused else "measured",
        )
    words = _turn(row) + (f" {listed(row['reasons'], 2)}" if row["reasons"] else "")
    late = end > 0.6 * length_s
    axes.annotate(
        words.strip(),
        (min(row["application_starts_s"] or (0.0,)) if late else end, y),
        xytext=(-2 if late else 2, 0),
        textcoords="offset points",
        ha="right" if late else "left",
        va="center",
        fontsize=4.8,
    )


def _turn(row: Row) -> str:
    if row["turn"] is None:
        return ""
    stated = row["turn_stated"]
    return f"{row['turn']}" if stated in (None, row["turn"]) else f"{row['turn']} ({stated})"


def _handles() -> list[Artist]:
    return [
        Line2D([], [], color=HEARD_COLOUR, linewidth=0.8, label="tone heard"),
        Line2D([], [], color=MEASURED_COLOUR, linewidth=3.6, label="measured"),
        Line2D([], [], color=REFUSED_COLOUR, linewidth=3.6, linestyle=(0, (0.6, 0.3)), label="measured and refused"),
    ]
