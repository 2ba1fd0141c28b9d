"""Band levels of all conditions beside each other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from tapeline.report.condition_levels import ConditionLevel
from tapeline.report.figure_panels import Heading, legend_line, panel_grid, title_panel
from tapeline.report.figure_style import condition_face, condition_look, condition_mark, frequency_axis
from tapeline.report.figures_bands import Limits, bound_handle, draw_bounds
from tapeline.report.wording import counted, short

BESIDE = 0.7
"""Share of a band's width over which the arrows of all conditions stand beside each other, not upon each other."""
WIDEST_STEP = 1.08
"""Ratio from one condition's arrow to the next: wider ones would be taken for other bands'."""
ARROW_SIZE = 0.6


def conditions_figure(
    panels: Mapping[str, Mapping[str, Sequence[ConditionLevel]]],
    titles: Mapping[str, str],
    heading: Heading,
    limits: Limits,
    reference_pa: float,
) -> Figure:
    """Mean band levels by condition, a panel a position; `titles` the words of all conditions, in their order."""
    y_label = f"band level, dB re {reference_pa * 1e6:g} µPa"
    figure, every = panel_grid(len(panels), heading, "midband frequency, Hz", y_label)
    names = tuple(titles)
    used = dict.fromkeys(condition for conditions in panels.values() for condition in conditions)
    step = arrow_step([level for own in panels.values() for part in own.values() for level in part], len(used))
    beside = {name: step ** (place - (len(used) - 1) / 2) for place, name in enumerate(in_order(names, used))}
    bounds = False
    for axes, (position, conditions) in zip(every, panels.items(), strict=False):
        counts = sorted({len(level.runs) for own in conditions.values() for level in own})
        title_panel(axes, position, _range(counts))
        for condition, own in conditions.items():
            colour, dashes = condition_look(names, condition)
            midband = np.array([level.midband_hz for level in own], dtype=np.float64)
            values, ends = (
                np.array([np.nan if value is None else value for value in column])
                for column in ([level.level_db for level in own], [level.bound_db for level in own])
            )
            axes.plot(midband, values, color=colour, linestyle=dashes, marker=condition_mark(names, condition),
                      markerfacecolor=condition_face(names, condition), markersize=2.8, markeredgewidth=0.6,
                      linewidth=0.8, gid=condition)  # fmt: skip
            bounds = bounds or bool(np.isfinite(ends).any())
            draw_bounds(axes, midband * beside[condition], ends, limits, colour=colour, size=ARROW_SIZE)
    edges = [(level.lower_hz, level.upper_hz) for own in panels.values() for part in own.values() for level in part]
    frequency_axis(every[0], min((low for low, _ in edges), default=22.4), max((up for _, up in edges), default=8912.5))
    every[0].set_ylim(limits)
    legend_line(figure, _handles(used, titles, bounds))
    return figure


def arrow_step(levels: Sequence[ConditionLevel], conditions: int) -> float:
    """Ratio from the arrow of one condition to that of the next; those of a band stay within `BESIDE` of it."""
    narrowest = min((level.upper_hz / level.lower_hz for level in levels), default=1.0)
    return min(WIDEST_STEP, float(narrowest ** (BESIDE / max(conditions, 1))))


def in_order(names: Sequence[str], used: Iterable[str]) -> list[str]:
    """The conditions used, in the settings' order; then those that the settings do not have."""
    there = list(used)
    return [*(name for name in names if name in there), *(name for name in there if name not in names)]


def _range(counts: Sequence[int]) -> str:
    if not counts:
        return "0 runs"
    return counted(counts[0], "run") if len(counts) == 1 else f"{counts[0]} to {counts[-1]} runs"


def _handles(used: Iterable[str], titles: Mapping[str, str], bounds: bool) -> list[Artist]:
    names = tuple(titles)
    shown = in_order(names, used)
    handles: list[Artist] = []
    for name in shown:
        colour, dashes = condition_look(names, name)
        handles.append(
            Line2D([], [], color=colour, linestyle=dashes, marker=condition_mark(names, name),
                   markerfacecolor=condition_face(names, name),
                   label=short(titles.get(name, name), max(12, 96 // len(shown))))
        )  # fmt: skip
    if bounds:
        handles.append(bound_handle())
    return handles
