"""Compare: one comparison, operating point and position at a time, with the heat map as its index."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from tapeline.campaign.model import Campaign
from tapeline.limits import HEAT_STEPS_DB
from tapeline.report.blocks import Block, FigureBlock, Fold, Group, Heading, Prose, Section, TableBlock
from tapeline.report.comparison_views import (
    SHOWN,
    View,
    ViewKey,
    by_rank,
    condition_title,
    drawn,
    in_table_order,
    panels,
    views,
    with_bounds,
)
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.headline import headline_of
from tapeline.report.page_table import Cell, Link, Marked, PlainTable
from tapeline.report.sections.body_figures import comparison_map
from tapeline.report.sections.pair_figure import (
    Axes,
    difference_limits,
    level_limits,
    pair_figure,
    without_background_words,
)
from tapeline.report.tables_of_differences import overall_table
from tapeline.report.view_names import pair_anchor, run_file, view_anchor
from tapeline.report.wording import frequency, listed, number, operating_point

MOST_RUNS = 8
"""So many runs of a kind are named below a figure."""


def compare_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """The one view for all comparisons, and the table of overall differences."""
    every = views(tables.comparisons)
    chosen = {view.key for view in drawn(every)}
    order = {name: index for index, name in enumerate(campaign.settings.comparisons)}
    names = sorted({view.comparison for view in every}, key=lambda name: (order.get(name, len(order)), name))
    if not names:
        none = Prose("No comparison has a result: no two conditions were measured at one operating point.", "none")
        return [Section("comparisons", "Conditions against each other", "compare", [none])]
    groups = [[view for view in every if view.comparison == name] for name in names]
    parts = tuple(_comparison(tables, campaign, own, chosen) for own in groups)
    stage = Group(parts, role="stage", choice=_at_first(tables, campaign, groups[0], chosen))
    overall = [TableBlock(_overall(tables, campaign, name)) for name in names]
    return [
        Section("comparisons", "Conditions against each other", "compare", [_legend_words(campaign), stage]),
        Section("overall", "Overall differences", "compare", overall, is_folded=True),
    ]


def _at_first(
    tables: FinishedTables, campaign: Campaign, own: Sequence[View], chosen: set[ViewKey]
) -> tuple[tuple[str, str], ...]:
    """What a reader who has chosen nothing sees: the first comparison at the sheet's point, its first spot."""
    shown = [view for view in own if view.key in chosen]
    if not shown:
        return ()
    view = _first(tables, campaign, shown)
    position = by_rank(view, tables.ranking)[0]
    return ("comparison", view.comparison), ("point", view_title(campaign, view)), ("position", position)


def _legend_words(campaign: Campaign) -> Prose:
    threshold = campaign.settings.compare.practical_threshold_db
    return Prose(
        "Differences are treatment minus reference. In the table of bands red is higher (louder) and blue is lower "
        f"(quieter), deeper from {HEAT_STEPS_DB[0]:g} and {HEAT_STEPS_DB[1]:g} dB on. Numbers in italics are not "
        f"shown to differ, or equivalent (within ±{threshold:g} dB). Grey with ? is higher or lower but doubtful; "
        "italics with ? are not shown and doubtful. Where a level is only an upper bound the difference is at "
        "least (≥) or at most (≤) so much. A number leads to its figure.",
        "note",
    )


def _comparison(tables: FinishedTables, campaign: Campaign, own: Sequence[View], chosen: set[ViewKey]) -> Fold:
    first = own[0]
    shown = [view for view in own if view.key in chosen]
    rows = {view.key: with_bounds(tables, view, panels(campaign, view, tables.ranking)) for view in shown}
    settings = campaign.settings
    axes = Axes(
        settings.report.level_axis_db
        or level_limits(row for found in rows.values() for each in found.values() for row in each),
        settings.report.difference_axis_db
        or difference_limits(
            (row for view in own for row in view.band_rows()), settings.compare.practical_threshold_db
        ),
    )
    left_out = [view_title(campaign, view) for view in own if view.key not in chosen and view.bands]
    treatment, reference = (condition_title(campaign, name) for name in (first.treatment, first.reference))
    blocks: list[Block] = [
        Prose(direction_words(treatment, reference)),
        Prose(f"{treatment} minus {reference}. {_family_words(campaign, own)}", "note"),
    ]
    blocks += [_view(tables, campaign, view, rows[view.key], axes) for view in shown]
    if shown and (on_body := comparison_map(tables, campaign, _first(tables, campaign, shown))) is not None:
        blocks.append(Fold("On the body", [FigureBlock(on_body)]))
    if left_out:
        words = f"Without figures, those with the fewest shown differences: {'; '.join(left_out)}."
        blocks.append(Prose(f"{words} Their numbers are in tables/comparisons.parquet.", "note"))
    return Fold(
        f"{first.comparison}: {treatment} against {reference}",
        blocks,
        key=f"comparison-{first.comparison}",
        role="chosen",
        choice=(("comparison", first.comparison),),
    )


def direction_words(treatment: str, reference: str) -> str:
    """What the sign of a difference says of two conditions, given by their titles."""
    return f"Positive: {treatment} is louder than {reference}. Negative: it is quieter."


def _first(tables: FinishedTables, campaign: Campaign, shown: Sequence[View]) -> View:
    """The view at the sheet's operating point and session, else the fastest."""
    headline = headline_of(tables, campaign)
    wanted = None if headline is None else (headline.session, headline.speed_mps, headline.yaw_deg)
    at = {(view.treatment_session, view.speed_mps, view.yaw_deg): view for view in shown}
    return at[wanted] if wanted in at else max(shown, key=lambda view: (view.speed_mps, -abs(view.yaw_deg)))


def view_title(campaign: Campaign, view: View) -> str:
    """The session and operating point of a view."""
    point = operating_point(view.speed_mps, view.yaw_deg, campaign.settings.report.speed_unit)
    return f"{point}, session {view.sessions}"


def _view(
    tables: FinishedTables, campaign: Campaign, view: View, rows: Mapping[str, Sequence[Row]], axes: Axes
) -> Fold:
    title = view_title(campaign, view)
    choice = (("comparison", view.comparison), ("point", title))
    pairs = [
        Group(
            (
                Heading(f"{position}, {title}"),
                FigureBlock(pair_figure(campaign, view, position, rows[position], axes)),
                runs_note(tables, campaign, view, rows[position]),
            ),
            key=pair_anchor(campaign, view, position),
            choice=(*choice, ("position", position)),
        )
        for position in rows
    ]
    words = without_background_words([row for own in rows.values() for row in own])
    unsubtracted = (Prose(words, "strong"),) if words else ()
    return Fold(
        title,
        (*unsubtracted, TableBlock(heat_table(campaign, view, rows)), *pairs),
        key=view_anchor(campaign, view),
        role="chosen",
        choice=choice,
    )


def runs_note(tables: FinishedTables, campaign: Campaign, view: View, rows: Sequence[Row]) -> Prose:
    """The runs that a figure rests on, their background runs and the sessions' calibration, each with its link."""
    used = {
        side: sorted({run for row in rows for run in row[f"{side}_runs"] or ()}) for side in ("treatment", "reference")
    }
    every = {run for runs in used.values() for run in runs}
    behind = {name for run in every for name in tables.run_by_name[run]["background_runs"] or ()}
    sessions = {view.reference_session, view.treatment_session}
    calibration = [row["run"] for row in tables.runs if row["kind"] == "calibration" and row["session"] in sessions]
    words: list[str | Link | Marked] = ["Runs of "]
    for side, runs in used.items():
        words += [f"{condition_title(campaign, getattr(view, side))}: ", *_linked(runs), "; "]
    words += ["background: ", *_linked(sorted(behind)), "; "]
    words += [Link("calibration", "#calibration"), f" of session {view.sessions}: ", *_linked(sorted(calibration)), "."]
    return Prose(tuple(words), "note")


def _linked(runs: Sequence[str]) -> list[str | Link]:
    """Runs that lead to their pages, at most `MOST_RUNS`."""
    words: list[str | Link] = []
    for run in runs[:MOST_RUNS]:
        words += [", ", Link(run, run_file(run))] if words else [Link(run, run_file(run))]
    return [*words, f" and {len(runs) - MOST_RUNS} more"] if len(runs) > MOST_RUNS else words or ["none"]


def heat_table(campaign: Campaign, view: View, with_figure: Mapping[str, Sequence[Row]]) -> PlainTable:
    """Differences position by band, with a link to the figure where there is one."""
    bands = sorted({row["band_hz"] for row in view.band_rows()})
    lines = []
    for position in in_table_order(campaign, view.bands):
        href = f"#{pair_anchor(campaign, view, position)}" if position in with_figure else ""
        found = {row["band_hz"]: row for row in view.bands[position]}
        first: Cell = Marked(position, "place", href) if href else position
        lines.append((first, *(heat_cell(found.get(band), href) for band in bands)))
    return PlainTable(
        key=f"bands-{view_anchor(campaign, view)}",
        caption=f"{view.comparison}, {view_title(campaign, view)}: difference by band, dB",
        head=("position", *(frequency(band).removesuffix(" Hz").replace(" kHz", "k") for band in bands)),
        rows=tuple(lines),
        numeric=frozenset(range(1, len(bands) + 1)),
        role="heat",
    )


def heat_cell(row: Row | None, href: str) -> Cell:
    """One difference with its colour; what is not shown stays without, and what is shown but doubtful is grey."""
    if row is None:
        return ""
    value, doubt = row["difference_db"], "?" if row["doubtful"] else ""
    if value is None:
        upper, lower = row["upper_db"], row["lower_db"]
        words = f"≤{number(upper)}" if upper is not None else f"≥{number(lower)}" if lower is not None else "–"
        return Marked(words + doubt, "h0", href)
    if row["finding"] not in SHOWN:
        return Marked(number(value, signed=True) + doubt, "weak", href)
    if row["doubtful"]:
        return Marked(number(value, signed=True) + doubt, "doubt", href)
    step = 1 + sum(abs(value) >= limit for limit in HEAT_STEPS_DB)
    return Marked(number(value, signed=True), f"h{'-' if value < 0 else ''}{step}", href)


def _overall(tables: FinishedTables, campaign: Campaign, name: str) -> PlainTable:
    rows = [row for row in tables.comparisons if (row["comparison"], row["quantity"]) == (name, "overall")]
    return overall_table(tables, campaign, name, rows)


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
    method = "Benjamini and Hochberg" if compare.adjustment == "false-discovery" else "Holm"
    return f"Findings are adjusted ({method}) over families of {' and '.join(said)}{each}." if said else ""
