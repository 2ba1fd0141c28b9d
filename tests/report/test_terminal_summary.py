"""What the terminal says after a run: no path that leads nowhere, counts that agree with their nouns."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from built_report import Report

from tapeline.report.finished_tables import SMALL_TABLES
from tapeline.report.summary import left_out, not_made, summary_text


def summary_lines(report: Report, results: Path) -> list[str]:
    settings = report.campaign.settings.model_copy(update={"results": str(results)})
    return summary_text(replace(report.campaign, settings=settings)).splitlines()


def test_the_report_is_named_where_there_is_one(report: Report, own_results: Path) -> None:
    assert summary_lines(report, report.results)[-2].endswith("report.html")
    assert summary_lines(report, own_results)[-2] == "report  not made yet: `tapeline run` makes it"


def test_a_table_that_the_summary_needs_is_missed_by_name(own_results: Path) -> None:
    assert not_made(own_results) is None
    for name in SMALL_TABLES:
        path = own_results / "tables" / f"{name}.parquet"
        aside = path.rename(own_results / "aside")
        assert not_made(own_results) == path
        aside.rename(path)
    assert left_out(own_results / "nowhere") == []
