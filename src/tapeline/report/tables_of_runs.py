"""Page tables on what was measured: coverage and the run log."""

from __future__ import annotations

from collections.abc import Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.attention import sentence_of
from tapeline.report.comparison_views import condition_title
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable
from tapeline.report.wording import NO_VALUE, counted, listed, number, operating_point, speed


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


def run_log_table(tables: FinishedTables, campaign: Campaign) -> PlainTable:
    """Every run with what was achieved, what was left out and why."""
    faults: dict[str, list[Row]] = {}
    for row in tables.quality:
        faults.setdefault(row["run"], []).append(row)
    unit = campaign.settings.report.speed_unit
    rows = [_log_row(row, faults.get(row["run"], ()), unit) for row in sorted(tables.runs, key=_time_order)]
    return PlainTable(
        key="run-log-table",
        caption="Run log in order of session and time",
        head=(
            "run",
            "session",
            "recorded",
            "kind",
            "condition",
            f"set, {unit}",
            f"achieved, {unit}",
            "yaw, °",
            "q, Pa",
            "air, °C",
            "length, s",
            "background runs",
            "status",
            "left out and why",
            "remark",
        ),
        rows=tuple(rows),
        numeric=frozenset({5, 6, 7, 8, 9, 10}),
    )


def _time_order(row: Row) -> tuple[str, str, str]:
    return row["session"], row["recorded_at"] or "", row["run"]


def _log_row(row: Row, quality: Sequence[Row], unit: str) -> tuple[str, ...]:
    return (
        row["run"],
        row["session"],
        _recorded(row["recorded_at"]),
        f"{row['kind']} {row['stage']}" if row["stage"] else row["kind"],
        row["condition"] or NO_VALUE,
        speed(row["set_speed_mps"], unit).removesuffix(f" {unit}"),
        speed(row["measured_speed_mps"], unit).removesuffix(f" {unit}"),
        number(row["set_yaw_deg"]),
        number(row["dynamic_pressure_pa"]),
        number(row["temperature_c"]),
        number(row["duration_s"]),
        listed(row["background_runs"] or (), 4) or ("refused" if row["background_refused"] else NO_VALUE),
        row["status"] or NO_VALUE,
        _left_out(row, quality),
        row["remark"] or "",
    )


def _recorded(text: str | None) -> str:
    """A time as people read it: ISO 8601 with a space, without seconds that are nothing."""
    return NO_VALUE if not text else text.replace("T", " ").removesuffix(":00")


def _left_out(row: Row, quality: Sequence[Row]) -> str:
    """The whole run, stretches of it, or channels; and why."""
    if row["status"] == "superseded":
        return f"whole run: taken again as {row['replaced_by'] or 'another run'}"
    if row["status"] == "left out":
        return "whole run: use is no" + (", see the remark" if row["remark"] else "")
    sentences = list(
        dict.fromkeys(
            sentence_of(channel, code)
            for channel in quality
            if channel["verdict"] == "unusable"
            for code in channel["reasons"] or ()
        )
    )
    if row["status"] == "unusable":
        return f"whole run: {'; '.join(sentences[:3]) or 'the recording cannot be used'}"
    said = []
    if row["left_out"]:
        said.append(f"in part: {listed(row['left_out'], 3)}")
    unusable = [channel["position"] for channel in quality if channel["verdict"] == "unusable"]
    if unusable:
        said.append(f"{counted(len(unusable), 'channel')} ({listed(unusable, 4)}): {'; '.join(sentences[:3])}")
    return "; ".join(said) or NO_VALUE
