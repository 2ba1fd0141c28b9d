"""What each treatment gains and leaves, as a table."""

from __future__ import annotations

from tapeline.campaign.model import Campaign
from tapeline.report.blocks import Block, Prose, Section, TableBlock
from tapeline.report.comparison_views import condition_title
from tapeline.report.difference_words import background_words
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import Cell, Link, PlainTable, without_constant_columns
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

MOST_ROWS = 120


def gain_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """All gains and remainders of overall levels; no section where no condition is the untreated one."""
    rows = [row for row in tables.treatments if row["gain_finding"] or row["remainder_finding"]]
    if not rows:
        return []
    untreated = condition_title(campaign, rows[0]["untreated"])
    words = (
        f"Gain: how much quieter a condition is than {untreated}. Left: how much louder it is than the condition with "
        "most applied. Share: of the power that the latter takes away."
    )
    blocks: list[Block] = [Prose(words, "note"), TableBlock(_table(campaign, rows))]
    return [Section("gains", "What each treatment gains and leaves", "decide", blocks, is_folded=True)]


def _table(campaign: Campaign, rows: list[Row]) -> PlainTable:
    confidence = f"{confidence_words(campaign.settings.confidence)} interval, dB"
    head = ("condition", "position", "session", "operating point", "weighting", "range", "gain, dB", confidence,
            "level", "left, dB", f"left, {confidence}", "level against best", "share", "runs")  # fmt: skip
    note = "" if len(rows) <= MOST_ROWS else (
        f"The first {MOST_ROWS} of {counted(len(rows), 'row')}; all are in tables/treatments.parquet."
    )  # fmt: skip
    cells = tuple(_cells(campaign, row) for row in sorted(rows, key=_order)[:MOST_ROWS])
    table = PlainTable("gains-table", "Gains and what is left, of overall levels", head, cells,
                       frozenset({6, 7, 9, 10, 12}), note)  # fmt: skip
    return without_constant_columns(table, ("session", "operating point", "weighting", "range"))


def _order(row: Row) -> tuple[str, str, str, float, float, str]:
    return row["condition"], row["position"], row["session"], row["speed_mps"], row["yaw_deg"], row["weighting"]


def _cells(campaign: Campaign, row: Row) -> tuple[Cell, ...]:
    sessions = dict.fromkeys((row["session"], row["other_session"]))
    runs = [*(row["runs"] or ()), *(row["untreated_runs"] or ())]
    return (
        row["condition"],
        row["position"],
        " + ".join(sessions),
        operating_point(row["speed_mps"], row["yaw_deg"], campaign.settings.report.speed_unit),
        row["weighting"] or NO_VALUE,
        f"{frequency(row['lowest_band_hz'])} to {frequency(row['highest_band_hz'])}",
        number(row["gain_db"], signed=True),
        interval(row["gain_lower_db"], row["gain_upper_db"]),
        _finding(row, "gain"),
        number(row["remainder_db"], signed=True),
        interval(row["remainder_lower_db"], row["remainder_upper_db"]),
        _finding(row, "remainder"),
        percent(row["share"]),
        tuple(_links(runs)) if len(runs) <= 8 else listed(runs, 8),
    )


def _links(runs: list[str]) -> list[str | Link]:
    made: list[str | Link] = []
    for run in runs:
        made += [" ", Link(run, f"#run-{run}")]
    return made[1:]


def _finding(row: Row, name: str) -> str:
    doubtful = ["doubtful"] if row[f"{name}_doubtful"] else []
    return ", ".join([row[f"{name}_finding"] or NO_VALUE, *background_words(row[f"{name}_state"]), *doubtful])
