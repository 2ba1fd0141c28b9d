"""Narrowband spectra and level histories of chosen runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from numpy.typing import NDArray

from tapeline.acoustics.levels import level_db
from tapeline.arrays import Reals
from tapeline.report.figure_panels import Heading, legend_line, panel_grid, title_panel
from tapeline.report.figure_style import (
    BACKGROUND_COLOUR,
    condition_face,
    condition_look,
    condition_mark,
    frequency_axis,
)
from tapeline.report.figures_bands import rounded_limits
from tapeline.report.finished_tables import Row, Spectrum
from tapeline.report.wording import counted, short

Panel = Sequence[tuple[str, Spectrum]]
HistoryPanel = Mapping[str, Sequence[Row]]
MARKS_A_LINE = 7
"""Marks that tell the conditions apart without colour; more of them would hide the spectra."""


def spectra_limits(panels: Mapping[str, Panel], reference_pa: float) -> tuple[float, float]:
    """One density axis for all positions, at most 90 dB deep."""
    ends: list[float | None] = []
    for panel in panels.values():
        for _, spectrum in panel:
            densities = _finite(level_db(spectrum.psd, reference_pa))
            ends += [float(densities.min()), float(densities.max())] if densities.size else []
    low, high = rounded_limits(ends, 10.0, 2.0, 30.0)
    return max(low, high - 90.0), high


def _finite(values: Reals) -> Reals:
    return values[np.isfinite(values)]


def spectra_figure(
    panels: Mapping[str, Panel],
    titles: Mapping[str, str],
    heading: Heading,
    limits: tuple[float, float],
    reference_pa: float,
) -> Figure:
    """Power spectral densities, a panel a position: one run a condition, and the first one's background.

    Lines are solid, since a gap of a dash may hide a tone; the conditions' marks stand on some of their lines.

    `panels` holds (condition, spectrum) by position; `titles` the words of all conditions, in the settings' order.
    """
    y_label = f"density, dB re ({reference_pa * 1e6:g} µPa)²/Hz"
    figure, every = panel_grid(len(panels), heading, "frequency, Hz", y_label)
    lines = [spectrum.frequency_hz for panel in panels.values() for _, spectrum in panel]
    above_zero = [line[line > 0] for line in lines]
    low = min((float(line[0]) for line in above_zero if line.size), default=20.0)
    high = max((float(line[-1]) for line in above_zero if line.size), default=10000.0)
    used: dict[str, None] = {}
    for axes, (position, panel) in zip(every, panels.items(), strict=False):
        title_panel(axes, position, counted(len(panel), "run"))
        for line, background in [(found.frequency_hz, found.background) for _, found in panel][:1]:
            if background is not None:
                levels = level_db(background, reference_pa)
                axes.plot(line, levels, color=BACKGROUND_COLOUR, linewidth=0.6, linestyle=":")
        for condition, spectrum in panel:
            used[condition] = None
            colour, _ = condition_look(tuple(titles), condition)
            hertz, levels = spectrum.frequency_hz, level_db(spectrum.psd, reference_pa)
            axes.plot(hertz, levels, color=colour, linewidth=0.55, gid=condition)
            place = [name for name, _ in panel].index(condition)
            marked = marked_lines(hertz, (low, high), (place + 0.5) / len(panel))
            axes.plot(hertz[marked], levels[marked], linestyle="none", marker=condition_mark(tuple(titles), condition),
                      color=colour, markerfacecolor=condition_face(tuple(titles), condition), markersize=3.4,
                      markeredgewidth=0.7, zorder=3, gid=f"{condition} marks")  # fmt: skip
    frequency_axis(every[0], low, high)
    every[0].set_ylim(limits)
    legend_line(figure, _handles(used, titles, dashed=False))
    return figure


def marked_lines(frequency_hz: Reals, limits_hz: tuple[float, float], share: float) -> NDArray[np.intp]:
    """Indices of the lines that get marks, evenly over the logarithmic axis; `share` shifts them from 0 to 1."""
    inside = np.flatnonzero((frequency_hz >= limits_hz[0]) & (frequency_hz <= limits_hz[1]))
    if inside.size == 0 or limits_hz[0] <= 0.0:
        return inside[:0]
    steps = (np.arange(MARKS_A_LINE) + share) / MARKS_A_LINE
    wanted = limits_hz[0] * (limits_hz[1] / limits_hz[0]) ** steps
    nearest = np.abs(frequency_hz[inside] - wanted[:, None]).argmin(axis=1)
    return np.asarray(inside[np.unique(nearest)], dtype=np.intp)


def _handles(used: Mapping[str, None], titles: Mapping[str, str], *, dashed: bool) -> list[Artist]:
    names = [*(name for name in titles if name in used), *(name for name in used if name not in titles)]
    handles: list[Artist] = [
        Line2D(
            [],
            [],
            color=condition_look(tuple(titles), name)[0],
            linestyle=condition_look(tuple(titles), name)[1] if dashed else "solid",
            marker="" if dashed else condition_mark(tuple(titles), name),
            markerfacecolor=condition_face(tuple(titles), name),
            label=short(titles.get(name, name), max(12, 100 // len(names))),
        )
        for name in names
    ]
    if not dashed:
        handles.append(Line2D([], [], color=BACKGROUND_COLOUR, linestyle=":", label="background"))
    return handles


def history_figure(
    panels: Mapping[str, HistoryPanel],
    titles: Mapping[str, str],
    heading: Heading,
    weighting: str,
    reference_pa: float,
) -> Figure:
    """Levels against time, a panel a position; `panels` holds rows of the history table by condition."""
    weighted = "level" if weighting == "Z" else f"{weighting}-weighted level"
    y_label = f"{weighted}, dB re {reference_pa * 1e6:g} µPa"
    figure, every = panel_grid(len(panels), heading, "time, s", y_label, panel_in=0.9)
    used: dict[str, None] = {}
    for axes, (position, conditions) in zip(every, panels.items(), strict=False):
        title_panel(axes, position, counted(len(conditions), "run"))
        for condition, rows in conditions.items():
            used[condition] = None
            colour, dashes = condition_look(tuple(titles), condition)
            levels = [np.nan if row["level_db"] is None else row["level_db"] for row in rows]
            axes.plot([row["time_s"] for row in rows], levels, color=colour, linestyle=dashes, linewidth=0.8)
    values = [row["level_db"] for panel in panels.values() for rows in panel.values() for row in rows]
    every[0].set_ylim(rounded_limits(values, 5.0, 0.5, 10.0))
    legend_line(figure, _handles(used, titles, dashed=True))
    return figure
