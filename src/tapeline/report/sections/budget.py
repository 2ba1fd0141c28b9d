"""What an uncertainty is made of: an absolute level beside a difference, at the headline's operating point."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.blocks import Block, FigureBlock, Fold, Prose, TableBlock
from tapeline.report.charts.figure import Figure, Key, figure_of, panel_boxes
from tapeline.report.charts.looks import Look
from tapeline.report.charts.panel import Panel
from tapeline.report.charts.scales import band_limits
from tapeline.report.comparison_views import condition_title, in_table_order
from tapeline.report.figure_data import FigureData
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.headline import headline_of
from tapeline.report.page_table import PlainTable
from tapeline.report.sections.repeatability import at_headline
from tapeline.report.sections.repeatability_tables import level_words
from tapeline.report.wording import NO_VALUE, frequency, listed, number, operating_point
from tapeline.statistics.uncertainty_terms import (
    ASSUMED_BETWEEN_SESSIONS,
    ASSUMED_REPEATS,
    BACKGROUND,
    BETWEEN_SESSIONS,
    CALIBRATION,
    DRIFT,
    HELD_CHANGE,
    RANDOM_ERROR,
    REPEATS,
    SENSOR_SIZE,
    SPEED,
    SPEED_EXPONENT,
    whole_term,
)

MOST_TERMS = 7
TOTAL = "all terms"
LOOKS = {
    RANDOM_ERROR.name: Look("u0", "circle", None),
    REPEATS.name: Look("u1", "square", None),
    ASSUMED_REPEATS.name: Look("u1", "square", "2 2"),
    CALIBRATION.name: Look("u2", "triangle", "6 2"),
    BETWEEN_SESSIONS.name: Look("u3", "diamond", None),
    ASSUMED_BETWEEN_SESSIONS.name: Look("u3", "diamond", "2 2"),
    HELD_CHANGE.name: Look("u3", "hexagon", "6 2"),
    "mounting": Look("u4", "wedge", None),
    "response": Look("u5", "bar", "8 2 2 2"),
    SENSOR_SIZE.name: Look("u5", "bar", "2 2"),
    BACKGROUND.name: Look("u6", "hexagon", "2 2"),
    SPEED.name: Look("u7", "cross", "4 2"),
    SPEED_EXPONENT.name: Look("u7", "cross", "1 2"),
    DRIFT.name: Look("u8", "wedge", "6 2"),
}
"""A term keeps its look in every budget; the small others share one."""

OTHER_LOOK = Look("u9", "circle", "1 2")

Budgets = Mapping[str, Sequence[Row]]


def budget_blocks(tables: FinishedTables, campaign: Campaign) -> list[Block]:
    """The fold with the figure over the bands, the terms of the overall level, and those of the sensitivities."""
    blocks: list[Block] = []
    chosen = _chosen(tables, campaign)
    if chosen:
        first = chosen[-1]
        point = operating_point(first["speed_mps"], first["yaw_deg"], campaign.settings.report.speed_unit)
        where = f"{first['position']}, {point}, session {first['session_label']}"
        panels = {_title(campaign, row): [each for each in _bands(tables, row) if each["terms"]] for row in chosen}
        figure = budget_figure({title: rows for title, rows in panels.items() if rows}, where)
        blocks += [FigureBlock(figure)] if figure is not None else []
        blocks.append(TableBlock(budget_table({_title(campaign, row): row for row in chosen}, where)))
    terms = terms_table(tables.calibration)
    blocks += [TableBlock(terms)] if terms.rows else []
    if not blocks:
        return []
    note = Prose(
        "Terms are added in quadrature (JCGM 100, GUM). Other bands and positions: tables/budgets.parquet.", "note"
    )
    return [Fold("Uncertainty budget", (*blocks, note), key="uncertainty-budget")]


def _chosen(tables: FinishedTables, campaign: Campaign) -> list[Row]:
    """The overall level of the reference condition and the difference, where the ranking has its first position."""
    overall = tables.overall_rows("budgets")
    headline = headline_of(tables, campaign)
    differences = at_headline([row for row in overall if row["budget"] == "difference"], headline)
    absolute = [row for row in overall if row["budget"] == "absolute"]
    if not differences:
        reference = campaign.settings.reference_condition
        levels = at_headline([row for row in absolute if row["condition"] == reference], headline)
        return [_first(campaign, levels, [])] if levels else []
    difference = _first(campaign, differences, sorted(tables.ranking, key=lambda row: row["place"]))
    pair = campaign.settings.comparisons.get(difference["comparison"])
    names = ("position", "session_label", "speed_mps", "yaw_deg", "weighting", "lowest_band_hz", "highest_band_hz")
    level = [
        row
        for row in absolute
        if pair is not None
        and row["condition"] == pair.reference
        and all(row[name] == difference[name] for name in names)
    ]
    return [*level[:1], difference]


def _first(campaign: Campaign, rows: Sequence[Row], ranked: Sequence[Row]) -> Row:
    """The row of the settings' first comparison that has any, at the first position of its ranking or of the table."""
    names = campaign.settings.comparisons
    name = next((name for name in names if any(row["comparison"] == name for row in rows)), rows[0]["comparison"])
    own = [row for row in rows if row["comparison"] == name]
    order = [row["position"] for row in ranked if row["comparison"] == name]
    order += in_table_order(campaign, (row["position"] for row in own))
    return min(own, key=lambda row: (order.index(row["position"]), row["session_label"], row["condition"] or ""))


def _title(campaign: Campaign, row: Row) -> str:
    if row["budget"] == "difference":
        return f"difference {row['comparison']}"
    return f"level, {condition_title(campaign, row['condition'])}"


def _bands(tables: FinishedTables, row: Row) -> list[Row]:
    found = tables.budgets(row["position"], row["session_label"], row["speed_mps"], row["yaw_deg"])
    return [each for each in found if all(each[name] == row[name] for name in ("budget", "comparison", "condition"))]


def joined_terms(row: Row) -> dict[str, float]:
    """Terms of a budget in dB; those of the calibration are put together."""
    squares: dict[str, float] = {}
    for name, value in zip(row["terms"] or (), row["terms_db"] or (), strict=True):
        group = whole_term(name)
        squares[group] = squares.get(group, 0.0) + float(value) ** 2
    return {name: math.sqrt(square) for name, square in squares.items()}


def largest_terms(panels: Budgets) -> list[str]:
    """Names of the terms drawn: those that are largest anywhere, never one that is nothing."""
    most: dict[str, float] = {}
    for rows in panels.values():
        for row in rows:
            for name, value in joined_terms(row).items():
                most[name] = max(most.get(name, 0.0), value)
    ordered = sorted((name for name, value in most.items() if value > 0.0), key=lambda name: (-most[name], name))
    return ordered[:MOST_TERMS]


def budget_figure(panels: Budgets, where: str) -> Figure | None:
    """Standard uncertainties over the bands, a panel a budget on one range; `panels` holds rows by their title."""
    every = [row for rows in panels.values() for row in rows]
    if not every:
        return None
    names = largest_terms(panels)
    top = math.ceil(2.0 * max(row["standard_uncertainty_db"] for row in every)) / 2.0 or 0.5
    limits = band_limits([row["lower_hz"] for row in every], [row["upper_hz"] for row in every])
    boxes, height = panel_boxes(len(panels), columns=2, height=170)
    drawn = []
    for box, (title, rows) in zip(boxes, panels.items(), strict=True):
        ordered = sorted(rows, key=lambda row: row["band_hz"])
        panel = Panel(box, limits, (0.0, top), title, "band, Hz", frequency=True)
        bands = [row["band_hz"] for row in ordered]
        terms = [joined_terms(row) for row in ordered]
        for name in names:
            look, values = LOOKS.get(name, OTHER_LOOK), [each.get(name, math.nan) for each in terms]
            panel.curve(bands, values, look.role, look.dashes)
            panel.dots(bands, values, look.role, shape=look.shape, size=2.6)
        panel.curve(bands, [row["standard_uncertainty_db"] for row in ordered], "ze")
        for row, own in zip(ordered, terms, strict=True):
            largest = sorted(own, key=lambda name: (-own[name], name))[:3]
            said = listed(f"{name} {number(own[name], 2)} dB" for name in largest)
            whole = f"{title}, {frequency(row['band_hz'])}: {number(row['standard_uncertainty_db'], 2)} dB"
            panel.reads(row["band_hz"], row["standard_uncertainty_db"], f"{whole}; {said}")
        drawn.append(panel)
    drawn[0].y_label = "standard uncertainty, dB"
    keys = [Key(TOTAL, "ze"), *(Key(name, (look := LOOKS.get(name, OTHER_LOOK)).role, look.shape, look.dashes)
                                for name in names)]  # fmt: skip
    return figure_of(
        ("budget",),
        "Uncertainty budget over the bands",
        drawn,
        keys,
        height=height,
        alt=f"Standard uncertainties at {where}. " + " ".join(_message(title, rows) for title, rows in panels.items()),
        caption=f"Standard uncertainty and its largest terms at {where}.",
        data=_data(panels),
    )


def _message(title: str, rows: Sequence[Row]) -> str:
    worst = max(rows, key=lambda row: (row["standard_uncertainty_db"], row["band_hz"]))
    own = joined_terms(worst)
    largest = max(own, key=lambda name: (own[name], name))
    return (
        f"{title[0].upper()}{title[1:]}: {number(worst['standard_uncertainty_db'], 2)} dB at most, at "
        f"{frequency(worst['band_hz'])}, where {largest} is largest with {number(own[largest], 2)} dB."
    )


def _data(panels: Budgets) -> FigureData:
    rows = [(title, row) for title, own in panels.items() for row in own]
    terms = sorted({name for _, row in rows for name in joined_terms(row)})
    return FigureData(
        {
            "of": [title for title, _ in rows],
            **{name: [row[name] for _, row in rows] for name in ("position", "band_hz", "standard_uncertainty_db")},
            **{f"{name}, dB": [joined_terms(row).get(name) for _, row in rows] for name in terms},
        }
    )


def budget_table(rows: Mapping[str, Row], where: str) -> PlainTable:
    """The terms of overall levels and differences beside each other, the largest first."""
    terms = {title: joined_terms(row) for title, row in rows.items()}
    evidence: dict[str, set[str]] = {}
    for row in rows.values():
        for name, said in zip(row["terms"] or (), row["terms_evidence"] or (), strict=True):
            evidence.setdefault(whole_term(name), set()).add(said)
    names = {name for own in terms.values() for name in own}
    ordered = sorted(names, key=lambda name: (-max(own.get(name, 0.0) for own in terms.values()), name))
    lines = [
        (name, *(number(own.get(name), 2) for own in terms.values()), listed(sorted(evidence[name])))
        for name in ordered
    ]
    total = (TOTAL, *(number(row["standard_uncertainty_db"], 2) for row in rows.values()), NO_VALUE)
    return PlainTable(
        key="budget-table",
        caption=f"Overall level {level_words(next(iter(rows.values())))} at {where}: standard uncertainties, dB",
        head=("term", *rows, "evidence"),
        rows=(*lines, total),
        numeric=frozenset(range(1, len(rows) + 1)),
    )


def terms_table(calibration: Sequence[Row]) -> PlainTable:
    """The terms of the sensitivities' uncertainty, session by session, with the evidence for each."""
    found: dict[tuple[str, str, str], list[float]] = {}
    for row in calibration:
        for name, value, evidence in zip(
            row["terms"] or (), row["terms_db"] or (), row["terms_evidence"] or (), strict=True
        ):
            found.setdefault((row["session"], name, evidence), []).append(value)
    rows = [
        (session, name, evidence, number(min(values), 3), number(max(values), 3), str(len(values)))
        for (session, name, evidence), values in found.items()
    ]
    return PlainTable(
        key="terms-table",
        caption="What the uncertainty of the sensitivities is made of, standard uncertainties in dB",
        head=("session", "term", "evidence", "smallest", "largest", "channels"),
        rows=tuple(rows),
        numeric=frozenset({3, 4, 5}),
        note="measured: in this campaign; certificate: from the tables; default: an assumption of the settings, not "
        "knowledge. What all checks share cancels in differences within a session.",
    )
