"""A difference line by line, with its interval."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from tapeline.arrays import Reals
from tapeline.limits import AXIS_HOLDS_LINES_SHARE
from tapeline.report.figure_panels import Heading, legend_line, panel_grid, title_panel
from tapeline.report.figure_style import CONDITION_COLOURS, frequency_axis
from tapeline.report.figures_bands import rounded_limits
from tapeline.report.finished_tables import Row


def values_of(row: Row, name: str) -> Reals:
    """One list of a row of the table `line_differences`."""
    return np.asarray(row[name], dtype=np.float64)


def frequencies_of(row: Row) -> Reals:
    """Frequencies of the row's lines in Hz."""
    return np.asarray(row["first_hz"] + row["step_hz"] * np.arange(len(row["difference_db"])), dtype=np.float64)


def line_differences_figure(panels: Mapping[str, Row], heading: Heading, threshold_db: float) -> Figure:
    """Treatment minus reference by line, a panel a position; `panels` holds rows of `line_differences` by position."""
    figure, every = panel_grid(
        len(panels), heading, "frequency, Hz", "treatment minus reference, dB", columns=2, panel_in=1.6
    )
    ends: list[float | None] = []
    lowest, highest = [], []
    colour = CONDITION_COLOURS[0]
    for axes, (position, row) in zip(every, panels.items(), strict=False):
        hz = frequencies_of(row)
        low, middle, high = (values_of(row, name) for name in ("lower_db", "difference_db", "upper_db"))
        title_panel(axes, position, f"{len(row['reference_runs'])} + {len(row['treatment_runs'])} runs")
        axes.axhspan(-threshold_db, threshold_db, color="#e4e4e4", linewidth=0)
        axes.axhline(0.0, color="#555555", linewidth=0.5)
        axes.fill_between(hz, low, high, color=colour, alpha=0.3, linewidth=0)
        axes.plot(hz, middle, color=colour, linewidth=0.5, gid="difference")
        known = np.isfinite(middle) & (hz > 0.0)
        if known.any():
            ends += [
                float(v)
                for v in np.quantile(
                    np.concatenate([low[known], high[known]]), [1.0 - AXIS_HOLDS_LINES_SHARE, AXIS_HOLDS_LINES_SHARE]
                )
            ]
            lowest.append(float(hz[known][0]))
            highest.append(float(hz[known][-1]))
    frequency_axis(every[0], min(lowest, default=20.0), max(highest, default=10_000.0))
    every[0].set_ylim(rounded_limits(ends, 2.0, 0.5, 4.0))
    legend_line(
        figure,
        [
            Line2D([], [], color=colour, label="difference"),
            Patch(color=colour, alpha=0.3, label="interval of each line by itself"),
            Patch(color="#e4e4e4", label=f"± {threshold_db:g} dB"),
        ],
    )
    return figure
