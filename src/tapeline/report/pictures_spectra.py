"""The pictures of chosen runs: narrowband spectra, level against time, spectra against time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.levels import level_db
from tapeline.campaign.model import Campaign
from tapeline.report.chosen_runs import ChosenRuns
from tapeline.report.comparison_views import MOST_PANELS, condition_title, first_positions, in_table_order
from tapeline.report.figure_data import FigureData
from tapeline.report.figure_files import FigureShelf, Picture, Subject
from tapeline.report.figure_panels import Heading, pages_of
from tapeline.report.figures_spectra import history_figure, spectra_figure, spectra_limits
from tapeline.report.figures_spectrogram import TimeSpectra, colour_limits, spectrogram_figure, time_spectra
from tapeline.report.finished_tables import FinishedTables, Row, Spectrum
from tapeline.report.wording import listed, operating_point

MOST_SPECTRA_FIGURES = 6


def spectra_pictures(
    tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns, shelf: FigureShelf
) -> list[Picture]:
    """Narrowband spectra of the chosen runs at every position."""
    every = in_table_order(campaign, (row["position"] for row in tables.positions))
    by_position: dict[str, list[tuple[str, Spectrum]]] = {}
    conditions = {run: condition for condition, run in chosen.runs.items()}
    for spectrum in tables.spectra(chosen.session, tuple(chosen.runs.values()), every):
        by_position.setdefault(spectrum.position, []).append((conditions[spectrum.run], spectrum))
    names = [name for name in every if name in by_position]
    order = list(chosen.runs)
    ordered = {name: sorted(by_position[name], key=lambda pair: order.index(pair[0])) for name in names}
    reference_pa = campaign.settings.reference_pressure_pa
    limits = campaign.settings.report.density_axis_db or spectra_limits(ordered, reference_pa)
    pictures = []
    for part in pages_of(names, MOST_PANELS)[:MOST_SPECTRA_FIGURES]:
        heading = Heading("Narrowband spectra, one run a condition", _selection(campaign, chosen))
        panels = {name: ordered[name] for name in part}
        pictures.append(
            shelf.add(
                ("spectra", chosen.session),
                partial(spectra_figure, panels, _titles(campaign), heading, limits, reference_pa),
                alt=f"Power spectral densities at {listed(part, MOST_PANELS)}: one run of each condition over the "
                "background; a tone is a narrow peak.",
                data=_spectra_data(panels, reference_pa),
                subject=_subject(campaign, chosen, part),
                caption=f"Narrowband spectra of one run a condition ({_runs(campaign, chosen)}) and the background of "
                "the first, as measured: nothing subtracted."
                + (" The axis is fixed by the settings." if campaign.settings.report.density_axis_db else ""),
            )
        )
    return pictures


def history_picture(
    tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns, shelf: FigureShelf
) -> Picture | None:
    """Level against time of the chosen runs at the first positions of the rankings."""
    weighting = campaign.settings.history.weighting[0]
    names = first_positions(tables, campaign)
    conditions = {run: condition for condition, run in chosen.runs.items()}
    panels: dict[str, dict[str, list[Row]]] = {name: {} for name in names}
    for row in tables.history(chosen.session, tuple(chosen.runs.values()), names, weighting):
        panels[row["position"]].setdefault(conditions[row["run"]], []).append(row)
    filled = {name: _in_order(rows, chosen.runs) for name, rows in panels.items() if rows}
    if not filled:
        return None
    heading = Heading("Level against time, one run a condition", _selection(campaign, chosen))
    return shelf.add(
        ("history", chosen.session),
        partial(
            history_figure,
            filled,
            _titles(campaign),
            heading,
            weighting,
            campaign.settings.reference_pressure_pa,
        ),
        alt=f"Level against time at {listed(filled, MOST_PANELS)}: a step or a slope would show that something came "
        "loose or the flow was not steady.",
        data=_history_data(filled),
        subject=_subject(campaign, chosen, filled),
        caption=f"Level in intervals of {campaign.settings.history.interval_s:g} s, one run a condition "
        f"({_runs(campaign, chosen)}); {len(filled)} of {len(tables.positions)} positions, those ranked first.",
    )


def spectrogram_pictures(
    tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns, shelf: FigureShelf
) -> list[Picture]:
    """Spectra against time of the chosen runs, a figure a run, where they were asked for."""
    asked = campaign.settings.spectrogram
    if not asked.positions:
        return []
    reference_pa = campaign.settings.reference_pressure_pa
    every = in_table_order(campaign, (row["position"] for row in tables.positions))
    names = [name for name in every if asked.positions == "all" or name in asked.positions][:MOST_PANELS]
    found: dict[str, dict[str, TimeSpectra]] = {}
    for condition, run in chosen.runs.items():
        rows = tables.spectrogram(chosen.session, (run,), names)
        of_position = {name: [row for row in rows if row["position"] == name] for name in names}
        panels = {name: time_spectra(own, reference_pa) for name, own in of_position.items() if own}
        if panels:
            found[condition] = panels
    limits = colour_limits([one for panels in found.values() for one in panels.values()])
    return [
        shelf.add(
            ("spectrogram", chosen.session, chosen.runs[condition]),
            partial(
                spectrogram_figure,
                panels,
                Heading(f"Spectra against time: {condition_title(campaign, condition)}", _selection(campaign, chosen)),
                limits,
                reference_pa,
            ),
            alt=f"Spectra against time at {listed(panels, MOST_PANELS)}, run {chosen.runs[condition]}: a gust is a "
            "dark upright stripe, a tone a dark level line.",
            data=_spectrogram_data(panels),
            subject=_subject(campaign, chosen, panels),
            caption=f"Run {chosen.runs[condition]}: Hann blocks for lines {asked.resolution_hz:g} Hz apart, half "
            f"overlapping, each column the mean over {asked.step_s:g} s; colours from {limits[0]:g} to {limits[1]:g} "
            "dB in all of these figures; empty where left out.",
            full_colour=True,
        )
        for condition, panels in found.items()
    ]


def _in_order(rows: dict[str, list[Row]], order: Iterable[str]) -> dict[str, list[Row]]:
    return {name: sorted(rows[name], key=lambda row: row["time_s"]) for name in order if name in rows}


def _titles(campaign: Campaign) -> dict[str, str]:
    return {name: condition_title(campaign, name) for name in campaign.settings.conditions}


def _runs(campaign: Campaign, chosen: ChosenRuns) -> str:
    return ", ".join(f"{condition_title(campaign, name)}: {run}" for name, run in chosen.runs.items())


def _selection(campaign: Campaign, chosen: ChosenRuns) -> str:
    point = operating_point(chosen.speed_mps, chosen.yaw_deg, campaign.settings.report.speed_unit)
    runs = ", ".join(f"{name}: {run}" for name, run in chosen.runs.items())
    return f"campaign {campaign.settings.campaign} · session {chosen.session} · {point} · runs {runs}"


def _subject(campaign: Campaign, chosen: ChosenRuns, positions: Iterable[str]) -> Subject:
    point = operating_point(chosen.speed_mps, chosen.yaw_deg, campaign.settings.report.speed_unit)
    return Subject(point=point, positions=tuple(positions))


def _spectra_data(panels: Mapping[str, Sequence[tuple[str, Spectrum]]], reference_pa: float) -> FigureData:
    """A column a position and condition on one grid of lines; another grid follows below, other columns empty."""
    columns: dict[str, NDArray[np.float64]] = {}
    grids: dict[tuple[float, ...], slice] = {}
    every = [spectrum for panel in panels.values() for _, spectrum in panel]
    for spectrum in every:
        hertz = spectrum.frequency_hz
        start = sum(place.stop - place.start for place in grids.values())
        grids.setdefault(_grid(hertz), slice(start, start + hertz.size))
    total = sum(place.stop - place.start for place in grids.values())
    columns["frequency_hz"] = np.full(total, np.nan)
    for position, panel in panels.items():
        for index, (condition, spectrum) in enumerate(panel):
            place = grids[_grid(spectrum.frequency_hz)]
            columns["frequency_hz"][place] = spectrum.frequency_hz
            parts = {f"{position} {condition} {spectrum.run} psd_db": spectrum.psd}
            if index == 0 and spectrum.background is not None:
                parts[f"{position} background of {spectrum.run} psd_db"] = spectrum.background
            for name, density in parts.items():
                columns.setdefault(name, np.full(total, np.nan))[place] = level_db(density, reference_pa)
    return FigureData(columns)


def _grid(hertz: NDArray[np.float64]) -> tuple[float, ...]:
    return (float(hertz.size), float(hertz[0]), float(hertz[-1])) if hertz.size else (0.0,)


def _history_data(panels: Mapping[str, Mapping[str, Sequence[Row]]]) -> FigureData:
    rows = [
        (position, condition, row)
        for position, panel in panels.items()
        for condition, own in panel.items()
        for row in own
    ]
    return FigureData(
        {
            "position": [position for position, _, _ in rows],
            "condition": [condition for _, condition, _ in rows],
            **{name: [row[name] for _, _, row in rows] for name in ("run", "weighting", "time_s", "level_db")},
        }
    )


def _spectrogram_data(panels: Mapping[str, TimeSpectra]) -> FigureData:
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
