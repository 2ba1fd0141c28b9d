"""Page tables on results: the list to work on first and the overall differences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import condition_title, is_given
from tapeline.report.difference_words import background_words, doubt_words
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable, without_constant_columns
from tapeline.report.summed_range import summed_words
from tapeline.report.wording import (
    NO_VALUE,
    confidence_words,
    counted,
    frequency,
    interval,
    number,
    operating_point,
    pairing,
    percent,
)
from tapeline.report.work_first import WorkLine, list_words, work_lines
from tapeline.store.tables import BOTH_BOUNDS

MOST_ROWS = 120


@dataclass(frozen=True)
class Ranking:
    """What to work on first in one comparison: the short list and the whole table."""

    name: str
    words: str
    lines: tuple[WorkLine, ...]
    table: PlainTable


def rankings(tables: FinishedTables, campaign: Campaign) -> list[Ranking]:
    """One list of spots and bands a comparison, in the order of the settings."""
    order = {name: index for index, name in enumerate(campaign.settings.comparisons)}
    names = sorted({row["comparison"] for row in tables.ranking}, key=lambda name: (order.get(name, len(order)), name))
    found = []
    for name in names:
        rows = sorted((row for row in tables.ranking if row["comparison"] == name), key=lambda row: row["place"])
        words = list_words(campaign, name, rows)
        found.append(Ranking(name, words, tuple(work_lines(campaign, rows)), _ranking_table(campaign, name, rows)))
    return found


def _ranking_table(campaign: Campaign, name: str, rows: Sequence[Row]) -> PlainTable:
    confidence = confidence_words(campaign.settings.confidence)
    threshold = f"{campaign.settings.compare.practical_threshold_db:g} dB"
    weighting = rows[0]["weighting"] or "Z"
    weighted = "unweighted" if weighting == "Z" else f"{weighting}-weighted"
    change = rows[0]["ranked_by"] == "change"
    quantity = "power that changed, either way" if change else "contributed power"
    return PlainTable(
        key=f"ranking-{name}",
        caption=f"{name}: spots and bands by {quantity}, {weighted}, at the measured positions",
        head=(
            "rank",
            "ranks",
            "tied",
            "position",
            "area",
            "band",
            "changed power, dB" if change else "contribution, dB",
            f"{confidence} interval, dB",
            "share",
            "first",
            f"{'treatment minus reference' if change else 'opened minus closed'}, dB",
            "finding",
            "next step",
            "points",
        ),
        rows=tuple(_ranking_row(row) for row in rows),
        numeric=frozenset({0, 1, 2, 5, 6, 7, 8, 9, 10, 13}),
        note=f"Ranked is what is shown to differ by the practical threshold {threshold} or more, in the order of what "
        "can be expected once chance is taken off. What is tied shares the rank and number of its group. Ranks: "
        f"{confidence} interval of the rank. First: chance of being the largest of those ranked. Share: of the power "
        f"that those ranked {'change' if change else 'contribute'} in pressure at these positions; neither "
        "radiated nor heard power. Points: operating points and sessions that the mean is over. What has no rank "
        "stands behind, in the order of its upper end; what is in doubt stands last.",
    )


def _ranking_row(row: Row) -> tuple[str, ...]:
    ranked = row["rank"] is not None
    return (
        _count(row["rank"]),
        f"{row['rank_lower']} to {row['rank_upper']}" if ranked else NO_VALUE,
        _count(row["tied_group"]),
        row["position"],
        row["area"] or NO_VALUE,
        frequency(row["band_hz"]),
        number(row["contribution_db"]),
        interval(row["lower_db"], row["upper_db"]),
        percent(row["share"]),
        percent(row["first_probability"]),
        number(row["difference_db"], signed=True),
        ", ".join([row["finding"] or NO_VALUE, *doubt_words(row)]),
        _next_step(row),
        _count(row["operating_points"]),
    )


def _count(value: int | None) -> str:
    return NO_VALUE if value is None else str(value)


def _next_step(row: Row) -> str:
    needed = row["runs_needed"]
    return (
        f"{row['next_step']} (about {counted(needed, 'run')} a side)"
        if needed is not None
        else row["next_step"] or NO_VALUE
    )


def overall_table(tables: FinishedTables, campaign: Campaign, comparison: str, rows: Sequence[Row]) -> PlainTable:
    """The overall differences of one comparison; the largest ones where there are too many for a page."""
    kept = list(rows)
    if len(kept) > MOST_ROWS:
        kept = sorted(kept, key=lambda row: (-abs(row["difference_db"] or 0.0), *_order(row)))[:MOST_ROWS]
    confidence = confidence_words(campaign.settings.confidence)
    note = "" if len(rows) <= MOST_ROWS else (
        f"The {MOST_ROWS} largest of {len(rows):,} differences; all are in tables/comparisons.parquet. Chance "
        "helped to make them the largest: selected_lower_db and selected_upper_db there allow for that."
    )  # fmt: skip
    table = PlainTable(
        key=f"overall-{comparison}",
        caption=f"{comparison}: overall levels in dB, treatment minus reference",
        head=(
            "position",
            "session",
            "operating point",
            "weighting",
            "range",
            "reference",
            "treatment",
            "difference",
            f"{confidence} interval",
            "finding",
            "runs",
            "pairing",
            "interval from",
            "contribution",
        ),
        rows=tuple(_overall_row(tables, campaign, row) for row in sorted(kept, key=_order)),
        numeric=frozenset({5, 6, 7, 8, 13}),
        note=note,
    )
    return without_constant_columns(
        table, ("session", "operating point", "weighting", "range", "pairing", "interval from")
    )


def _order(row: Row) -> tuple[str, str, float, float, str]:
    return row["position"], row["session_label"], row["speed_mps"], row["yaw_deg"], row["weighting"] or ""


def _overall_row(tables: FinishedTables, campaign: Campaign, row: Row) -> tuple[str, ...]:
    finding = ": ".join([row["finding"] or NO_VALUE, *([row["why_not"]] if row["why_not"] else [])])
    return (
        row["position"],
        row["session_label"],
        operating_point(row["speed_mps"], row["yaw_deg"], campaign.settings.report.speed_unit),
        row["weighting"] or NO_VALUE,
        summed_words(tables, row),
        _level(row, "reference"),
        _level(row, "treatment"),
        number(row["difference_db"], signed=True),
        interval(row["lower_db"], row["upper_db"]),
        ", ".join([finding, *background_words(row["state"]), *doubt_words(row)]),
        f"{len(row['reference_runs'] or ())} + {len(row['treatment_runs'] or ())}",
        pairing(row["pairing"]),
        row["interval_basis"] or NO_VALUE,
        _contribution(campaign, row),
    )


def _level(row: Row, side: str) -> str:
    level = row[f"{side}_level_db"]
    if level is not None:
        return number(level)
    return "bound" if is_given(row) or row["why_not"] == BOTH_BOUNDS else NO_VALUE


def _contribution(campaign: Campaign, row: Row) -> str:
    """What the gap adds: a level, a bound, or the words that the opened state is the quieter one."""
    if row["contribution_state"] == "reversed":
        return f"none: {condition_title(campaign, row['opened'])} is lower"
    if row["contribution_state"] == "bound":
        return interval(row["contribution_lower_db"], row["contribution_upper_db"])
    if row["contribution_level_db"] is None:
        return NO_VALUE
    ends = interval(row["contribution_lower_db"], row["contribution_upper_db"])
    return f"{number(row['contribution_level_db'])} ({ends})"
