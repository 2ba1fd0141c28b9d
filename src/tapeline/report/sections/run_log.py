"""Run log: every run with what was achieved, what was left out and why."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from tapeline.campaign.model import Campaign
from tapeline.report.attention import sentence_of
from tapeline.report.blocks import Section, TableBlock
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import Cell, Link, Marked, PlainTable
from tapeline.report.view_names import run_anchor, run_file
from tapeline.report.wording import NO_VALUE, counted, listed, number, speed

MOST_BACKGROUNDS = 4


def run_log_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """The run log; every row is the anchor of a run and leads to the run's own page."""
    return [Section("run-log", "Run log", "trace", [TableBlock(run_log_table(tables, campaign))], is_folded=True)]


def run_log_table(tables: FinishedTables, campaign: Campaign) -> PlainTable:
    """Every run with what was achieved, what was left out and why."""
    faults: dict[str, list[Row]] = {}
    for row in tables.quality:
        faults.setdefault(row["run"], []).append(row)
    unit = campaign.settings.report.speed_unit
    runs = sorted(tables.runs, key=time_order)
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
            "length, s",
            "background runs",
            "status",
            "left out and why",
            "remark",
        ),
        rows=tuple(_log_row(row, faults.get(row["run"], ()), unit) for row in runs),
        numeric=frozenset({5, 6, 7, 8, 9}),
        anchors=tuple(run_anchor(row["run"]) for row in runs),
    )


def time_order(row: Row) -> tuple[str, str, str]:
    """Sessions by name, in them runs by the time of recording."""
    return row["session"], row["recorded_at"] or "", row["run"]


def _log_row(row: Row, quality: Sequence[Row], unit: str) -> tuple[Cell, ...]:
    return (
        Link(row["run"], run_file(row["run"])),
        row["session"],
        _dated(row["recorded_at"]),
        f"{row['kind']} {row['stage']}" if row["stage"] else row["kind"],
        row["condition"] or NO_VALUE,
        speed(row["set_speed_mps"], unit).removesuffix(f" {unit}"),
        speed(row["measured_speed_mps"], unit).removesuffix(f" {unit}"),
        number(row["set_yaw_deg"]),
        number(row["dynamic_pressure_pa"]),
        number(row["duration_s"]),
        _linked(row["background_runs"] or ()) or ("refused" if row["background_refused"] else NO_VALUE),
        row["status"] or NO_VALUE,
        left_out(row, quality),
        row["remark"] or "",
    )


def _linked(runs: Iterable[str]) -> Cell:
    """Runs that lead to their rows."""
    every = list(runs)
    made: list[str | Link] = []
    for run in every[:MOST_BACKGROUNDS]:
        made += [", ", Link(run, f"#{run_anchor(run)}")] if made else [Link(run, f"#{run_anchor(run)}")]
    return (*made, f" and {len(every) - MOST_BACKGROUNDS} more") if len(every) > MOST_BACKGROUNDS else tuple(made)


def _dated(text: str | None) -> Cell:
    """A time whose date stands on one line."""
    date, blank, time = recorded(text).partition(" ")
    return (Marked(date, "date"), blank + time) if blank else date


def recorded(text: str | None) -> str:
    """A time as people read it: ISO 8601 with a space, without seconds that are nothing."""
    return NO_VALUE if not text else text.replace("T", " ").removesuffix(":00")


def left_out(row: Row, quality: Sequence[Row]) -> str:
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
