"""What the terminal says after a run: no path that leads nowhere, counts that agree with their nouns."""

from __future__ import annotations

from pathlib import Path

from tapeline.report.finished_tables import SMALL_TABLES
from tapeline.report.summary import left_out, not_made


def test_a_table_that_the_summary_needs_is_missed_by_name(own_results: Path) -> None:
    assert not_made(own_results) is None
    for name in SMALL_TABLES:
        path = own_results / "tables" / f"{name}.parquet"
        aside = path.rename(own_results / "aside")
        assert not_made(own_results) == path
        aside.rename(path)
    assert left_out(own_results / "nowhere") == []
