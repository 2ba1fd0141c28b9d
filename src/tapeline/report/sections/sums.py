"""Overall levels put together: areas, several sessions, left against right, single treatments against all, drift."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.blocks import Block, Section, TableBlock
from tapeline.report.difference_words import doubt_words
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable, without_constant_columns
from tapeline.report.wording import (
    NO_VALUE,
    confidence_words,
    counted,
    frequency,
    interval,
    listed,
    number,
    operating_point,
    percent,
)

MOST_ROWS, MOST_DRIFTS = 60, 20
"""Rows of a table on the page; the whole of it is in the Parquet file of its name."""

POINT = ("session", "operating point", "weighting", "range")
PARTNERS_YAW = "partner's yaw"


def sums_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """Levels and differences put together: areas, sessions, sides, single treatments, drift of the reference."""
    names = dict.fromkeys(row["comparison"] for row in tables.comparisons)
    made = [table(tables, campaign, name) for name in names for table in (area_table, session_mean_table)]
    made += [table(tables, campaign) for table in (mirror_table, additivity_table, drift_table)]
    blocks: list[Block] = [TableBlock(table) for table in made if table.rows]
    title = "Areas, sessions, sides, sums, drift"
    return [Section("sums", title, "compare", blocks, is_folded=True)] if blocks else []


def area_table(tables: FinishedTables, campaign: Campaign, comparison: str) -> PlainTable:
    """Differences of the energy means over areas, of one comparison."""
    rows = [row for row in tables.overall_rows("area_differences") if row["comparison"] == comparison]
    head = (
        "area",
        *POINT,
        "reference, dB",
        "treatment, dB",
        "difference, dB",
        _interval_head(campaign),
        "finding",
        "positions",
    )

    def cells(row: Row) -> tuple[str, ...]:
        return (
            row["area"],
            row["session_label"],
            *_point(campaign, row),
            number(row["reference_level_db"]),
            number(row["treatment_level_db"]),
            *_difference(row),
            f"{len(row['positions'])} of {len(row['positions']) + len(row['left_out'])}",
        )

    caption = f"{comparison}: energy means over areas, treatment minus reference"
    note = "Only positions that both sides have are in a mean."
    return _table(f"areas-{comparison}", caption, head, rows, cells, frozenset({5, 6, 7, 8}), note)


def session_mean_table(tables: FinishedTables, campaign: Campaign, comparison: str) -> PlainTable:
    """Differences over several sessions, of one comparison."""
    rows = [row for row in tables.overall_rows("session_means") if row["comparison"] == comparison]
    head = (
        "position",
        *POINT[1:],
        "difference, dB",
        _interval_head(campaign),
        "finding",
        "each session, dB",
        "weights",
        "agree",
    )

    def cells(row: Row) -> tuple[str, ...]:
        each = ", ".join(
            f"{s} {number(d, signed=True)}" for s, d in zip(row["sessions"], row["differences_db"], strict=True)
        )
        left_out = f"; left out, in doubt: {listed(row['left_out'])}" if row["left_out"] else ""
        return (
            row["position"],
            *_point(campaign, row),
            *_difference(row),
            f"{each}{left_out}",
            ", ".join(percent(weight) for weight in row["weights"]),
            _agree(campaign, row),
        )

    caption = f"{comparison}: mean over the sessions that compared both conditions"
    note = "The surer a session's difference, the more it weighs. Agree: the sessions differ no more than by chance."
    return _table(f"sessions-{comparison}", caption, head, rows, cells, frozenset({4, 5}), note)


def _agree(campaign: Campaign, row: Row) -> str:
    if row["agreement_p_value"] is None:
        return NO_VALUE
    return "yes" if row["agreement_p_value"] > 1.0 - campaign.settings.confidence else "no"


def mirror_table(tables: FinishedTables, campaign: Campaign) -> PlainTable:
    """Left against right of every condition."""
    rows = tables.overall_rows("mirror_differences")
    head = (
        "position",
        "against",
        PARTNERS_YAW,
        "condition",
        *POINT,
        "difference, dB",
        _interval_head(campaign),
        "finding",
        "agreement",
    )

    def cells(row: Row) -> tuple[str, ...]:
        partners_yaw = f"{round(-row['yaw_deg'], 1) + 0.0:g}°"
        which = (row["position"], row["mirror"], partners_yaw, row["condition"], row["session"])
        return *which, *_point(campaign, row), *_difference(row), row["agreement"] or NO_VALUE

    note = (
        "A position less its partner on the other side at the opposite yaw angle; two sensors, so that all their "
        "uncertainty counts. Agreement: differ where they are further from what the pair usually does than "
        f"{campaign.settings.compare.mirror_limit_db:g} dB; yaw-or-exchange where both sides look alike at both angles."
    )
    return _table("mirror-table", "Left against right", head, rows, cells, frozenset({2, 8, 9}), note)


def additivity_table(tables: FinishedTables, campaign: Campaign) -> PlainTable:
    """Sums of single treatments against all of them."""
    rows = tables.overall_rows("additivity")
    head = (
        "position",
        "whole",
        "single",
        *POINT,
        "sum, dB",
        "whole, dB",
        "sum over whole, dB",
        _interval_head(campaign),
        "finding",
    )

    def cells(row: Row) -> tuple[str, ...]:
        return (
            row["position"],
            f"{row['whole']} ({row['way']} from {row['common']})",
            listed(row["single"], 4),
            row["session"],
            *_point(campaign, row),
            number(row["sum_db"]),
            number(row["whole_db"]),
            number(row["interaction_db"], signed=True),
            interval(row["lower_db"], row["upper_db"]),
            row["finding"],
        )

    limit = campaign.settings.compare.interaction_limit_db
    note = (
        f"Additive: within ±{limit:g} dB. Interaction: beyond it and beyond chance, each row by itself; one leak feeds "
        "another, or levels drifted between the runs. No sum: the single changes go the other way than the whole."
    )
    return _table(
        "additivity-table", "Do single contributions add up?", head, rows, cells, frozenset({7, 8, 9, 10}), note
    )


def drift_table(tables: FinishedTables, campaign: Campaign) -> PlainTable:
    """Change of the reference conditions over each session, surest first."""
    rows = sorted(
        tables.overall_rows("reference_drift"),
        key=lambda row: row["adjusted_p_value"] or 0.0,
    )
    head = (
        "position",
        "condition",
        "session",
        "weighting",
        "range",
        "hours",
        "change, dB",
        _interval_head(campaign),
        "finding",
    )

    def cells(row: Row) -> tuple[str, ...]:
        return (
            row["position"],
            row["condition"],
            row["session"],
            *_range(row),
            number(row["span_hours"]),
            *_difference(row),
        )

    note = (
        "Slope of the reference's repeats times the session's length, over all operating points. What it puts into "
        "each difference is drift_effect_db in tables/comparisons.parquet; it is not subtracted."
    )
    caption = "Did the reference drift within a session?"
    return _table("drift-table", caption, head, rows, cells, frozenset({5, 6, 7}), note, MOST_DRIFTS)


def _table(
    key: str,
    caption: str,
    head: tuple[str, ...],
    rows: Sequence[Row],
    cells: Callable[[Row], tuple[str, ...]],
    numeric: frozenset[int],
    note: str,
    most: int = MOST_ROWS,
) -> PlainTable:
    """A table of the first rows; the note says how many there are and how many tests were adjusted together."""
    shown = rows[:most]
    sizes = sorted({row["family_size"] for row in shown if row["family_size"]})
    if sizes:
        many = " and ".join(f"{size:,}" for size in sizes)
        note += f" p-values are adjusted over {many} {'test' if sizes == [1] else 'tests'}."
    if len(rows) > most:
        note += f" The first {most} of {counted(len(rows), 'row')}."
    table = PlainTable(key, caption, head, tuple(cells(row) for row in shown), numeric, note)
    return without_constant_columns(table, (*POINT, "condition", PARTNERS_YAW))


def _interval_head(campaign: Campaign) -> str:
    return f"{confidence_words(campaign.settings.confidence)} interval, dB"


def _point(campaign: Campaign, row: Row) -> tuple[str, str, str]:
    return operating_point(row["speed_mps"], row["yaw_deg"], campaign.settings.report.speed_unit), *_range(row)


def _range(row: Row) -> tuple[str, str]:
    return row["weighting"] or NO_VALUE, f"{frequency(row['lowest_band_hz'])} to {frequency(row['highest_band_hz'])}"


def _difference(row: Row) -> tuple[str, str, str]:
    finding = ", ".join([row["finding"], *doubt_words(row)])
    return number(row["difference_db"], signed=True), interval(row["lower_db"], row["upper_db"]), finding
