"""Compare: differences line by line, where the settings asked for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from tapeline.arrays import Reals
from tapeline.campaign.model import Campaign
from tapeline.limits import AXIS_HOLDS_LINES_SHARE
from tapeline.report.blocks import FigureBlock, Section
from tapeline.report.charts.figure import Figure, Key, figure_of
from tapeline.report.charts.panel import Box, Panel
from tapeline.report.charts.scales import THIRDS_HZ, Limits, rounded_limits
from tapeline.report.comparison_views import View, by_rank, condition_title, views
from tapeline.report.figure_data import FigureData
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.view_names import figure_name
from tapeline.report.wording import interval, listed, number, operating_point

MOST_LINE_PANELS = 4
NAMES = ("lower_db", "difference_db", "upper_db")


def lines_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """A figure a comparison that has lines: its first positions in rank, at the fastest view that has them."""
    figures: dict[str, Figure] = {}
    every = views(tables.comparisons)
    for view in sorted(every, key=lambda view: (view.comparison, -view.speed_mps, abs(view.yaw_deg))):
        if view.comparison not in figures:
            first = by_rank(view, tables.ranking)[:MOST_LINE_PANELS]
            rows = {row["position"]: row for row in tables.line_differences(view.key, first)}
            if rows:
                panels = {name: rows[name] for name in first if name in rows}
                figures[view.comparison] = lines_figure(campaign, view, panels)
    blocks = [FigureBlock(figure) for figure in figures.values()]
    return [Section("lines", "Difference line by line", "compare", blocks, is_folded=True)] if blocks else []


def values_of(row: Row, name: str) -> Reals:
    """One list of a row of the table `line_differences`."""
    return np.asarray(row[name], dtype=np.float64)


def frequencies_of(row: Row) -> Reals:
    """Frequencies of the row's lines in Hz."""
    return np.asarray(row["first_hz"] + row["step_hz"] * np.arange(len(row["difference_db"])), dtype=np.float64)


def lines_figure(campaign: Campaign, view: View, panels: Mapping[str, Row]) -> Figure:
    """Treatment minus reference by line, a panel a position below the other: they share frequencies and differences."""
    threshold = campaign.settings.compare.practical_threshold_db
    ends, limits = line_limits(list(panels.values()))
    made = []
    for index, (position, row) in enumerate(panels.items()):
        top = 24.0 + 156.0 * index
        last = index == len(panels) - 1
        panel = Panel(Box(58, top, 672, top + 116), ends, limits, title=position, frequency=True, zooms=True,
                      x_label="frequency, Hz" if last else "", y_label="difference, dB")  # fmt: skip
        hz, (low, middle, high) = frequencies_of(row), (values_of(row, name) for name in NAMES)
        panel.dense_band(hz, low, high, "iv")
        panel.dense_curve(hz, middle, "nt thin")
        panel.level_line(0.0, "ze")
        for level in (-threshold, threshold):
            panel.level_line(level, "li", "4 3")
        _read(panel, position, row)
        made.append(panel)
    point = operating_point(view.speed_mps, view.yaw_deg, campaign.settings.report.speed_unit)
    largest = max(((*largest_line(row), position) for position, row in panels.items()), key=lambda found: abs(found[1]))
    beyond = (
        f"the largest whose interval leaves out zero is {number(largest[1], signed=True)} dB at {largest[0]:.0f} Hz, "
        f"{largest[2]}"
        if largest[1]
        else "no line's interval leaves out zero"
    )
    titles = f"{condition_title(campaign, view.treatment)} minus {condition_title(campaign, view.reference)}"
    return figure_of(
        figure_name(campaign, "lines", view),
        f"{view.comparison}: difference line by line",
        made,
        [
            Key("difference", "nt"),
            Key("interval of each line by itself", "iv", "box"),
            Key(f"threshold ±{number(threshold)} dB", "li", dashes="4 3"),
        ],
        height=24.0 + 156.0 * len(panels) + 2.0,
        alt=f"Difference by spectral line at {listed(list(panels), MOST_LINE_PANELS)}; {beyond}.",
        caption=f"{view.comparison}, {titles}, session {view.sessions}, {point}. Each line has its own interval: of "
        "hundreds of lines some leave out zero by chance. All positions are in tables/line_differences.parquet.",
        data=_data(panels),
    )


def line_limits(rows: Sequence[Row]) -> tuple[Limits, Limits]:
    """The frequencies that have values, and an axis that holds most of the intervals."""
    ends: list[float] = []
    lowest, highest = [], []
    for row in rows:
        hz, (low, middle, high) = frequencies_of(row), (values_of(row, name) for name in NAMES)
        known = np.isfinite(middle) & (hz > 0.0)
        if known.any():
            both = np.concatenate([low[known], high[known]])
            ends += [
                float(np.nanquantile(both, share)) for share in (1.0 - AXIS_HOLDS_LINES_SHARE, AXIS_HOLDS_LINES_SHARE)
            ]
            lowest.append(float(hz[known][0]))
            highest.append(float(hz[known][-1]))
    first, last = min(lowest, default=20.0), max(highest, default=10_000.0)
    return (first, last if last > first else 2.0 * first), rounded_limits(ends, 2.0, 0.5, 4.0)


def largest_line(row: Row) -> tuple[float, float]:
    """Frequency and difference of the line furthest from zero of those whose interval leaves it out; 0 dB of none."""
    low, middle, high = (values_of(row, name) for name in NAMES)
    size = np.where((low > 0.0) | (high < 0.0), np.abs(middle), 0.0)
    at = int(np.argmax(np.nan_to_num(size)))
    return float(frequencies_of(row)[at]), float(middle[at] if size[at] > 0.0 else 0.0)


def _read(panel: Panel, position: str, row: Row) -> None:
    """In each third-octave the line that is furthest from zero."""
    hz, (low, middle, high) = frequencies_of(row), (values_of(row, name) for name in NAMES)
    edge = 2.0 ** (1.0 / 6.0)
    for midband in THIRDS_HZ:
        inside = np.flatnonzero((hz >= midband / edge) & (hz < midband * edge) & np.isfinite(middle))
        if inside.size:
            at = int(inside[np.argmax(np.abs(middle[inside]))])
            words = f"{number(float(middle[at]), signed=True)} dB ({interval(float(low[at]), float(high[at]))})"
            panel.reads(float(hz[at]), float(middle[at]), f"{position}, {hz[at]:g} Hz: {words}")


def _data(panels: Mapping[str, Row]) -> FigureData:
    return FigureData(
        {
            "position": [position for position, row in panels.items() for _ in frequencies_of(row)],
            "frequency_hz": np.concatenate([frequencies_of(row) for row in panels.values()]),
            **{name: np.concatenate([values_of(row, name) for row in panels.values()]) for name in NAMES},
        }
    )
