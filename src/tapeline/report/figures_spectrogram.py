"""Spectra against time of one run, where they were asked for: one colour scale on the whole page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure

from tapeline.acoustics.levels import level_db
from tapeline.arrays import Reals
from tapeline.report.figure_panels import Heading, panel_grid
from tapeline.report.figure_style import LEVEL_COLOURS, frequency_axis
from tapeline.report.finished_tables import Row

DEEPEST_DB = 60.0
SHARE_ABOVE = 0.5
"""Percent of the cells that may be louder than the scale's upper end."""


@dataclass(frozen=True)
class TimeSpectra:
    """Spectra of one position at rising times, in dB: shape (lines, times), NaN where a time is left out."""

    time_s: Reals
    frequency_hz: Reals
    level_db: Reals


def time_spectra(rows: Sequence[Row], reference_pa: float) -> TimeSpectra:
    """Rows of the spectrogram table of one run and position; gaps in time stay gaps."""
    ordered = sorted(rows, key=lambda row: row["time_s"])
    times = np.array([row["time_s"] for row in ordered])
    step = float(np.min(np.diff(times))) if times.size > 1 else 1.0
    places = np.round((times - times[0]) / step).astype(int)
    levels = np.full((len(ordered[0]["psd_pa2_per_hz"]), int(places[-1]) + 1), np.nan)
    levels[:, places] = level_db(np.array([row["psd_pa2_per_hz"] for row in ordered], dtype=np.float64), reference_pa).T
    frequency = ordered[0]["first_hz"] + ordered[0]["step_hz"] * np.arange(levels.shape[0])
    return TimeSpectra(times[0] + step * np.arange(levels.shape[1]), np.asarray(frequency, dtype=np.float64), levels)


def colour_limits(every: Sequence[TimeSpectra]) -> tuple[float, float]:
    """One scale for all panels of the page, in whole 5 dB, at most 60 dB deep."""
    values = np.concatenate([found.level_db[np.isfinite(found.level_db)] for found in every] or [np.zeros(0)])
    if not values.size:
        return 0.0, 1.0
    high = float(np.ceil(np.percentile(values, 100.0 - SHARE_ABOVE) / 5.0) * 5.0)
    low = float(np.floor(np.percentile(values, 1.0) / 5.0) * 5.0)
    return max(low, high - DEEPEST_DB), max(high, low + 5.0)


def spectrogram_figure(
    panels: Mapping[str, TimeSpectra], heading: Heading, limits: tuple[float, float], reference_pa: float
) -> Figure:
    """A panel a position, frequency over time, density as darkness; stretches left out stay empty."""
    figure, every = panel_grid(len(panels), heading, "time, s", "frequency, Hz", panel_in=1.5)
    norm = Normalize(*limits)
    for axes, (position, found) in zip(every, panels.items(), strict=False):
        axes.set_title(position)
        axes.pcolormesh(
            found.time_s, found.frequency_hz, found.level_db, cmap=LEVEL_COLOURS, norm=norm, shading="nearest",
            rasterized=True,
        )  # fmt: skip
    lowest = min(float(found.frequency_hz[0]) for found in panels.values())
    highest = max(float(found.frequency_hz[-1]) for found in panels.values())
    frequency_axis(every[0], max(lowest, 1.0), highest, upright=True)
    height_in = figure.get_size_inches()[1]
    bar = figure.add_axes((0.62, 1 - 0.2 / height_in, 0.33, 0.07 / height_in))
    figure.colorbar(ScalarMappable(norm, LEVEL_COLOURS), cax=bar, orientation="horizontal")
    bar.set_xlabel(f"dB re ({reference_pa * 1e6:g} µPa)²/Hz", fontsize=5.5, labelpad=1)
    return figure
