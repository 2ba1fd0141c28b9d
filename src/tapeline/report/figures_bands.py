"""Figures of band levels and of their differences between two conditions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from tapeline.arrays import Reals
from tapeline.report.comparison_views import SHOWN
from tapeline.report.figure_panels import Heading, legend_line, panel_grid, title_panel
from tapeline.report.figure_style import (
    BACKGROUND_COLOUR,
    BOTH_ARROWS,
    DIFFERENCE_COLOUR,
    DOUBTFUL_COLOUR,
    DOWN_ARROW,
    INTERVAL_COLOUR,
    Dashes,
    condition_face,
    condition_look,
    condition_mark,
    frequency_axis,
)
from tapeline.report.finished_tables import Row
from tapeline.report.wording import confidence_words, number, short

Limits = tuple[float, float]

SIDE_STEP = {"reference": 0.96, "treatment": 1.04}
"""Arrows of the two conditions stand beside each other, not upon each other."""
ARROW_SHARE = 0.07
"""Length of a bound's arrow as a share of the axis."""


@dataclass(frozen=True)
class Sides:
    """The two conditions of a comparison: identifiers, the words for them, and all conditions for their looks."""

    reference: str
    treatment: str
    reference_title: str
    treatment_title: str
    conditions: tuple[str, ...]


def _column(rows: Sequence[Row], name: str) -> Reals:
    return np.array([np.nan if row[name] is None else row[name] for row in rows], dtype=np.float64)


def rounded_limits(values: Iterable[float | None], step: float, margin: float, least_span: float) -> Limits:
    """Axis limits that hold all values, rounded outward to `step`; around zero where there are none."""
    finite = [value for value in values if value is not None and np.isfinite(value)]
    low, high = (min(finite), max(finite)) if finite else (0.0, 0.0)
    low = float(np.floor((low - margin) / step) * step)
    high = float(np.ceil((high + margin) / step) * step)
    missing = max(least_span - (high - low), 0.0)
    return low - np.floor(missing / 2 / step) * step, high + np.ceil(missing / 2 / step) * step


def difference_limits(rows: Iterable[Row], threshold_db: float) -> Limits:
    """One axis for all differences of a comparison; intervals that reach further are cut at its ends."""
    values: list[float | None] = [-threshold_db, threshold_db]
    for row in rows:
        values += [row["difference_db"]] if row["difference_db"] is not None else [row["lower_db"], row["upper_db"]]
    return rounded_limits(values, 1.0, 1.0, 4.0)


def draw_bounds(
    axes: Axes, x: Reals, bound: Reals, limits: Limits, *, colour: str, upward: bool = False, size: float = 1.0
) -> None:
    """An arrow from each bound towards where the value may lie: a bar at its tail, never a point.

    `size` is that of its head and bar; many beside each other need small ones.
    """
    length = ARROW_SHARE * (limits[1] - limits[0])
    given = np.isfinite(bound)
    if not given.any():
        return
    axes.errorbar(
        x[given],
        bound[given],
        yerr=length,
        fmt="none",
        uplims=not upward,
        lolims=upward,
        ecolor=colour,
        elinewidth=0.8,
        capsize=1.8 * size,
        label="at least" if upward else "at most",
    )
    axes.plot(x[given], bound[given], linestyle="none", marker="_", color=colour, markersize=4 * size, gid="bound-tail")


def _edges(rows: Sequence[Row]) -> tuple[Reals, Reals]:
    return _column(rows, "lower_hz"), _column(rows, "upper_hz")


def _frequency_limits(panels: Iterable[Sequence[Row]]) -> Limits:
    rows = [row for panel in panels for row in panel]
    low = [row["lower_hz"] for row in rows if row["lower_hz"]]
    high = [row["upper_hz"] for row in rows if row["upper_hz"]]
    return (min(low), max(high)) if low and high else (22.4, 8912.5)


def run_counts(rows: Sequence[Row]) -> str:
    """Numbers of runs of both conditions, which may differ from band to band."""
    counts = sorted({(len(row["reference_runs"] or ()), len(row["treatment_runs"] or ())) for row in rows})
    text = " or ".join(f"{reference} + {treatment}" for reference, treatment in counts[:2])
    return f"{text or '0'} runs"


def levels_figure(
    panels: Mapping[str, Sequence[Row]], sides: Sides, heading: Heading, limits: Limits, reference_pa: float
) -> Figure:
    """Band levels of two conditions, a panel a position.

    `panels` holds the band rows of the comparisons table by position with `reference_bound_db`,
    `treatment_bound_db` and `background_db` added.
    """
    y_label = f"band level, dB re {reference_pa * 1e6:g} µPa"
    figure, every = panel_grid(len(panels), heading, "midband frequency, Hz", y_label)
    lowest, highest = _frequency_limits(panels.values())
    bounds = False
    for axes, (position, rows) in zip(every, panels.items(), strict=False):
        midband = _column(rows, "midband_hz")
        title_panel(axes, position, run_counts(rows))
        axes.plot(midband, _column(rows, "background_db"), color=BACKGROUND_COLOUR, linestyle=":", linewidth=0.8)
        for side in ("reference", "treatment"):
            colour, marker, face, dashes = _side_look(sides, side)
            axes.plot(
                midband,
                _column(rows, f"{side}_level_db"),
                color=colour,
                linestyle=dashes,
                marker=marker,
                markerfacecolor=face,
                markeredgewidth=0.7,
                gid=side,
            )
            bound = _column(rows, f"{side}_bound_db")
            bounds = bounds or bool(np.isfinite(bound).any())
            draw_bounds(axes, midband * SIDE_STEP[side], bound, limits, colour=colour, size=0.8)
    frequency_axis(every[0], lowest, highest)
    every[0].set_ylim(limits)
    legend_line(figure, _level_handles(sides, bounds))
    return figure


def _side_look(sides: Sides, side: str) -> tuple[str, str, str, Dashes]:
    """Colour, mark, what fills it, and dashes: those of the condition, whichever side of a comparison it is."""
    name = sides.reference if side == "reference" else sides.treatment
    colour, dashes = condition_look(sides.conditions, name)
    return colour, condition_mark(sides.conditions, name), condition_face(sides.conditions, name), dashes


def _level_handles(sides: Sides, bounds: bool) -> list[Artist]:
    handles: list[Artist] = []
    for side, title in (("reference", sides.reference_title), ("treatment", sides.treatment_title)):
        colour, marker, face, dashes = _side_look(sides, side)
        handles.append(
            Line2D([], [], color=colour, marker=marker, markerfacecolor=face,
                   linestyle=dashes, label=f"{short(title, 40)} ({side})")
        )  # fmt: skip
    handles.append(Line2D([], [], color=BACKGROUND_COLOUR, linestyle=":", label="background"))
    if bounds:
        handles.append(bound_handle())
    return handles


def bound_handle() -> Artist:
    """The legend's word for the arrows of upper bounds, of any condition."""
    return Line2D([], [], color="#444444", linestyle="none", marker=DOWN_ARROW, fillstyle="none", markersize=6,
                  label="at most (upper bound)")  # fmt: skip


def difference_figure(
    panels: Mapping[str, Sequence[Row]], heading: Heading, limits: Limits, *, threshold_db: float, confidence: float
) -> Figure:
    """Band differences with their intervals, a panel a position; filled marks are shown differences."""
    figure, every = panel_grid(len(panels), heading, "midband frequency, Hz", "treatment minus reference, dB")
    lowest, highest = _frequency_limits(panels.values())
    kinds: set[str] = set()
    for axes, (position, rows) in zip(every, panels.items(), strict=False):
        title_panel(axes, position, run_counts(rows))
        _draw_intervals(axes, rows, limits)
        axes.axhline(0.0, color="#222222", linewidth=0.8)
        for level in (-threshold_db, threshold_db):
            axes.axhline(level, color="#7a5c2e", linewidth=0.7, linestyle=(0, (4, 3)))
        kinds |= _draw_marks(axes, rows, limits)
    frequency_axis(every[0], lowest, highest)
    every[0].set_ylim(limits)
    legend_line(figure, _difference_handles(kinds, threshold_db, confidence))
    return figure


def _draw_intervals(axes: Axes, rows: Sequence[Row], limits: Limits) -> None:
    """The interval of each band over the band's width; an open end reaches to the end of the axis."""
    known = [row for row in rows if row["lower_db"] is not None or row["upper_db"] is not None]
    if not known:
        return
    left, right = _edges(known)
    low = np.nan_to_num(_column(known, "lower_db"), nan=limits[0])
    high = np.nan_to_num(_column(known, "upper_db"), nan=limits[1])
    low, high = np.clip(low, *limits), np.clip(high, *limits)
    axes.bar(left, high - low, right - left, bottom=low, align="edge", color=INTERVAL_COLOUR, linewidth=0)


def mark_kind(row: Row) -> str:
    """How a difference is drawn: shown, equivalent, not shown, bound, or unknown where bounds leave nothing to say."""
    if row["difference_db"] is None:
        return "unknown" if row["lower_db"] is None and row["upper_db"] is None else "bound"
    if row["finding"] in SHOWN:
        return "shown"
    return "equivalent" if row["finding"] == "equivalent" else "not shown"


def _draw_marks(axes: Axes, rows: Sequence[Row], limits: Limits) -> set[str]:
    groups: dict[tuple[str, bool], list[Row]] = {}
    for row in rows:
        groups.setdefault((mark_kind(row), bool(row["doubtful"])), []).append(row)
    for (kind, doubtful), members in groups.items():
        colour = DOUBTFUL_COLOUR if doubtful else DIFFERENCE_COLOUR
        midband = _column(members, "midband_hz")
        if kind == "unknown":
            continue
        if kind == "bound":
            draw_bounds(axes, midband, _column(members, "upper_db"), limits, colour=colour)
            draw_bounds(axes, midband, _column(members, "lower_db"), limits, colour=colour, upward=True)
            continue
        axes.plot(
            midband,
            _column(members, "difference_db"),
            linestyle="none",
            marker="d" if kind == "equivalent" else "o",
            color=colour,
            markerfacecolor=colour if kind == "shown" else "white",
            markeredgewidth=0.7,
            markersize=3.4,
            gid=kind,
        )
    return {kind for kind, _ in groups if kind != "unknown"} | (
        {"doubtful"} if any(doubtful for _, doubtful in groups) else set()
    )


def _difference_handles(kinds: set[str], threshold_db: float, confidence: float) -> list[Artist]:
    colour = DIFFERENCE_COLOUR
    marks = {
        "shown": ("o", colour, "shown"),
        "not shown": ("o", "white", "not shown"),
        "equivalent": ("d", "white", "equivalent"),
    }
    handles: list[Artist] = [
        Line2D([], [], color=colour, linestyle="none", marker=marker, markerfacecolor=face, label=label)
        for kind, (marker, face, label) in marks.items()
        if kind in kinds
    ]
    if "bound" in kinds:
        handles.append(
            Line2D([], [], color=colour, linestyle="none", marker=BOTH_ARROWS, fillstyle="none", markersize=6,
                   label="one-sided")
        )  # fmt: skip
    if "doubtful" in kinds:
        grey = DOUBTFUL_COLOUR
        handles.append(Line2D([], [], color=grey, linestyle="none", marker="o", label="doubtful"))
    handles.append(Patch(color=INTERVAL_COLOUR, label=f"{confidence_words(confidence)} interval"))
    line = Line2D([], [], color="#7a5c2e", linestyle=(0, (4, 3)), linewidth=0.7)
    line.set_label(f"threshold ±{number(threshold_db)} dB")
    return [*handles, line]
