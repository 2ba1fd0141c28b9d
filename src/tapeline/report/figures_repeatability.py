"""Figures on repeatability: scatter within and between sessions over the bands, and control charts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedFormatter, FixedLocator

from tapeline.arrays import Reals
from tapeline.report.figure_panels import Heading, legend_line, panel_grid
from tapeline.report.figure_style import CONDITION_COLOURS, INTERVAL_COLOUR, frequency_axis
from tapeline.report.finished_tables import Row
from tapeline.report.wording import short

INK, FAINT, LIMIT_COLOUR = CONDITION_COLOURS[0], "#8f8f8a", CONDITION_COLOURS[1]
LEAST_LIMIT_DB = 0.5
MOST_TICKS = 8


@dataclass(frozen=True)
class BandScatter:
    """Smallest, median and largest value of one column over positions and points, by band; all of shape (bands,)."""

    band_hz: Reals
    least_db: Reals
    median_db: Reals
    most_db: Reals


def band_scatter(rows: Sequence[Row], name: str) -> BandScatter:
    """The values of one column gathered by band; bands without any are not there."""
    bands: dict[float, list[float]] = {}
    for row in rows:
        if row[name] is not None:
            bands.setdefault(row["band_hz"], []).append(row[name])
    ordered = sorted(bands)
    least, middle, most = (np.array([of(bands[band]) for band in ordered]) for of in (np.min, np.median, np.max))
    return BandScatter(np.array(ordered), least, middle, most)


def scatter_figure(panels: Mapping[str, BandScatter], random_error: BandScatter, heading: Heading) -> Figure:
    """A panel each for scatter within and between sessions, median and range; in the first the random error too."""
    figure, every = panel_grid(
        len(panels), heading, "band, Hz", "standard deviation, dB", columns=max(len(panels), 2), panel_in=1.9
    )
    for axes, (title, found) in zip(every, panels.items(), strict=False):
        axes.set_title(title)
        axes.fill_between(found.band_hz, found.least_db, found.most_db, color=INTERVAL_COLOUR, linewidth=0)
        axes.plot(found.band_hz, found.median_db, color=INK, marker="o", gid="median")
    every[0].plot(random_error.band_hz, random_error.median_db, color=LIMIT_COLOUR, linestyle=(0, (4.0, 1.5)))
    bands = np.concatenate([found.band_hz for found in panels.values()])
    frequency_axis(every[0], 0.9 * float(bands.min()), 1.1 * float(bands.max()))
    every[0].set_ylim(bottom=0.0)
    legend_line(
        figure,
        [
            Line2D([], [], color=INK, marker="o", label="median"),
            Patch(color=INTERVAL_COLOUR, label="smallest to largest"),
            Line2D([], [], color=LIMIT_COLOUR, linestyle=(0, (4.0, 1.5)), label="random error, median"),
        ],
    )
    return figure


def control_figure(panels: Mapping[str, Sequence[Row]], heading: Heading) -> Figure:
    """Session means about their centre, a panel a position, with control limits; an open mark is a new mount."""
    figure, every = panel_grid(len(panels), heading, "session, in order of time", "level less centre, dB")
    names: dict[str, None] = {}
    for rows in panels.values():
        names |= dict.fromkeys(row["session"] for row in sorted(rows, key=lambda row: row["session_number"]))
    places = {name: place for place, name in enumerate(names)}
    for axes, (position, rows) in zip(every, panels.items(), strict=False):
        axes.set_title(position)
        _chart(axes, sorted(rows, key=lambda row: row["session_number"]), places)
    every[0].set_xlim(-0.5, len(places) - 0.5)
    step = -(-len(places) // MOST_TICKS)
    every[0].xaxis.set_major_locator(FixedLocator(list(range(0, len(places), step))))
    every[0].xaxis.set_major_formatter(FixedFormatter([short(name, 10) for name in list(names)[::step]]))
    largest = max(abs(value) for rows in panels.values() for row in rows for value in _offsets(row))
    every[0].set_ylim(-1.15 * max(largest, LEAST_LIMIT_DB), 1.15 * max(largest, LEAST_LIMIT_DB))
    legend_line(
        figure,
        [
            Line2D([], [], color=INK, marker="o", linestyle="none", label="mount kept, or first"),
            Line2D([], [], color=INK, marker="o", markerfacecolor="white", linestyle="none", label="new mount"),
            Line2D([], [], color=LIMIT_COLOUR, linewidth=0.8, label="control limits"),
            Line2D([], [], color=LIMIT_COLOUR, marker="X", linestyle="none", label="outside"),
        ],
    )
    return figure


def _offsets(row: Row) -> list[float]:
    ends = (row["level_db"], row["lower_limit_db"], row["upper_limit_db"])
    return [end - row["centre_db"] for end in ends if end is not None and row["centre_db"] is not None] or [0.0]


def _chart(axes: Axes, rows: Sequence[Row], places: Mapping[str, int]) -> None:
    across = [places[row["session"]] for row in rows]
    values = [row["level_db"] - row["centre_db"] for row in rows]
    axes.axhline(0.0, color=FAINT, linewidth=0.6)
    for end in ("lower_limit_db", "upper_limit_db"):
        axes.axhline(rows[0][end] - rows[0]["centre_db"], color=LIMIT_COLOUR, linewidth=0.8)
    axes.plot(across, values, color=INK, linewidth=0.7)
    for x, y, row in zip(across, values, rows, strict=True):
        new = row["mount"] not in ("kept", "first")
        outside = bool(row["outside"])
        axes.plot(
            [x],
            [y],
            marker="X" if outside else "o",
            markersize=4.5 if outside else 3.5,
            color=LIMIT_COLOUR if outside else INK,
            markerfacecolor="white" if new and not outside else None,
        )
