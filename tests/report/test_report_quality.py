"""The section on the quality of the recordings: a matrix where not all is good, else one sentence."""

from __future__ import annotations

import dataclasses
from typing import Any

from built_report import Report

from tapeline.report.blocks import Prose, Section, TableBlock
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.page_table import Link, Marked, PlainTable, plain
from tapeline.report.sections.quality import MOST_POSITIONS, MOST_RUNS, SIGNS, quality_sections


def kinds(report: Report) -> str:
    """How many measurements and background runs were judged."""
    every = {row["run"] for row in report.tables.quality}
    found = [row["kind"] for row in report.tables.runs if row["run"] in every]
    return f"{found.count('measurement')} measurements, {found.count('background')} background runs"


def section_of(report: Report, tables: FinishedTables) -> Section:
    (found,) = quality_sections(tables, report.campaign)
    return found


def summary(section: Section) -> str:
    first = section.blocks[0]
    assert isinstance(first, Prose)
    return plain(first.words)


def matrix(section: Section) -> PlainTable:
    (found,) = [block.table for block in section.blocks if isinstance(block, TableBlock)]
    return found


def test_the_matrix_shows_each_channel_that_is_not_good_and_leads_to_its_run(report: Report) -> None:
    table = matrix(section_of(report, report.tables))
    by_place = {(row["run"], row["position"]): row for row in report.tables.quality}
    bad = [row for row in report.tables.quality if row["verdict"] != "good"]
    assert {plain(row[0]) for row in table.rows} == {row["run"] for row in bad}
    seen = 0
    for cells in table.rows:
        run = plain(cells[0])
        assert cells[0] == Link(run, f"runs/{run}.html")
        for position, cell in zip(table.head, cells, strict=True):
            row = by_place.get((run, position))
            if row is not None and row["verdict"] != "good":
                assert isinstance(cell, Marked)
                assert (cell.words, cell.role) == (SIGNS[row["verdict"]], row["verdict"])
                assert cell.hint.startswith(f"{row['verdict']}: ")
                assert cell.href == f"runs/{run}.html"
                seen += 1
        assert cells[-1] == str(sum(row["run"] == run for row in bad))
    assert seen == len(bad)
    assert len(set(SIGNS.values())) == 3, "told apart without colours"


def test_the_sentence_counts_each_verdict(report: Report) -> None:
    counts = {verdict: sum(row["verdict"] == verdict for row in report.tables.quality) for verdict in SIGNS}
    assert min(counts.values()) > 1
    assert summary(section_of(report, report.tables)).startswith(
        f"{counts['good']} of {sum(counts.values())} channels in 32 recordings ({kinds(report)}) are good; "
        f"{counts['unusable']} are unusable and left out, {counts['doubtful']} are doubtful and marked so."
    )


def with_quality(report: Report, rows: list[dict[str, Any]]) -> FinishedTables:
    return dataclasses.replace(report.tables, quality=tuple(rows))


def test_where_all_is_good_there_is_one_sentence(report: Report) -> None:
    rows = [{**row, "verdict": "good", "reasons": [], "sentences": []} for row in report.tables.quality]
    section = section_of(report, with_quality(report, rows))
    assert summary(section) == f"All {len(rows)} channels in 32 recordings ({kinds(report)}) are good."
    assert len(section.blocks) == 1
    assert summary(section_of(report, with_quality(report, []))) == "No recording was looked at."


def test_what_a_large_matrix_leaves_out_is_said(report: Report) -> None:
    first = {**report.tables.quality[0], "verdict": "unusable", "reasons": ["dead"], "sentences": ["it is dead"]}
    runs = [f"r{place:03d}" for place in range(MOST_RUNS + 5)]
    positions = [f"P{place:03d}" for place in range(MOST_POSITIONS + 3)]
    rows = [{**first, "run": run, "position": position} for run in runs for position in positions]
    table = matrix(section_of(report, with_quality(report, rows)))
    assert len(table.rows) == MOST_RUNS
    assert table.note.endswith("Not shown: 5 more runs and 3 more positions; see tables/quality.parquet.")


def test_a_name_of_a_place_cannot_become_markup(report: Report) -> None:
    """Reasons hold whatever a person wrote; the hint of a cell is an attribute of the page."""
    assert "<script>alert(1)" not in report.text
    cells = [link for link in report.tree.iter("a") if link.get("class") in ("unusable", "doubtful")]
    assert any("<script>alert(1)</script>" in (cell.get("title") or "") for cell in cells)
