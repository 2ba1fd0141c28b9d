"""The figures of the comparisons: levels, differences and heat map of each view."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import (
    View,
    by_rank,
    completed,
    condition_title,
    drawn,
    panels,
    selection,
    views,
    with_bounds,
)
from tapeline.report.figure_files import FigureShelf, Picture
from tapeline.report.figure_messages import differences_message, levels_message
from tapeline.report.figure_panels import Heading
from tapeline.report.figures_bands import Limits, Sides, difference_figure, difference_limits, level_limits
from tapeline.report.figures_bands import levels_figure as draw_levels
from tapeline.report.figures_budget import budget_figure, joined_terms, largest_terms
from tapeline.report.figures_heat import heat_limit, heat_map
from tapeline.report.figures_lines import frequencies_of, line_differences_figure, values_of
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable
from tapeline.report.tables_of_differences import overall_table
from tapeline.report.tables_of_sums import area_table, session_mean_table
from tapeline.report.wording import BAND_WORDS, listed, number, operating_point, short

MOST_LINE_PANELS = 4


@dataclass(frozen=True)
class ViewPictures:
    """The pictures of one session and operating point of a comparison."""

    title: str
    pictures: tuple[Picture, ...]


@dataclass(frozen=True)
class ComparisonPart:
    """What the page shows of one comparison; `left_out` names operating points without figures."""

    name: str
    words: str
    overall: PlainTable
    sums: tuple[PlainTable, ...]
    views: tuple[ViewPictures, ...]
    left_out: tuple[str, ...]
    budget: Picture | None
    lines: Picture | None


@dataclass(frozen=True)
class Scales:
    """Axis limits shared by compared panels: levels on the whole page, differences within a comparison."""

    levels: Limits
    differences: Limits
    heat_db: float


def comparison_parts(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf) -> list[ComparisonPart]:
    """All comparisons that have rows, in the order of the settings."""
    every = views(tables.comparisons)
    chosen = {view.key for view in drawn(every)}
    levels = level_limits([row for view in every for row in view.band_rows()])
    order = {name: index for index, name in enumerate(campaign.settings.comparisons)}
    names = sorted({view.comparison for view in every}, key=lambda name: (order.get(name, len(order)), name))
    return [
        _part(tables, campaign, shelf, [view for view in every if view.comparison == name], chosen, levels)
        for name in names
    ]


def _part(
    tables: FinishedTables,
    campaign: Campaign,
    shelf: FigureShelf,
    own: Sequence[View],
    chosen: set[tuple[str, str, str, float, float]],
    levels: Limits,
) -> ComparisonPart:
    rows = [row for view in own for row in view.band_rows()]
    threshold = campaign.settings.compare.practical_threshold_db
    values = [row["difference_db"] for row in rows if row["difference_db"] is not None]
    scales = Scales(levels, difference_limits(rows, threshold), heat_limit(values, threshold))
    first = own[0]
    return ComparisonPart(
        name=first.comparison,
        words=f"{condition_title(campaign, first.treatment)} (treatment) minus "
        f"{condition_title(campaign, first.reference)} (reference). {_family_words(campaign, own)}",
        overall=overall_table(campaign, first.comparison, [row for view in own for row in view.overall]),
        sums=tuple(table(tables, campaign, first.comparison) for table in (area_table, session_mean_table)),
        views=tuple(_view_pictures(tables, campaign, shelf, view, scales) for view in own if view.key in chosen),
        left_out=tuple(_title(campaign, view) for view in own if view.key not in chosen and view.bands),
        budget=_budget(tables, campaign, shelf, own),
        lines=_lines(tables, campaign, shelf, own),
    )


def _family_words(campaign: Campaign, own: Sequence[View]) -> str:
    """How many tests were adjusted together, and how."""
    compare = campaign.settings.compare
    sizes = {
        kind: sorted({row["family_size"] for row in rows if row["family_size"]})
        for kind, rows in (
            ("bands", [row for view in own for row in view.band_rows()]),
            ("overall levels", [row for view in own for row in view.overall]),
        )
    }
    said = [f"{listed([f'{size:,}' for size in found])} {kind}" for kind, found in sizes.items() if found]
    each = "" if compare.family == "comparison" else " of each operating point"
    return f"Findings are adjusted ({_method(campaign)}) over families of {' and '.join(said)}{each}." if said else ""


def _budget(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, own: Sequence[View]) -> Picture | None:
    """The uncertainty of one position, the first in rank: of the treatment's level and of the difference."""
    view = next((each for each in own if each.bands), None)
    if view is None:
        return None
    position = by_rank(view, tables.ranking)[0]
    session = view.treatment_session
    alone = [
        row
        for row in tables.budgets(position, session, view.speed_mps, view.yaw_deg)
        if row["budget"] == "absolute" and row["condition"] == view.treatment
    ]
    together = [
        row
        for row in tables.budgets(position, view.sessions, view.speed_mps, view.yaw_deg)
        if row["budget"] == "difference" and row["comparison"] == view.comparison
    ]
    title = condition_title(campaign, view.treatment)
    titles = (
        f"level, {short(title, 24)}, n = {_most_runs(alone)} runs",
        f"difference, n = {_most_runs(together)} runs",
    )
    panels = {words: rows for words, rows in zip(titles, (alone, together), strict=True) if rows}
    if not panels:
        return None
    heading = Heading(
        f"What the uncertainty is made of, {view.comparison}", f"{selection(campaign, view)} · {position}"
    )
    first = [joined_terms(row) for row in together or alone]
    largest = largest_terms({"": together or alone})[:2]
    sums = [f"{name} up to {max(terms.get(name, 0.0) for terms in first):.2f} dB" for name in largest]
    return shelf.add(
        _name(campaign, "budget", view),
        budget_figure(panels, heading),
        alt=f"Standard uncertainty by band at {position}; largest terms of the "
        f"{'difference' if together else 'level'}: {listed(sums, 2)}.",
        caption=f"Standard uncertainties at {position}, the position ranked first: of the mean level as an absolute "
        "one, and of the difference, from which what both levels share has gone. The terms add in quadrature; which of "
        "them are measured and which are assumptions of the settings stands in tables/budgets.parquet.",
    )


def _lines(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, own: Sequence[View]) -> Picture | None:
    """The comparison that is given line by line: its first positions in rank at the first view that has them."""
    for view in own:
        first = by_rank(view, tables.ranking)[:MOST_LINE_PANELS]
        rows = {row["position"]: row for row in tables.line_differences(view.key, first)}
        if rows:
            break
    else:
        return None
    panels = {position: rows[position] for position in first if position in rows}
    largest = {position: _largest_line(row) for position, row in panels.items()}
    position = max(largest, key=lambda name: abs(largest[name][1]))
    hertz, decibels = largest[position]
    heading = Heading(f"Difference line by line, {view.comparison}", selection(campaign, view))
    return shelf.add(
        _name(campaign, "lines", view),
        line_differences_figure(panels, heading, campaign.settings.compare.practical_threshold_db),
        alt=f"Difference by spectral line at {listed(list(panels), MOST_LINE_PANELS)}; the largest whose interval "
        f"leaves out zero is {number(decibels, signed=True)} dB at {hertz:.0f} Hz, {position}.",
        caption="Treatment minus reference by spectral line, with each line's interval by itself: of hundreds of lines "
        "some leave out zero by chance. The lines of all positions stand in tables/line_differences.parquet.",
    )


def _largest_line(row: Row) -> tuple[float, float]:
    """Frequency and difference of the line that is furthest from zero among those whose interval leaves it out."""
    low, middle, high = (values_of(row, name) for name in ("lower_db", "difference_db", "upper_db"))
    size = np.where((low > 0.0) | (high < 0.0), np.abs(middle), 0.0)
    at = int(np.nanargmax(np.nan_to_num(size)))
    return float(frequencies_of(row)[at]), float(middle[at] if size[at] > 0.0 else 0.0)


def _most_runs(rows: Sequence[Row]) -> int:
    return max((len(row["runs"] or ()) for row in rows), default=0)


def _title(campaign: Campaign, view: View) -> str:
    unit = campaign.settings.report.speed_unit
    return f"Session {view.sessions}, {operating_point(view.speed_mps, view.yaw_deg, unit)}"


def _name(campaign: Campaign, subject: str, view: View) -> tuple[str, ...]:
    """Identifiers only: comparison, session, speed and yaw."""
    sessions = tuple(dict.fromkeys((view.reference_session, view.treatment_session)))
    unit = campaign.settings.report.speed_unit
    value = view.speed_mps * 3.6 if unit == "km/h" else view.speed_mps
    speed = f"{round(value, 1):g}{'kmh' if unit == 'km/h' else 'mps'}"
    yaw = f"yaw{'m' if view.yaw_deg < 0 else ''}{abs(round(view.yaw_deg, 1)):g}"
    return (subject, view.comparison, *sessions, speed, yaw)


def _view_pictures(
    tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, view: View, scales: Scales
) -> ViewPictures:
    view = completed(tables, view)
    names = panels(campaign, view, tables.ranking)
    rows = with_bounds(tables, view, names)
    pictures = (
        _levels(campaign, shelf, view, rows, scales),
        _differences(campaign, shelf, view, rows, scales),
        _heat(tables, campaign, shelf, view, scales),
    )
    return ViewPictures(_title(campaign, view), pictures)


def _band_word(campaign: Campaign) -> str:
    return BAND_WORDS.get(campaign.settings.bands.fraction, "band")


def _some(view: View, shown: int) -> str:
    every = len(view.bands)
    return "" if shown == every else f" {shown} of {every} positions, those ranked first; the heat map has all."


def _levels(campaign: Campaign, shelf: FigureShelf, view: View, rows: dict[str, list[Row]], scales: Scales) -> Picture:
    sides = Sides(
        reference=view.reference,
        treatment=view.treatment,
        reference_title=condition_title(campaign, view.reference),
        treatment_title=condition_title(campaign, view.treatment),
        conditions=tuple(campaign.settings.conditions),
    )
    word = _band_word(campaign)
    heading = Heading(f"{word.capitalize()} levels, {view.comparison}", selection(campaign, view))
    figure = draw_levels(rows, sides, heading, scales.levels, campaign.settings.reference_pressure_pa)
    return shelf.add(
        _name(campaign, "levels", view),
        figure,
        alt=levels_message(rows, sides.reference_title, sides.treatment_title, word),
        caption=f"{word.capitalize()} levels after background subtraction, mean over the runs; arrows are upper "
        f"bounds.{_some(view, len(rows))}",
    )


def _differences(
    campaign: Campaign, shelf: FigureShelf, view: View, rows: dict[str, list[Row]], scales: Scales
) -> Picture:
    settings = campaign.settings
    heading = Heading(f"Differences with intervals, {view.comparison}", _judged(campaign, view))
    figure = difference_figure(
        rows,
        heading,
        scales.differences,
        threshold_db=settings.compare.practical_threshold_db,
        confidence=settings.confidence,
    )
    return shelf.add(
        _name(campaign, "differences", view),
        figure,
        alt=differences_message([row for panel in rows.values() for row in panel], _minus(campaign, view)),
        caption="Treatment minus reference; filled marks are shown after adjusting for the number of tests. Intervals "
        f"that reach beyond the axis are cut at its end.{_some(view, len(rows))}",
    )


def _judged(campaign: Campaign, view: View) -> str:
    """The selection of a figure with findings in it: over how many tests they were adjusted, and how."""
    sizes = sorted({row["family_size"] for row in view.band_rows() if row["family_size"]})
    family = f" · findings adjusted over {sizes[-1]:,} tests ({_method(campaign)})" if sizes else ""
    return f"{selection(campaign, view)}{family}"


def _method(campaign: Campaign) -> str:
    return "Benjamini and Hochberg" if campaign.settings.compare.adjustment == "false-discovery" else "Holm"


def _minus(campaign: Campaign, view: View) -> str:
    return f"{condition_title(campaign, view.treatment)} minus {condition_title(campaign, view.reference)}"


def _heat(tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, view: View, scales: Scales) -> Picture:
    ordered = {name: view.bands[name] for name in by_rank(view, tables.ranking)}
    heading = Heading(f"Differences by position and band, {view.comparison}", _judged(campaign, view))
    return shelf.add(
        _name(campaign, "map", view),
        heat_map(ordered, heading, scales.heat_db),
        full_colour=True,
        alt=differences_message(view.band_rows(), f"Heat map, {_minus(campaign, view)}"),
        caption="Positions in order of rank. Blue is lower, brown is higher, bold numbers and plus signs are shown; "
        "hatched is not shown to differ; grey cells are one-sided because of a bound (b: nothing can be said); an "
        "empty cell has no value.",
    )
