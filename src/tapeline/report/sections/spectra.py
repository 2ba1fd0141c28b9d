"""Trace: narrowband spectra of one run a condition, a figure a position, of which a reader may look at a part."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.levels import level_db
from tapeline.arrays import Reals
from tapeline.campaign.model import Campaign
from tapeline.report.blocks import Block, FigureBlock, Fold, Prose, Section
from tapeline.report.charts.figure import Figure, Key, condition_key, figure_of
from tapeline.report.charts.looks import condition_look, mark
from tapeline.report.charts.markup import element
from tapeline.report.charts.panel import Box, Panel
from tapeline.report.charts.scales import THIRDS_HZ, Limits, rounded_limits
from tapeline.report.chosen_runs import ChosenRuns, chosen_runs, runs_words
from tapeline.report.comparison_views import condition_title, first_positions, in_table_order
from tapeline.report.figure_data import FigureData
from tapeline.report.finished_tables import FinishedTables, Spectrum
from tapeline.report.wording import NO_VALUE, counted, listed, number

MOST_POSITIONS = 24
DEEPEST_DB = 90.0
MARKS_A_LINE = 7
"""Marks that tell the conditions apart without colour; more of them would hide the spectra."""

Panels = Mapping[str, Sequence[tuple[str, Spectrum]]]
"""Conditions with their spectra by position, in the order of the settings."""


def spectra_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """The spectra of the chosen runs; all positions share one axis."""
    chosen = chosen_runs(tables, campaign)
    panels = spectra_panels(tables, campaign, chosen) if chosen is not None else {}
    if chosen is None or not panels:
        return [_section([Prose("No spectrum: no run was used.", "none")])]
    reference_pa = campaign.settings.reference_pressure_pa
    limits = campaign.settings.report.density_axis_db or spectra_limits(panels, reference_pa)
    first = set(first_positions(tables, campaign)[:MOST_POSITIONS])
    shown = [name for name in panels if name in first or len(panels) <= MOST_POSITIONS]
    shown += [name for name in panels if name not in shown][: MOST_POSITIONS - len(shown)]
    blocks: list[Block] = [
        Prose(f"{runs_words(campaign, chosen)}. As measured, nothing subtracted. A tone is a narrow peak.", "note")
    ]
    blocks += [
        Fold(name, (FigureBlock(spectra_figure(
            campaign, chosen, name, panels[name], limits, _background_runs(tables, panels[name]))),),
             key=f"spectra-{name}", is_open=index == 0)
        for index, name in enumerate(in_table_order(campaign, shown))
    ]  # fmt: skip
    if len(shown) < len(panels):
        blocks.append(Prose(f"{len(shown)} of {counted(len(panels), 'position')}, those ranked first; the others are "
                            "in tables/narrowband.", "note"))  # fmt: skip
    return [_section(blocks)]


def _section(blocks: Sequence[Block]) -> Section:
    return Section("spectra", "Narrowband spectra", "trace", blocks, is_folded=True)


def spectra_panels(
    tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns
) -> dict[str, list[tuple[str, Spectrum]]]:
    """The spectra of the chosen runs by position, in the table's order."""
    every = in_table_order(campaign, (row["position"] for row in tables.positions))
    conditions = {run: condition for condition, run in chosen.runs.items()}
    found: dict[str, list[tuple[str, Spectrum]]] = {}
    for spectrum in tables.spectra(chosen.session, tuple(chosen.runs.values()), every):
        if spectrum.frequency_hz.size > 1:
            found.setdefault(spectrum.position, []).append((conditions[spectrum.run], spectrum))
    order = list(chosen.runs)
    return {name: sorted(found[name], key=lambda pair: order.index(pair[0])) for name in every if name in found}


def spectra_limits(panels: Panels, reference_pa: float) -> Limits:
    """One density axis for all positions, at most 90 dB deep."""
    ends: list[float] = []
    for panel in panels.values():
        for _, spectrum in panel:
            densities = level_db(spectrum.psd, reference_pa)
            finite = densities[np.isfinite(densities)]
            ends += [float(finite.min()), float(finite.max())] if finite.size else []
    low, high = rounded_limits(ends, 10.0, 2.0, 30.0)
    return max(low, high - DEEPEST_DB), high


def spectra_figure(
    campaign: Campaign,
    chosen: ChosenRuns,
    position: str,
    spectra: Sequence[tuple[str, Spectrum]],
    limits: Limits,
    background_runs: Sequence[str] = (),
) -> Figure:
    """A line a condition and the background of the first; lines are solid, since a gap of a dash may hide a tone.

    `background_runs` are the runs that this background was recorded in.
    """
    pascal = campaign.settings.reference_pressure_pa
    first_hz = [float(found.frequency_hz[found.frequency_hz > 0.0][0]) for _, found in spectra]
    ends = min(first_hz), max(float(found.frequency_hz[-1]) for _, found in spectra)
    panel = Panel(Box(58, 22, 672, 250), ends, limits, title=position, x_label="frequency, Hz",
                  y_label=f"dB re ({pascal * 1e6:g} µPa)²/Hz", frequency=True, zooms=True)  # fmt: skip
    names = list(campaign.settings.conditions)
    background = spectra[0][1].background
    if background is not None:
        panel.dense_curve(spectra[0][1].frequency_hz, level_db(background, pascal), "bg thin", "2 3")
    for place, (condition, spectrum) in enumerate(spectra):
        look = condition_look(names, condition)
        densities = level_db(spectrum.psd, pascal)
        panel.dense_curve(spectrum.frequency_hz, densities, f"{look.role} thin")
        for at in marked_lines(spectrum.frequency_hz, ends, (place + 0.5) / len(spectra)):
            if limits[0] <= densities[at] <= limits[1]:
                x, y = panel.place(float(spectrum.frequency_hz[at]), float(densities[at]))
                panel.parts.append(element("path", d=mark(look.shape, x, y), class_=f"mk {look.role}", data_x=x))
    _read(panel, campaign, position, spectra)
    keys = [condition_key(condition_look(names, name), condition_title(campaign, name)) for name, _ in spectra]
    keys += [Key("background", "bg", dashes="2 3")] if background is not None else []
    run = spectra[0][1].run
    return figure_of(
        ("spectra", chosen.session, position),
        f"Narrowband spectra at {position}",
        [panel],
        keys,
        height=284,
        alt=f"Power spectral densities at {position}: one run of each condition over the background; a tone is a "
        f"narrow peak. {_largest_words(campaign, spectra)}",
        caption=f"Lines {np.diff(spectra[0][1].frequency_hz[:2])[0]:g} Hz apart; each half pixel shows the lowest and "
        f"the highest. {_background_words(run, background_runs) if background is not None else 'No background.'}"
        + (" The axis is fixed by the settings." if campaign.settings.report.density_axis_db else ""),
        data=_data(spectra, pascal),
    )


def _background_runs(tables: FinishedTables, spectra: Sequence[tuple[str, Spectrum]]) -> Sequence[str]:
    row = tables.run_by_name.get(spectra[0][1].run)
    return () if row is None else row["background_runs"] or ()


def _background_words(run: str, background_runs: Sequence[str]) -> str:
    recorded = f", recorded as {listed(background_runs)}" if background_runs else ""
    return f"The background is that for run {run}{recorded}."


def marked_lines(frequency_hz: Reals, limits_hz: Limits, share: float) -> NDArray[np.intp]:
    """Indices of the lines that get marks, evenly over the logarithmic axis; `share` shifts them from 0 to 1."""
    inside = np.flatnonzero((frequency_hz >= limits_hz[0]) & (frequency_hz <= limits_hz[1]))
    if inside.size == 0 or limits_hz[0] <= 0.0:
        return inside[:0]
    steps = (np.arange(MARKS_A_LINE) + share) / MARKS_A_LINE
    wanted = limits_hz[0] * (limits_hz[1] / limits_hz[0]) ** steps
    nearest = np.abs(frequency_hz[inside] - wanted[:, None]).argmin(axis=1)
    return np.asarray(inside[np.unique(nearest)], dtype=np.intp)


def _read(panel: Panel, campaign: Campaign, position: str, spectra: Sequence[tuple[str, Spectrum]]) -> None:
    """In each third-octave the largest line of any condition, with what the others have there."""
    pascal = campaign.settings.reference_pressure_pa
    edge = 2.0 ** (1.0 / 6.0)
    for midband in THIRDS_HZ:
        best: tuple[float, float] | None = None
        for _, spectrum in spectra:
            hz = spectrum.frequency_hz
            inside = np.flatnonzero(
                (hz >= midband / edge) & (hz < midband * edge) & (hz > 0.0) & np.isfinite(spectrum.psd)
            )
            if inside.size:
                at = inside[np.argmax(spectrum.psd[inside])]
                best = max(best or (-math.inf, 0.0), (float(spectrum.psd[at]), float(hz[at])))
        if best is not None and best[0] > 0.0:
            hertz = best[1]
            said = [
                f"{condition_title(campaign, name)} {_at(found, found.psd, hertz, pascal)}" for name, found in spectra
            ]
            background = spectra[0][1].background
            said += [f"background {_at(spectra[0][1], background, hertz, pascal)}"] if background is not None else []
            panel.reads(hertz, float(level_db(best[0], pascal)), f"{position}, {hertz:g} Hz: {'; '.join(said)}")


def _at(spectrum: Spectrum, psd: Reals, hertz: float, reference_pa: float) -> str:
    """The density of the line at a frequency; a dash where there is no line."""
    near = int(np.argmin(np.abs(spectrum.frequency_hz - hertz)))
    if abs(spectrum.frequency_hz[near] - hertz) > 1e-6 * hertz or not psd[near] > 0.0:
        return NO_VALUE
    return f"{number(float(level_db(psd[near], reference_pa)))} dB"


def _largest_words(campaign: Campaign, spectra: Sequence[tuple[str, Spectrum]]) -> str:
    said = []
    for condition, spectrum in spectra:
        if np.isfinite(spectrum.psd).any():
            hertz = spectrum.frequency_hz[int(np.nanargmax(spectrum.psd))]
            said.append(f"{condition_title(campaign, condition)} at {hertz:g} Hz")
    return f"Largest line: {', '.join(said)}." if said else "No line has a value."


def _data(spectra: Sequence[tuple[str, Spectrum]], reference_pa: float) -> FigureData:
    """A row a line of each condition; the background of the first stands beside it."""
    sizes = [found.frequency_hz.size for _, found in spectra]

    def repeated(values: Sequence[str]) -> list[object]:
        return [value for value, size in zip(values, sizes, strict=True) for _ in range(size)]

    background = [np.full(size, np.nan) for size in sizes]
    if spectra[0][1].background is not None:
        background[0] = level_db(spectra[0][1].background, reference_pa)
    columns: Mapping[str, Sequence[object] | Reals] = {
        "position": repeated([found.position for _, found in spectra]),
        "condition": repeated([name for name, _ in spectra]),
        "run": repeated([found.run for _, found in spectra]),
        "frequency_hz": np.concatenate([found.frequency_hz for _, found in spectra]),
        "psd_db": np.concatenate([level_db(found.psd, reference_pa) for _, found in spectra]),
        "background_psd_db": np.concatenate(background),
    }
    return FigureData(columns)
