"""Trace: level against time of one run a condition, and spectra against time where they were asked for."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from tapeline.campaign.model import Campaign
from tapeline.report.blocks import Block, FigureBlock, Prose, Section
from tapeline.report.charts.figure import Figure, condition_key, figure_of, panel_boxes
from tapeline.report.charts.looks import condition_look
from tapeline.report.charts.panel import Panel
from tapeline.report.charts.scales import rounded_limits
from tapeline.report.chosen_runs import ChosenRuns, chosen_runs, runs_words
from tapeline.report.comparison_views import MOST_PANELS, condition_title, first_positions
from tapeline.report.figure_data import FigureData
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.sections.spectrogram import spectrogram_figures
from tapeline.report.wording import counted, listed, number

MOST_READINGS = 120
"""Times of a panel that can be read; of more every second, third and so on, the table beside the figure has all."""

Panels = Mapping[str, Mapping[str, Sequence[Row]]]
"""Rows of the history table by position and condition, in order of time."""


def history_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """Level against time of the chosen runs at the positions ranked first."""
    chosen = chosen_runs(tables, campaign)
    if chosen is None:
        return [_section([Prose("No level against time: no run was used.", "none")])]
    panels = history_panels(tables, campaign, chosen)
    blocks: list[Block] = [Prose(f"{runs_words(campaign, chosen)}.", "note")]
    blocks += [FigureBlock(history_figure(tables, campaign, chosen, panels))] if panels else []
    blocks += [FigureBlock(figure) for figure in spectrogram_figures(tables, campaign, chosen)]
    return [_section(blocks)] if len(blocks) > 1 else []


def _section(blocks: Sequence[Block]) -> Section:
    return Section("history", "Level against time", "trace", blocks, is_folded=True)


def history_panels(tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns) -> dict[str, dict[str, list[Row]]]:
    """The rows of the first weighting that the settings name."""
    names = first_positions(tables, campaign)
    conditions = {run: condition for condition, run in chosen.runs.items()}
    found: dict[str, dict[str, list[Row]]] = {name: {} for name in names}
    for row in tables.history(
        chosen.session, tuple(chosen.runs.values()), names, campaign.settings.history.weighting[0]
    ):
        found[row["position"]].setdefault(conditions[row["run"]], []).append(row)
    return {
        name: {own: sorted(rows[own], key=lambda row: row["time_s"]) for own in chosen.runs if own in rows}
        for name, rows in found.items()
        if rows
    }


def history_figure(tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns, panels: Panels) -> Figure:
    """A panel a position, all on one axis of level and of time."""
    settings = campaign.settings
    weighting = settings.history.weighting[0]
    names = list(settings.conditions)
    every = [row for own in panels.values() for rows in own.values() for row in rows]
    limits = rounded_limits((row["level_db"] for row in every), 5.0, 0.5, 10.0)
    last = max(row["time_s"] for row in every) + settings.history.interval_s
    boxes, height = panel_boxes(len(panels), columns=2, height=84)
    made = []
    for index, (position, own) in enumerate(panels.items()):
        panel = Panel(boxes[index], (0.0, last), limits, title=position,
                      x_label="time, s" if index + 2 >= len(panels) else "",
                      y_label=f"dB re {settings.reference_pressure_pa * 1e6:g} µPa" if index % 2 == 0 else "",
                      )  # fmt: skip
        for condition, rows in own.items():
            look = condition_look(names, condition)
            levels = np.array([math.nan if row["level_db"] is None else row["level_db"] for row in rows])
            panel.dense_curve(np.array([row["time_s"] for row in rows]), levels, f"{look.role} thin", look.dashes)
        _read(panel, campaign, position, own)
        made.append(panel)
    there = len(tables.positions)
    some = f" {len(panels)} of {counted(there, 'position')}, those ranked first." if len(panels) < there else ""
    weighted = "Level" if weighting == "Z" else f"{weighting}-weighted level"
    return figure_of(
        ("history", chosen.session),
        "Level against time",
        made,
        [condition_key(condition_look(names, name), condition_title(campaign, name))
         for name in chosen.runs if any(name in own for own in panels.values())],
        height=height,
        alt=f"{weighted} against time at {listed(panels, MOST_PANELS)}: a step or a slope would show that something "
        "came loose or the flow was not steady.",
        caption=f"{weighted} in intervals of {settings.history.interval_s:g} s.{some} A step or a slope shows that "
        "something came loose or the flow was not steady.",
        data=_data(panels),
    )  # fmt: skip


def _read(panel: Panel, campaign: Campaign, position: str, own: Mapping[str, Sequence[Row]]) -> None:
    at_time: dict[float, dict[str, float]] = {}
    for condition, rows in own.items():
        for row in rows:
            if row["level_db"] is not None:
                at_time.setdefault(row["time_s"], {})[condition] = row["level_db"]
    times = sorted(at_time)
    for time in times[:: max(-(-len(times) // MOST_READINGS), 1)]:
        levels = at_time[time]
        said = "; ".join(f"{condition_title(campaign, name)} {number(value)} dB" for name, value in levels.items())
        panel.reads(time, max(levels.values()), f"{position}, {time:g} s: {said}")


def _data(panels: Panels) -> FigureData:
    rows = [(position, name, row) for position, own in panels.items() for name, rows in own.items() for row in rows]
    return FigureData(
        {
            "position": [position for position, _, _ in rows],
            "condition": [condition for _, condition, _ in rows],
            **{name: [row[name] for _, _, row in rows] for name in ("run", "weighting", "time_s", "level_db")},
        }
    )
