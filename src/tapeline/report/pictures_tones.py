"""What the page shows of tones: spectra stacked over speed, and the lines that stand out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from tapeline.acoustics.levels import level_db
from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import condition_title, in_table_order
from tapeline.report.figure_data import FigureData
from tapeline.report.figure_files import FigureShelf, Picture, Subject
from tapeline.report.figure_panels import Heading
from tapeline.report.figures_waterfall import Stack, Waterfall, stacking, waterfall_figure
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.page_table import PlainTable
from tapeline.report.speed_levels import achieved_speed_mps
from tapeline.report.tables_of_tones import also_in_words, lines_table, number_words, search_words
from tapeline.report.tone_runs import ToneRuns, tone_runs
from tapeline.report.tone_search import ToneLine, lengths_m, tone_lines
from tapeline.report.wording import counted, listed, number, operating_point, speed

MOST_POSITIONS = 4


@dataclass(frozen=True)
class TonesPart:
    """The section: the rule in words, the figure, the table and what to say where it has no row."""

    words: str
    picture: Picture | None
    lines: PlainTable
    none: str


def tones_part(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> TonesPart | None:
    """The section's content; None where no run of its conditions was used."""
    chosen = tone_runs(tables, campaign)
    if chosen is None:
        return None
    every = in_table_order(campaign, (row["position"] for row in tables.positions))
    lines = tone_lines(tables, campaign, chosen, every)
    limit = campaign.settings.scaling.tonal_above_db
    return TonesPart(
        words=search_words(campaign, chosen, len(every)),
        picture=_picture(tables, campaign, shelf, chosen, lines),
        lines=lines_table(campaign, lines),
        none=f"No line stands out by {limit:g} dB or more in these runs.",
    )


def shown_positions(tables: FinishedTables, campaign: Campaign, lines: Sequence[ToneLine]) -> list[str]:
    """The positions that get panels: those ranked first, and where its line stands out most; in the table's order."""
    ranked = [row["position"] for row in sorted(tables.ranking, key=lambda row: (row["place"], row["comparison"]))]
    ranked = list(dict.fromkeys(ranked))
    strongest = list(dict.fromkeys(line.position for line in sorted(lines, key=lambda line: -line.above_db)))
    others = in_table_order(campaign, (row["position"] for row in tables.positions))
    order = dict.fromkeys([*ranked[: MOST_POSITIONS - 1], *strongest[:1], *ranked, *strongest, *others])
    return in_table_order(campaign, list(order)[:MOST_POSITIONS])


def _picture(
    tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, chosen: ToneRuns, lines: Sequence[ToneLine]
) -> Picture | None:
    names = shown_positions(tables, campaign, lines)
    panels = _panels(tables, campaign, chosen, names, lines)
    if not panels:
        return None
    settings = campaign.settings
    unit = settings.report.speed_unit
    titles = {name: condition_title(campaign, name) for name in settings.conditions}
    heading = Heading("Narrowband spectra over speed", _selection(campaign, chosen))
    stack = stacking(panels, settings.reference_pressure_pa)
    shown = [line for panel in panels for line in panel.lines]
    point = "" if stack is not None else operating_point(chosen.speeds_mps[0], chosen.yaw_deg, unit)
    return shelf.add(
        ("tones", chosen.session),
        partial(waterfall_figure, panels, titles, heading, unit, settings.reference_pressure_pa),
        alt=_message(campaign, shown, names),
        data=_data(panels, settings.reference_pressure_pa),
        subject=Subject(point=point, positions=tuple(dict.fromkeys(panel.position for panel in panels))),
        caption=_caption(tables, campaign, panels, stack),
    )


def _panels(
    tables: FinishedTables, campaign: Campaign, chosen: ToneRuns, names: Sequence[str], lines: Sequence[ToneLine]
) -> list[Waterfall]:
    spectra = {(each.position, each.run): each for each in tables.spectra(chosen.session, chosen.names, names)}
    lengths = lengths_m(tables)
    made = []
    for position in names:
        for condition, runs in chosen.runs.items():
            own = [
                (float(run["speed_mps"]), achieved_speed_mps(campaign, run), spectra[position, run["run"]])
                for run in runs
                if (position, run["run"]) in spectra
            ]
            found = tuple(line for line in lines if (line.position, line.condition) == (position, condition))
            length = lengths.get(position)
            if own:
                made.append(Waterfall(position, condition, tuple(own), found, None if length is None else length[0]))
    return made


def _selection(campaign: Campaign, chosen: ToneRuns) -> str:
    unit = campaign.settings.report.speed_unit
    each = {
        name: [f"{row['run']} at {speed(row['speed_mps'], unit)}" for row in rows] for name, rows in chosen.runs.items()
    }
    runs = "; ".join(f"{name}: {listed(words, 12)}" for name, words in each.items())
    return (
        f"campaign {campaign.settings.campaign} · session {chosen.session} · yaw {chosen.yaw_deg:g}° · {runs} · as "
        f"measured · lines {campaign.settings.scaling.tonal_above_db:g} dB above the median of their band are marked"
    )


def _message(campaign: Campaign, shown: Sequence[ToneLine], names: Sequence[str]) -> str:
    start = f"Narrowband spectra over speed at {listed(names, MOST_POSITIONS)}"
    if not shown:
        return f"{start}: no line stands {campaign.settings.scaling.tonal_above_db:g} dB above the median of its band."
    most = max(shown, key=lambda line: line.above_db)
    stand = "1 line stands" if len(shown) == 1 else f"{counted(len(shown), 'line')} stand"
    return (
        f"{start}: {stand} out; the most so at {most.position}, "
        f"{condition_title(campaign, most.condition)}, {speed(most.speed_mps, campaign.settings.report.speed_unit)}: "
        f"{most.frequency_hz:g} Hz, {number(most.above_db)} dB above the median line, {number(most.level_db)} dB, "
        f"{number_words(most)}."
    )


def _caption(tables: FinishedTables, campaign: Campaign, panels: Sequence[Waterfall], stack: Stack | None) -> str:
    shown = list(dict.fromkeys(panel.position for panel in panels))
    stated = {name: length for name, length in lengths_m(tables).items() if name in shown}
    lengths = "; ".join(f"{name} l = {1000.0 * length:g} mm ({source})" for name, (length, source) in stated.items())
    reference = f"{campaign.settings.reference_pressure_pa * 1e6:g} µPa"
    drawn = (
        "Power spectral densities at the one speed that was measured."
        if stack is None
        else f"Each spectrum stands on the speed its run achieved, where it has {stack.floor_db:g} dB re "
        f"({reference})²/Hz or less; heights have one scale. On a dashed ray from the origin f/U is constant: a tone "
        "of the flow stays near one, or steps from one to another, but a fan's may rise with speed too."
    )
    some = f" {len(shown)} of {len(tables.positions)} positions: those ranked first and where a line stands out most."
    return (
        f"{drawn} Marks at lines that stand out, the rule above the figure; open ones have a line in a background too."
        f"{f' St = f l/U: {lengths}.' if lengths else ''}{some if len(shown) < len(tables.positions) else ''}"
    )


def _data(panels: Sequence[Waterfall], reference_pa: float) -> FigureData:
    """A row a spectral line; what is said of a line stands beside it where it stands out."""
    pairs = [(panel, *each) for panel in panels for each in panel.spectra]
    sizes = [spectrum.frequency_hz.size for *_, spectrum in pairs]

    def repeated(values: Sequence[object]) -> list[object]:
        return [value for value, size in zip(values, sizes, strict=True) for _ in range(size)]

    marks: dict[str, list[object]] = {name: [] for name in ("above_median_db", "line_level_db", "per_m", "also_in")}
    for panel, _, _, spectrum in pairs:
        of_run = {round(line.frequency_hz, 6): line for line in panel.lines if line.run == spectrum.run}
        for hz in spectrum.frequency_hz.tolist():
            line = of_run.get(round(hz, 6))
            marks["above_median_db"].append(line and line.above_db)
            marks["line_level_db"].append(line and line.level_db)
            marks["per_m"].append(line and line.per_m)
            marks["also_in"].append(line and also_in_words(line))
    empty = np.zeros(0)
    return FigureData(
        {
            "position": repeated([panel.position for panel, *_ in pairs]),
            "condition": repeated([panel.condition for panel, *_ in pairs]),
            "run": repeated([spectrum.run for *_, spectrum in pairs]),
            "speed_mps": repeated([achieved for _, _, achieved, _ in pairs]),
            "frequency_hz": np.concatenate([empty, *(spectrum.frequency_hz for *_, spectrum in pairs)]),
            "psd_db": np.concatenate([empty, *(level_db(spectrum.psd, reference_pa) for *_, spectrum in pairs)]),
            **marks,
        }
    )
