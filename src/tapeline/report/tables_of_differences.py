"""Page tables on results: the list to work on first and the overall differences."""

from __future__ import annotations

from collections.abc import Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import condition_title
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable, without_constant_columns
from tapeline.report.wording import (
    NO_VALUE,
    confidence_words,
    frequency,
    interval,
    number,
    operating_point,
    pairing,
    percent,
)

MOST_ROWS = 120


def ranking_tables(tables: FinishedTables, campaign: Campaign) -> list[PlainTable]:
    """One list of spots and bands a comparison, in the order of the settings."""
    order = {name: index for index, name in enumerate(campaign.settings.comparisons)}
    names = sorted({row["comparison"] for row in tables.ranking}, key=lambda name: (order.get(name, len(order)), name))
    return [_ranking_table(campaign, name, [row for row in tables.ranking if row["comparison"] == name])
            for name in names]  # fmt: skip


def _ranking_table(campaign: Campaign, name: str, rows: Sequence[Row]) -> PlainTable:
    confidence = confidence_words(campaign.settings.confidence)
    weighting = rows[0]["weighting"] or "Z"
    weighted = "unweighted" if weighting == "Z" else f"{weighting}-weighted"
    return PlainTable(
        key=f"ranking-{name}",
        caption=f"{name}: spots and bands by contributed level, {weighted}",
        head=(
            "rank",
            "position",
            "area",
            "band",
            "contribution, dB",
            f"{confidence} interval, dB",
            "share",
            "opened minus closed, dB",
            "finding",
            "points",
        ),
        rows=tuple(
            (
                str(row["rank"]),
                row["position"],
                row["area"] or NO_VALUE,
                frequency(row["band_hz"]),
                number(row["contribution_db"]),
                interval(row["lower_db"], row["upper_db"]),
                percent(row["share"]),
                number(row["difference_db"], signed=True),
                row["finding"] or NO_VALUE,
                NO_VALUE if row["operating_points"] is None else str(row["operating_points"]),
            )
            for row in rows
        ),
        numeric=frozenset({0, 3, 4, 5, 6, 7, 9}),
        note="Tied: the intervals of neighbours in the list overlap. Points: operating points and sessions that "
        "the mean is over. Share: of all power contributed in this comparison. Not shown stays in the list by its "
        "size, not by proof.",
    )


def overall_table(campaign: Campaign, comparison: str, rows: Sequence[Row]) -> PlainTable:
    """The overall differences of one comparison; the largest ones where there are too many for a page."""
    kept = list(rows)
    if len(kept) > MOST_ROWS:
        kept = sorted(kept, key=lambda row: (-abs(row["difference_db"] or 0.0), *_order(row)))[:MOST_ROWS]
    confidence = confidence_words(campaign.settings.confidence)
    note = "" if len(rows) <= MOST_ROWS else (
        f"The {MOST_ROWS} largest of {len(rows):,} differences; all are in tables/comparisons.parquet."
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
        rows=tuple(_overall_row(campaign, row) for row in sorted(kept, key=_order)),
        numeric=frozenset({5, 6, 7, 8, 13}),
        note=note,
    )
    return without_constant_columns(
        table, ("session", "operating point", "weighting", "range", "pairing", "interval from")
    )


def _order(row: Row) -> tuple[str, str, float, float, str]:
    return row["position"], row["sessions"], row["speed_mps"], row["yaw_deg"], row["weighting"] or ""


def _overall_row(campaign: Campaign, row: Row) -> tuple[str, ...]:
    finding = row["finding"] or NO_VALUE
    return (
        row["position"],
        row["sessions"],
        operating_point(row["speed_mps"], row["yaw_deg"], campaign.settings.report.speed_unit),
        row["weighting"] or NO_VALUE,
        f"{frequency(row['lower_hz'])} to {frequency(row['upper_hz'])}",
        _level(row["reference_level_db"]),
        _level(row["treatment_level_db"]),
        number(row["difference_db"], signed=True),
        interval(row["lower_db"], row["upper_db"]),
        f"{finding}, doubtful" if row["doubtful"] else finding,
        f"{len(row['reference_runs'] or ())} + {len(row['treatment_runs'] or ())}",
        pairing(row["pairing"]),
        row["interval_basis"] or NO_VALUE,
        _contribution(campaign, row),
    )


def _level(level_db: float | None) -> str:
    return "bound" if level_db is None else number(level_db)


def _contribution(campaign: Campaign, row: Row) -> str:
    """What the gap adds: a level, a bound, or the words that the opened state is the quieter one."""
    if row["contribution_state"] == "reversed":
        return f"none: {condition_title(campaign, row['opened'])} is lower"
    if row["contribution_state"] == "bound":
        return f"at most {number(row['contribution_upper_db'])}"
    if row["contribution_level_db"] is None:
        return NO_VALUE
    ends = interval(row["contribution_lower_db"], row["contribution_upper_db"])
    return f"{number(row['contribution_level_db'])} ({ends})"
