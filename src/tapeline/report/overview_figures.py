"""The figures on the campaign as a whole: which rows each gets, its heading, its caption, its words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.chosen_runs import ChosenRuns
from tapeline.report.comparison_views import MOST_PANELS, condition_title, in_table_order
from tapeline.report.figure_files import FigureShelf, Picture
from tapeline.report.figure_messages import calibration_message, map_message, quality_message, rings_message
from tapeline.report.figure_panels import Heading
from tapeline.report.figures_calibration import calibration_figure
from tapeline.report.figures_positions import located, position_map
from tapeline.report.figures_quality import quality_matrix
from tapeline.report.figures_rings import ring_figure
from tapeline.report.figures_spectra import history_figure, spectra_figure, spectra_limits
from tapeline.report.figures_spectrogram import TimeSpectra, colour_limits, spectrogram_figure, time_spectra
from tapeline.report.finished_tables import FinishedTables, Row, Spectrum
from tapeline.report.wording import listed, operating_point, printable

RUNS_A_MATRIX = 60
POSITIONS_A_MATRIX = 72
MOST_SPECTRA_FIGURES = 6


def _pages(names: Sequence[str], size: int) -> list[list[str]]:
    return [list(names[start : start + size]) for start in range(0, len(names), size)]


def quality_pictures(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> list[Picture]:
    """The quality matrix of each session, on several figures where it is large."""
    sessions: dict[str, list[Row]] = {}
    for row in tables.quality:
        sessions.setdefault(row["session"], []).append(row)
    return [
        picture
        for session, rows in sorted(sessions.items())
        for picture in _matrices(tables, campaign, shelf, session, rows)
    ]


def _matrices(
    tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, session: str, rows: Sequence[Row]
) -> list[Picture]:
    times = {row["run"]: row["recorded_at"] or "" for row in tables.runs}
    runs = sorted({row["run"] for row in rows}, key=lambda name: (times.get(name, ""), name))
    positions = in_table_order(campaign, (row["position"] for row in rows))
    pictures = []
    for part_of_runs in _pages(runs, RUNS_A_MATRIX):
        for part in _pages(positions, POSITIONS_A_MATRIX):
            inside = [row for row in rows if row["run"] in part_of_runs and row["position"] in part]
            selection = (
                f"campaign {campaign.settings.campaign} · session {session} · runs {part_of_runs[0]} to "
                f"{part_of_runs[-1]} (n = {len(part_of_runs)}) · {len(part)} positions"
            )
            heading = Heading(f"Quality of each channel in each run, session {session}", selection)
            pictures.append(
                shelf.add(
                    ("quality", session),
                    quality_matrix(inside, part_of_runs, part, heading),
                    alt=quality_message(inside, session),
                    caption=f"Quality verdicts, session {session}: runs in order of time, {part_of_runs[0]} to "
                    f"{part_of_runs[-1]}. Numbers at the margins count the verdicts that are not good.",
                )
            )
    return pictures


def calibration_pictures(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> list[Picture]:
    """Before and after against the chart, all sessions in one figure; several where there are many positions."""
    positions = in_table_order(campaign, (row["position"] for row in tables.calibration))
    pictures = []
    for part in _pages(positions, POSITIONS_A_MATRIX):
        inside = [row for row in tables.calibration if row["position"] in part]
        sessions: dict[str, list[Row]] = {}
        for row in inside:
            sessions.setdefault(row["session"], []).append(row)
        selection = f"campaign {campaign.settings.campaign} · sessions {listed(sessions, 12)} · checks before and after"
        pictures.append(
            shelf.add(
                ("calibration",),
                calibration_figure(
                    sessions,
                    part,
                    Heading("Calibrator checks against the sensors' charts", selection),
                    campaign.settings.calibration.deviation_limit_db,
                ),
                alt=calibration_message(inside),
                caption="Sensitivity before (open circle) and after (filled square) the runs against the chart's; the "
                "line that joins them is the drift, the level line the sensitivity used.",
            )
        )
    return pictures


def ring_pictures(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> list[Picture]:
    """Who was rung when in each calibrator recording, one figure a session; several where there are many positions."""
    sessions: dict[str, dict[str, list[Row]]] = {}
    for row in sorted(tables.checks, key=lambda row: (row["session"], row["stage"] != "before", row["run"])):
        sessions.setdefault(row["session"], {}).setdefault(row["run"], []).append(row)
    pictures = []
    for session, runs in sorted(sessions.items()):
        every = in_table_order(campaign, (row["position"] for rows in runs.values() for row in rows))
        for part in _pages(every, POSITIONS_A_MATRIX):
            inside = {run: [row for row in rows if row["position"] in part] for run, rows in runs.items()}
            selection = (
                f"campaign {campaign.settings.campaign} · session {session} · runs {listed(runs, 12)} · "
                f"{len(part)} positions"
            )
            heading = Heading(f"Who was rung when, session {session}", selection)
            pictures.append(
                shelf.add(
                    ("rings", session),
                    ring_figure(inside, part, heading),
                    alt=rings_message(inside, session),
                    caption="Thin line: the tone was heard on this channel. Thick bar: the steady part that was "
                    "measured. Number: its turn in the recording; in brackets the turn stated in the run table, where "
                    "it is another.",
                )
            )
    return pictures


def map_picture(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> Picture | None:
    """The map of positions; None where none has coordinates."""
    placed = located(tables.positions)
    if not placed:
        return None
    unlocated = [row["position"] for row in tables.positions if row not in placed]
    axes = printable(campaign.settings.axes)
    heading = Heading(
        "Positions", f"campaign {campaign.settings.campaign} · n = {len(placed)} positions · axes: {axes}"
    )
    missing = f" Without coordinates: {listed(unlocated, 12)}." if unlocated else ""
    return shelf.add(
        ("positions",),
        position_map(placed, heading),
        alt=map_message(placed, unlocated),
        caption=f"Axes: {axes}.{missing}",
    )


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
    limits = spectra_limits(ordered, reference_pa)
    pictures = []
    for part in _pages(names, MOST_PANELS)[:MOST_SPECTRA_FIGURES]:
        heading = Heading("Narrowband spectra", _selection(campaign, chosen))
        panels = {name: ordered[name] for name in part}
        pictures.append(
            shelf.add(
                ("spectra", chosen.session),
                spectra_figure(panels, _titles(campaign), heading, limits, reference_pa),
                alt=f"Power spectral densities at {listed(part, MOST_PANELS)}: one run of each condition over the "
                "background; a tone is a narrow peak.",
                caption=f"Narrowband spectra of one run a condition ({_runs(campaign, chosen)}) and the background of "
                "the first, as measured: nothing subtracted.",
            )
        )
    return pictures


def history_picture(
    tables: FinishedTables, campaign: Campaign, chosen: ChosenRuns, shelf: FigureShelf
) -> Picture | None:
    """Level against time of the chosen runs at the first positions of the rankings."""
    weighting = campaign.settings.history.weighting[0]
    names = _first_positions(tables, campaign)
    conditions = {run: condition for condition, run in chosen.runs.items()}
    panels: dict[str, dict[str, list[Row]]] = {name: {} for name in names}
    for row in tables.history(chosen.session, tuple(chosen.runs.values()), names, weighting):
        panels[row["position"]].setdefault(conditions[row["run"]], []).append(row)
    filled = {name: _in_order(rows, chosen.runs) for name, rows in panels.items() if rows}
    if not filled:
        return None
    heading = Heading("Level against time", _selection(campaign, chosen))
    return shelf.add(
        ("history", chosen.session),
        history_figure(filled, _titles(campaign), heading, weighting, campaign.settings.reference_pressure_pa),
        alt=f"Level against time at {listed(filled, MOST_PANELS)}: a step or a slope would show that something came "
        "loose or the flow was not steady.",
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
            spectrogram_figure(
                panels,
                Heading(f"Spectra against time: {condition_title(campaign, condition)}", _selection(campaign, chosen)),
                limits,
                reference_pa,
            ),
            alt=f"Spectra against time at {listed(panels, MOST_PANELS)}, run {chosen.runs[condition]}: a gust is a "
            "dark upright stripe, a tone a dark level line.",
            caption=f"Run {chosen.runs[condition]}: Hann blocks for lines {asked.resolution_hz:g} Hz apart, half "
            f"overlapping, each column the mean over {asked.step_s:g} s; colours from {limits[0]:g} to {limits[1]:g} "
            "dB in all of these figures; empty where left out.",
            full_colour=True,
        )
        for condition, panels in found.items()
    ]


def _in_order(rows: dict[str, list[Row]], order: Iterable[str]) -> dict[str, list[Row]]:
    return {name: sorted(rows[name], key=lambda row: row["time_s"]) for name in order if name in rows}


def _first_positions(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """As many positions as fit one figure: those of the rankings by rank, then the table's."""
    ranked = [row["position"] for row in sorted(tables.ranking, key=lambda row: (row["rank"], row["comparison"]))]
    every = in_table_order(campaign, (row["position"] for row in tables.positions))
    first = list(dict.fromkeys([*ranked, *every]))[:MOST_PANELS]
    return in_table_order(campaign, first)


def _titles(campaign: Campaign) -> dict[str, str]:
    return {name: condition_title(campaign, name) for name in campaign.settings.conditions}


def _runs(campaign: Campaign, chosen: ChosenRuns) -> str:
    return ", ".join(f"{condition_title(campaign, name)}: {run}" for name, run in chosen.runs.items())


def _selection(campaign: Campaign, chosen: ChosenRuns) -> str:
    point = operating_point(chosen.speed_mps, chosen.yaw_deg, campaign.settings.report.speed_unit)
    runs = ", ".join(f"{name}: {run}" for name, run in chosen.runs.items())
    return f"campaign {campaign.settings.campaign} · session {chosen.session} · {point} · runs {runs}"
