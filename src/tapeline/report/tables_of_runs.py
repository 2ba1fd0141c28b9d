"""Page table on what was measured: coverage."""

from __future__ import annotations

from collections.abc import Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import condition_title
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable
from tapeline.report.wording import NO_VALUE, operating_point


def coverage_table(tables: FinishedTables, campaign: Campaign) -> PlainTable:
    """Condition by operating point: usable runs of all there are, measurements first, then backgrounds."""
    measured = [row for row in tables.runs if row["kind"] in ("measurement", "background")]
    points = sorted({_point(row) for row in measured if row["speed_mps"] is not None})
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in measured:
        title = condition_title(campaign, row["condition"]) if row["condition"] else "all conditions"
        label = title if row["kind"] == "measurement" else f"background for {title}"
        groups.setdefault((row["session"], label), []).append(row)
    unit = campaign.settings.report.speed_unit
    rows = [
        (label, session, *(_share_of(group, point) for point in points), _used_of(group))
        for (session, label), group in sorted(groups.items(), key=lambda item: _group_order(campaign, item[1]))
    ]
    return PlainTable(
        key="coverage-table",
        caption="Usable runs of all runs, by condition and operating point",
        head=("condition", "session", *(operating_point(*point, unit) for point in points), "all"),
        rows=tuple(rows),
        numeric=frozenset(range(2, 3 + len(points))),
        note="A cell says how many runs are used and how many there are; a dash where none was made. Runs taken again, "
        "left out or unusable are not used.",
    )


def _point(row: Row) -> tuple[float, float]:
    return row["speed_mps"], row["yaw_deg"] or 0.0


def _group_order(campaign: Campaign, group: Sequence[Row]) -> tuple[str, bool, int, str]:
    order = {name: index for index, name in enumerate(campaign.settings.conditions)}
    first = group[0]
    condition = first["condition"] or ""
    return first["session"], first["kind"] == "background", order.get(condition, len(order)), condition


def _share_of(group: Sequence[Row], point: tuple[float, float]) -> str:
    return _used_of([row for row in group if row["speed_mps"] is not None and _point(row) == point])


def _used_of(group: Sequence[Row]) -> str:
    return f"{sum(row['status'] == 'used' for row in group)} of {len(group)}" if group else NO_VALUE
