"""The figures of the comparisons: levels, differences and heat map of each view."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import (
    View,
    by_rank,
    condition_title,
    drawn,
    panels,
    selection,
    views,
    with_bounds,
)
from tapeline.report.figure_data import FigureData, rows_data
from tapeline.report.figure_files import FigureShelf, Picture
from tapeline.report.figure_messages import differences_message, levels_message
from tapeline.report.figure_panels import Heading
from tapeline.report.figures_bands import Limits, Sides, difference_figure, difference_limits
from tapeline.report.figures_bands import levels_figure as draw_levels
from tapeline.report.figures_budget import budget_figure, joined_terms, largest_terms
from tapeline.report.figures_heat import heat_limit, heat_map
from tapeline.report.figures_lines import frequencies_of, line_differences_figure, values_of
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.level_axis import beyond_words
from tapeline.report.page_table import PlainTable
from tapeline.report.pictures_body_maps import difference_maps
from tapeline.report.tables_of_differences import overall_table
from tapeline.report.tables_of_sums import area_table, session_mean_table
from tapeline.report.view_names import figure_name, view_subject
from tapeline.report.wording import BAND_WORDS, listed, number, operating_point, short

MOST_LINE_PANELS = 4
RUNS = ("reference_runs", "treatment_runs")
PLACE = ("position", "band_hz", "midband_hz", "lower_hz", "upper_hz")
LEVELS = (
    *PLACE, "reference_level_db", "treatment_level_db", "reference_bound_db", "treatment_bound_db", "background_db",
    "reference_runs", "treatment_runs",
)  # fmt: skip
DIFFERENCES = (
    *PLACE,
    "difference_db",
    "lower_db",
    "upper_db",
    "finding",
    "doubtful",
    "doubt",
    "reference_runs",
    "treatment_runs",
)


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
    map: Picture | None
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


def comparison_parts(
    tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, axis: Limits
) -> list[ComparisonPart]:
    """All comparisons that have rows, in the order of the settings; `axis` is that of all band levels."""
    every = views(tables.comparisons)
    chosen = {view.key for view in drawn(every)}
    order = {name: index for index, name in enumerate(campaign.settings.comparisons)}
    names = sorted({view.comparison for view in every}, key=lambda name: (order.get(name, len(order)), name))
    groups = [[view for view in every if view.comparison == name] for name in names]
    # Drawn before the rest, so that the maps of all comparisons have room on the page.
    firsts = [next((view for view in own if view.key in chosen), own[0]) for own in groups]
    maps = difference_maps(tables, campaign, shelf, firsts)
    return [_part(tables, campaign, shelf, own, chosen, axis, maps.get(own[0].comparison)) for own in groups]


def _part(
    tables: FinishedTables,
    campaign: Campaign,
    shelf: FigureShelf,
    own: Sequence[View],
    chosen: set[tuple[str, str, str, float, float]],
    levels: Limits,
    on_body: Picture | None,
) -> ComparisonPart:
    rows = [row for view in own for row in view.band_rows()]
    threshold = campaign.settings.compare.practical_threshold_db
    values = [row["difference_db"] for row in rows if row["difference_db"] is not None]
    fixed = campaign.settings.report.difference_axis_db
    scales = Scales(
        levels,
        fixed or difference_limits(rows, threshold),
        max(map(abs, fixed)) if fixed else heat_limit(values, threshold),
    )
    first = own[0]
    return ComparisonPart(
        name=first.comparison,
        words=f"{condition_title(campaign, first.treatment)} (treatment) minus "
        f"{condition_title(campaign, first.reference)} (reference). {_family_words(campaign, own)}",
        overall=overall_table(tables, campaign, first.comparison, _overall_rows(tables, first.comparison)),
        sums=tuple(table(tables, campaign, first.comparison) for table in (area_table, session_mean_table)),
        map=on_body,
        views=tuple(_view_pictures(tables, campaign, shelf, view, scales) for view in own if view.key in chosen),
        left_out=tuple(_title(campaign, view) for view in own if view.key not in chosen and view.bands),
        budget=_budget(tables, campaign, shelf, own),
        lines=_lines(tables, campaign, shelf, own),
    )


def _overall_rows(tables: FinishedTables, comparison: str) -> list[Row]:
    """All overall rows of a comparison, also those without a difference."""
    return [row for row in tables.comparisons if (row["comparison"], row["quantity"]) == (comparison, "overall")]


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
        figure_name(campaign, "budget", view),
        partial(budget_figure, panels, heading),
        alt=f"Standard uncertainty by band at {position}; largest terms of the "
        f"{'difference' if together else 'level'}: {listed(sums, 2)}.",
        data=_budget_data(panels),
        subject=view_subject(campaign, view, (position,)),
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
        figure_name(campaign, "lines", view),
        partial(line_differences_figure, panels, heading, campaign.settings.compare.practical_threshold_db),
        alt=f"Difference by spectral line at {listed(list(panels), MOST_LINE_PANELS)}; the largest whose interval "
        f"leaves out zero is {number(decibels, signed=True)} dB at {hertz:.0f} Hz, {position}.",
        data=_lines_data(panels),
        subject=view_subject(campaign, view, panels),
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


def _view_pictures(
    tables: FinishedTables, campaign: Campaign, shelf: FigureShelf, view: View, scales: Scales
) -> ViewPictures:
    names = panels(campaign, view, tables.ranking)
    rows = with_bounds(tables, view, names)
    pictures = (
        _levels(campaign, shelf, view, rows, scales),
        _differences(campaign, shelf, view, rows, scales),
        _heat(tables, campaign, shelf, view, scales),
    )
    return ViewPictures(_title(campaign, view), pictures)


def _beyond(rows: Mapping[str, Sequence[Row]], names: Sequence[str], limits: Limits) -> str:
    return beyond_words((row[name] for panel in rows.values() for row in panel for name in names), limits)


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
    return shelf.add(
        figure_name(campaign, "levels", view),
        partial(draw_levels, rows, sides, heading, scales.levels, campaign.settings.reference_pressure_pa),
        alt=levels_message(rows, sides.reference_title, sides.treatment_title, word),
        data=rows_data([row for panel in rows.values() for row in panel], LEVELS, **_same(view)),
        subject=view_subject(campaign, view, rows),
        caption=f"{word.capitalize()} levels after background subtraction, mean over the runs; arrows are upper "
        f"bounds.{_some(view, len(rows))}{_beyond(rows, LEVELS[5:9], scales.levels)}",
    )


def _differences(
    campaign: Campaign, shelf: FigureShelf, view: View, rows: dict[str, list[Row]], scales: Scales
) -> Picture:
    settings = campaign.settings
    heading = Heading(f"Differences with intervals, {view.comparison}", _judged(campaign, view))
    return shelf.add(
        figure_name(campaign, "differences", view),
        partial(
            difference_figure,
            rows,
            heading,
            scales.differences,
            threshold_db=settings.compare.practical_threshold_db,
            confidence=settings.confidence,
        ),
        alt=differences_message([row for panel in rows.values() for row in panel], _minus(campaign, view)),
        data=rows_data([row for panel in rows.values() for row in panel], DIFFERENCES, **_same(view)),
        subject=view_subject(campaign, view, rows),
        caption="Treatment minus reference; filled marks are shown after adjusting for the number of tests. Intervals "
        f"that reach beyond the axis are cut at its end.{_some(view, len(rows))}"
        f"{_beyond(rows, ('difference_db',), scales.differences)}",
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
        figure_name(campaign, "map", view),
        partial(heat_map, ordered, heading, scales.heat_db),
        full_colour=True,
        alt=differences_message(view.band_rows(), f"Heat map, {_minus(campaign, view)}"),
        data=rows_data([row for panel in ordered.values() for row in panel], DIFFERENCES, **_same(view)),
        subject=view_subject(campaign, view, ordered),
        caption="Positions in order of rank. Blue is lower, brown is higher, bold numbers and plus signs are shown; "
        "hatched is not shown to differ; grey cells are one-sided because of a bound (b: nothing can be said); an "
        "empty cell has no value.",
    )


def _same(view: View) -> dict[str, str | float]:
    """What all rows of a view's figure have in common."""
    return {
        "comparison": view.comparison,
        "reference": view.reference,
        "treatment": view.treatment,
        "session_label": view.sessions,
        "speed_mps": view.speed_mps,
        "yaw_deg": view.yaw_deg,
    }


def _budget_data(panels: Mapping[str, Sequence[Row]]) -> FigureData:
    rows = [(title, row) for title, own in panels.items() for row in own]
    terms = sorted({name for _, row in rows for name in joined_terms(row)})
    return FigureData(
        {
            "of": [title for title, _ in rows],
            **{name: [row[name] for _, row in rows] for name in ("position", "band_hz", "standard_uncertainty_db")},
            **{f"{name}, dB": [joined_terms(row).get(name) for _, row in rows] for name in terms},
        }
    )


def _lines_data(panels: Mapping[str, Row]) -> FigureData:
    return FigureData(
        {
            "position": [position for position, row in panels.items() for _ in frequencies_of(row)],
            "frequency_hz": np.concatenate([frequencies_of(row) for row in panels.values()]),
            **{
                name: np.concatenate([values_of(row, name) for row in panels.values()])
                for name in ("difference_db", "lower_db", "upper_db")
            },
        }
    )
