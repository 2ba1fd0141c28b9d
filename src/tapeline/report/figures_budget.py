"""What an uncertainty is made of, band by band: the absolute level beside the difference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tapeline.report.figure_panels import Heading, legend_line, panel_grid
from tapeline.report.figure_style import CONDITION_COLOURS, frequency_axis
from tapeline.report.finished_tables import Row
from tapeline.statistics.uncertainty_terms import whole_term

MOST_TERMS = 6
TOTAL_COLOUR = "#1a1a1a"
TERM_MARKS = ("o", "s", "^", "D", "v", "P")
DEEPEST = 0.01
"""Share of the largest total at which the axis ends."""

Budgets = Mapping[str, Sequence[Row]]


def joined_terms(row: Row) -> dict[str, float]:
    """Terms of a budget in dB; those of the calibration are put together."""
    squares: dict[str, float] = {}
    for name, value in zip(row["terms"] or (), row["terms_db"] or (), strict=False):
        group = whole_term(name)
        squares[group] = squares.get(group, 0.0) + float(value) ** 2
    return {name: float(np.sqrt(square)) for name, square in squares.items()}


def largest_terms(panels: Budgets) -> list[str]:
    """Names of the terms drawn: those that are largest anywhere, at most as many as there are marks."""
    most: dict[str, float] = {}
    for rows in panels.values():
        for row in rows:
            for name, value in joined_terms(row).items():
                most[name] = max(most.get(name, 0.0), value)
    return sorted((name for name, value in most.items() if value > 0.0), key=lambda name: (-most[name], name))[
        :MOST_TERMS
    ]


def budget_figure(panels: Budgets, heading: Heading) -> Figure:
    """Standard uncertainties in dB over the bands, a panel a budget; `panels` holds rows of the table by its title."""
    figure, every = panel_grid(len(panels), heading, "band, Hz", "standard uncertainty, dB", columns=2, panel_in=1.9)
    names = largest_terms(panels)
    bands = [row["band_hz"] for rows in panels.values() for row in rows]
    totals = [row["standard_uncertainty_db"] for rows in panels.values() for row in rows]
    for axes, (title, rows) in zip(every, panels.items(), strict=False):
        axes.set_title(title)
        ordered = sorted(rows, key=lambda row: row["band_hz"])
        across = [row["band_hz"] for row in ordered]
        for index, name in enumerate(names):
            values = [joined_terms(row).get(name, 0.0) for row in ordered]
            shown = [value if value > 0.0 else np.nan for value in values]
            axes.plot(
                across, shown, color=CONDITION_COLOURS[index], marker=TERM_MARKS[index], linewidth=0.7, markersize=3
            )
        whole = [row["standard_uncertainty_db"] for row in ordered]
        axes.plot(across, whole, color=TOTAL_COLOUR, linewidth=1.6, gid="total")
    frequency_axis(every[0], min(bands, default=20.0) * 0.9, max(bands, default=10_000.0) * 1.1)
    top = max(totals, default=1.0)
    every[0].set_yscale("log")
    every[0].set_ylim(DEEPEST * top, 1.5 * top)
    every[0].yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    legend_line(figure, _handles(names))
    return figure


def _handles(names: Sequence[str]) -> list[Artist]:
    whole: list[Artist] = [Line2D([], [], color=TOTAL_COLOUR, linewidth=1.6, label="all terms")]
    return whole + [
        Line2D(
            [], [], color=CONDITION_COLOURS[index], marker=TERM_MARKS[index], linewidth=0.7, markersize=3, label=name
        )
        for index, name in enumerate(names)
    ]
