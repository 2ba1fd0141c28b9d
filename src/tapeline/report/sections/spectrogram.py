"""Spectra against time of one run, where they were asked for: one scale of shades on the whole page."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.levels import level_db
from tapeline.arrays import Reals
from tapeline.campaign.model import Campaign
from tapeline.report.charts.figure import Figure, figure_of, panel_boxes
from tapeline.report.charts.panel import Panel
from tapeline.report.charts.raster import shades
from tapeline.report.charts.scales import OCTAVES_HZ, Limits
from tapeline.report.chosen_runs import ChosenRuns
from tapeline.report.comparison_views import MOST_PANELS, condition_title, in_table_order
from tapeline.report.figure_data import FigureData
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.wording import counted, listed, number

DEEPEST_DB = 60.0
SHARE_ABOVE = 0.5
"""Percent of the cells that may be louder than the scale's upper end."""
ROWS, MOST_COLUMNS = 120, 280
"""A raster has no more shades than a panel has pixels."""
READ_TIMES = 8


@dataclass(frozen=True)
class TimeSpectra:
    """Spectra of one position at rising times, in dB: shape (lines, times), NaN where a time is left out."""

    time_s: Reals
    frequency_hz: Reals
    level_db: Reals


def spectrogram_figures(tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns) -> list[Figure]:
    """Spectra against time of the chosen runs, a figure a run, where they were asked for."""
    asked = campaign.settings.spectrogram
    if not asked.positions:
        return []
    pascal = campaign.settings.reference_pressure_pa
    every = in_table_order(campaign, (row["position"] for row in tables.positions))
    wanted = [name for name in every if asked.positions == "all" or name in asked.positions]
    found: dict[str, dict[str, TimeSpectra]] = {}
    for condition, run in chosen.runs.items():
        rows = tables.spectrogram(chosen.session, (run,), wanted[:MOST_PANELS])
        of_position = {name: [row for row in rows if row["position"] == name] for name in wanted}
        panels = {name: time_spectra(own, pascal) for name, own in of_position.items() if own}
        if panels:
            found[condition] = panels
    limits = shade_limits([one for panels in found.values() for one in panels.values()])
    return [
        spectrogram_figure(campaign, chosen, condition, panels, limits, len(wanted))
        for condition, panels in found.items()
    ]


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


def shade_limits(every: Sequence[TimeSpectra]) -> Limits:
    """One scale for all panels of the page, in whole 5 dB, at most 60 dB deep."""
    values = np.concatenate([found.level_db[np.isfinite(found.level_db)] for found in every] or [np.zeros(0)])
    if not values.size:
        return 0.0, 1.0
    high = float(np.ceil(np.percentile(values, 100.0 - SHARE_ABOVE) / 5.0) * 5.0)
    low = float(np.floor(np.percentile(values, 1.0) / 5.0) * 5.0)
    return max(low, high - DEEPEST_DB), max(high, low + 5.0)


def spectrogram_figure(
    campaign: Campaign,
    chosen: ChosenRuns,
    condition: str,
    panels: Mapping[str, TimeSpectra],
    limits: Limits,
    wanted: int,
) -> Figure:
    """A panel a position, frequency over time, density as darkness; stretches left out stay empty."""
    asked, run = campaign.settings.spectrogram, chosen.runs[condition]
    pascal = campaign.settings.reference_pressure_pa
    lowest = max(min(float(found.frequency_hz[0]) for found in panels.values()), 1.0)
    ends = lowest, max(float(found.frequency_hz[-1]) for found in panels.values())
    boxes, height = panel_boxes(len(panels), columns=2, height=ROWS)
    made = []
    for index, (position, found) in enumerate(panels.items()):
        step = float(found.time_s[1] - found.time_s[0]) if found.time_s.size > 1 else 1.0
        times = float(found.time_s[0] - step / 2.0), float(found.time_s[-1] + step / 2.0)
        panel = Panel(boxes[index], times, ends, title=position, upright_frequency=True,
                      y_ticks=[hertz for hertz in OCTAVES_HZ[1::2] if ends[0] <= hertz <= ends[1]],
                      x_label="time, s" if index + 2 >= len(panels) else "",
                      y_label="frequency, Hz" if index % 2 == 0 else "")  # fmt: skip
        panel.image(shades((raster(found, ends) - limits[0]) / (limits[1] - limits[0])))
        _read(panel, position, found)
        made.append(panel)
    title = condition_title(campaign, condition)
    some = f" {len(panels)} of {counted(wanted, 'position')} asked for." if len(panels) < wanted else ""
    return figure_of(
        ("spectrogram", chosen.session, run),
        f"Spectra against time: {title}, run {run}",
        made,
        [],
        height=height,
        alt=f"Spectra against time at {listed(panels, MOST_PANELS)}, {title}, run {run}: a gust is a dark upright "
        "stripe, a tone a dark level line.",
        caption=f"{title}, run {run}: lines {asked.resolution_hz:g} Hz apart, each column the mean over "
        f"{asked.step_s:g} s. Darker is more: from {limits[0]:g} to {limits[1]:g} dB re ({pascal * 1e6:g} µPa)²/Hz in "
        f"all of these figures. Empty where left out.{some}",
        data=_data(panels),
    )


def raster(found: TimeSpectra, ends: Limits) -> Reals:
    """Levels in rows of equal ratios of frequency, the highest above, each the largest line in it; columns of time."""
    edges = np.geomspace(ends[1], ends[0], ROWS + 1)
    per = -(-found.time_s.size // MOST_COLUMNS)
    columns = -(-found.time_s.size // per)
    made = np.full((ROWS, columns), np.nan)
    for row, (upper, lower) in enumerate(itertools.pairwise(edges)):
        inside = np.flatnonzero((found.frequency_hz >= lower) & (found.frequency_hz <= upper))
        if not inside.size:
            inside = np.array([np.argmin(np.abs(found.frequency_hz - np.sqrt(upper * lower)))])
        for column in range(columns):
            own = found.level_db[inside, column * per : (column + 1) * per]
            made[row, column] = np.max(own[np.isfinite(own)], initial=-np.inf) if np.isfinite(own).any() else np.nan
    return made


def _read(panel: Panel, position: str, found: TimeSpectra) -> None:
    """The loudest line of each octave in each of some parts of the time."""
    part = np.arange(found.time_s.size) * READ_TIMES // max(found.time_s.size, 1)
    for index in range(READ_TIMES):
        columns = np.flatnonzero(part == index)
        for octave in OCTAVES_HZ:
            lines = np.flatnonzero((found.frequency_hz >= octave / 2**0.5) & (found.frequency_hz < octave * 2**0.5))
            own = found.level_db[np.ix_(lines, columns)]
            if np.isfinite(own).any():
                line, column = np.unravel_index(int(np.nanargmax(own)), own.shape)
                time, hertz = float(found.time_s[columns[column]]), float(found.frequency_hz[lines[line]])
                words = f"{position}, {time:.4g} s: {hertz:.4g} Hz {number(float(own[line, column]))} dB"
                panel.reads(time, hertz, f"{words}, the largest nearby")


def _data(panels: Mapping[str, TimeSpectra]) -> FigureData:
    """A row a position and line, a column a time, in dB."""
    times = max((found.time_s for found in panels.values()), key=len)
    lines = [(position, found, line) for position, found in panels.items() for line in range(found.frequency_hz.size)]
    return FigureData(
        {
            "position": [position for position, _, _ in lines],
            "frequency_hz": [float(found.frequency_hz[line]) for _, found, line in lines],
            **{
                f"psd_db at {time:.6g} s": np.array(
                    [found.level_db[line, column] if column < found.time_s.size else np.nan for _, found, line in lines]
                )
                for column, time in enumerate(times)
            },
        }
    )
