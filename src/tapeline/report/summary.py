"""What a person sees in the terminal after a run: findings, what was left out, where the results are."""

from __future__ import annotations

import os
from pathlib import Path

from tapeline.campaign.model import Campaign
from tapeline.quality.reasons import FILE_FAULTS
from tapeline.report.attention import attention_lines
from tapeline.report.findings import main_findings, terminal_table
from tapeline.report.finished_tables import SMALL_TABLES, read_finished
from tapeline.store import parquet
from tapeline.store.tables import QUALITY

MOST_LINES = 8


def summary_text(campaign: Campaign) -> str:
    """The main findings as a short table, what needs attention, and the paths of report and tables."""
    tables = read_finished(campaign.results)
    lines = [line for line in attention_lines(tables, campaign) if line.severity != "note"]
    shown = [f"  {line.severity}: {line.where}: {line.found}" for line in lines[:MOST_LINES]]
    more = [f"  and {len(lines) - MOST_LINES} more in the report"] if len(lines) > MOST_LINES else []
    return "\n".join(
        [
            f"Main findings of {campaign.settings.title}",
            terminal_table(main_findings(campaign.results, campaign)),
            "",
            "Needs attention" if lines else "Nothing needs attention",
            *shown,
            *more,
            "",
            _report_line(campaign.results / "report.html"),
            f"tables  {_readable(campaign.results / 'tables')}",
        ]
    )


def not_made(results: Path) -> Path | None:
    """The first table that the summary needs and that is not there; None where all are."""
    paths = (results / "tables" / f"{name}.parquet" for name in SMALL_TABLES)
    return next((path for path in paths if not path.is_file()), None)


def left_out(results: Path) -> list[str]:
    """Runs that a fault of their recording kept out of the results; none before the table of quality is made."""
    path = results / "tables" / "quality.parquet"
    rows = parquet.read_rows(QUALITY, path, ["run", "reasons"]) if path.is_file() else []
    return sorted({row["run"] for row in rows if FILE_FAULTS.intersection(row["reasons"])})


def _report_line(page: Path) -> str:
    return f"report  {_readable(page)}" if page.is_file() else "report  not made yet: `tapeline run` makes it"


def _readable(path: Path) -> str:
    """Relative to where the person stands, where that is shorter."""
    relative, absolute = os.path.relpath(path), str(path.resolve())
    return min(relative, absolute, key=len)
