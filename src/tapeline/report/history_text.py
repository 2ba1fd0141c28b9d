"""The sensors' histories as lines for the terminal and as a table of comma-separated values."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path

from tabulate import tabulate

from tapeline.report.sensor_history import SensorHistory, SensorSeries
from tapeline.report.wording import NO_VALUE, counted, listed, number
from tapeline.store.atomic import replacing

CSV_FILE = "history.csv"
CSV_COLUMNS = (
    "sensor",
    "campaign",
    "session",
    "date",
    "position",
    "source",
    "reference",
    "before_db",
    "after_db",
    "value_db",
    "standard_uncertainty_db",
    "common_shift_db",
    "accumulated_shift_db",
    "shift_removed_db",
    "moving_range_db",
    "verdict",
    "findings",
)
CSV_DECIMALS = 4
HEADINGS = ("sensor", "n", "first", "last", "span dB", "last change dB", "findings", "no check")


def history_text(history: SensorHistory) -> str:
    """One line a sensor, then the findings, the common shifts beyond what passes without action, and the notes."""
    findings = [finding.sentence for series in history.series for finding in series.findings]
    shifts = [shift.sentence for shift in history.shifts if shift.large]
    parts = [
        f"Sensitivity of {counted(len(history.series), 'sensor')} over {counted(len(history.sessions), 'session')}; "
        "spans and changes without what all sensors have in common",
        tabulate([HEADINGS, *map(_cells, history.series)], tablefmt="plain", disable_numparse=True),
        *_section("Findings", findings, "No findings"),
        *_section("Common shifts", shifts, "No common shift that needs attention"),
        *(_section("Notes", history.notes, "") if history.notes else ()),
    ]
    return "\n".join(parts)


def _section(title: str, lines: Sequence[str], none: str) -> list[str]:
    return ["", title, *(f"  {line}" for line in lines)] if lines else ["", none]


def _cells(series: SensorSeries) -> tuple[str, ...]:
    checked = series.checked
    values = [point.shift_removed_db for point in checked if point.shift_removed_db is not None]
    without = [point.check.session.label for point in series.points if point.value_db is None]
    return (
        series.sensor,
        str(len(checked)),
        checked[0].check.session.day if checked else NO_VALUE,
        checked[-1].check.session.day if checked else NO_VALUE,
        number(max(values) - min(values), 2) if len(values) > 1 else NO_VALUE,
        number(values[-1] - values[-2], 2, signed=True) if len(values) > 1 else NO_VALUE,
        ", ".join(dict.fromkeys(finding.kind for finding in series.findings)) or "none",
        listed(without, 3) or NO_VALUE,
    )


def write_csv(history: SensorHistory, path: Path) -> None:
    """One row a sensor and session, levels in dB against the reference named in its column; empty where unknown."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for series in history.series:
        writer.writerows(_csv_rows(series))
    with replacing(path) as temporary:
        temporary.write_bytes(stream.getvalue().encode("utf-8"))


def _csv_rows(series: SensorSeries) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for point in series.points:
        check = point.check
        kinds = [finding.kind for finding in series.findings if check.session in finding.sessions]
        rows.append(
            (
                series.sensor,
                check.session.campaign,
                check.session.session,
                check.session.date or "",
                check.position,
                check.source,
                series.against,
                _decimal(point.before_db),
                _decimal(point.after_db),
                _decimal(point.value_db),
                _decimal(check.standard_uncertainty_db),
                _decimal(point.common_shift_db),
                _decimal(point.accumulated_shift_db),
                _decimal(point.shift_removed_db),
                _decimal(point.moving_range_db),
                check.verdict,
                " | ".join(dict.fromkeys(kinds)),
            )
        )
    return rows


def _decimal(value: float | None) -> str:
    return "" if value is None else number(value, CSV_DECIMALS)
