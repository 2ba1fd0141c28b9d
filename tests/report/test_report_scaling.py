"""The section on speed: what is said of exponents that are weak, that no line fits, and that could not be had."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

from built_report import Report
from built_results import Size, position_rows

from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable
from tapeline.report.tables_of_scaling import MOST_ROWS, _speeds, collapse_table, exponent_table


def with_rows(tables: FinishedTables, **rows: Sequence[Row]) -> FinishedTables:
    """The tables with other rows of what is read on demand."""
    changed = dataclasses.replace(tables)
    changed.__dict__.update(rows)
    return changed


def test_an_exponent_of_a_doubtful_channel_has_a_question_mark(report: Report) -> None:
    every = [row for row in report.tables.overall_scaling if row["exponent"] is not None]
    row = next(row for row in every if row["weighting"] == "Z")
    for doubt, words in (([], f"{row['exponent']:.1f}"), (["hum"], f"{row['exponent']:.1f}?")):
        overall = [{**level, "doubt": doubt} for level in report.tables.overall]
        tables = with_rows(report.tables, overall_scaling=[row], overall=overall)
        table = exponent_table(tables, report.campaign)
        assert table.rows[0][table.head.index("n")] == words


def cells(table: PlainTable, position: str, column: str) -> set[str]:
    at = table.head.index(column)
    return {row[at] for row in table.rows if row[0] == position}


def test_exponents_carry_their_interval_and_what_it_rests_on(report: Report) -> None:
    table = exponent_table(report.tables, report.campaign)
    assert cells(table, "P01", "n") == {"6.0"}
    assert cells(table, "P01", "95 % interval") == {"5.4 to 6.6"}
    assert cells(table, "P01", "interval from") == {"scatter"}
    assert {row[0] for row in table.rows} == {row["position"] for row in position_rows(Size())}
    assert "weighting Z" in table.note, "the first overall level of the settings alone"


def test_two_speeds_are_called_weak_and_cannot_tell_whether_a_line_fits(report: Report) -> None:
    table = exponent_table(report.tables, report.campaign)
    assert cells(table, "P01", "speeds") == {"2, weak: 100 to 140 km/h"}
    assert cells(table, "P01", "does a line fit") == {"cannot tell"}
    assert "Weak: with two speeds" in table.note


def test_a_line_that_does_not_fit_is_said(report: Report) -> None:
    table = exponent_table(report.tables, report.campaign)
    assert cells(table, "P03", "does a line fit") == {"no (p below 0.01)"}
    assert cells(table, "P03", "interval from") == {"lack of fit"}


def test_what_has_no_exponent_says_why(report: Report) -> None:
    table = exponent_table(report.tables, report.campaign)
    assert cells(table, "P02", "n") == {"–"}
    assert cells(table, "P02", "left out") == {"3 bounds, 1 tonal"}


def test_collapses_name_their_word_and_the_peak_where_it_goes_with_strouhal(report: Report) -> None:
    table = collapse_table(report.tables, report.campaign)
    assert cells(table, "P01", "goes with") == {"strouhal"}
    assert cells(table, "P01", "peak") == {"f/U 45/m"}, "no length"
    assert cells(table, "P04", "peak") == {"St 0.36"}
    assert cells(table, "P04", "length") == {"8 mm (scaling.length_m)"}
    assert cells(table, "P02", "goes with") == {"frequency"}
    assert cells(table, "P02", "peak") == {"–"}, "it does not move"
    assert cells(table, "P09", "left out") == {"only 3 bands have levels at two speeds"}


def test_conditions_at_one_speed_are_named_below_the_table_and_fill_no_rows(report: Report) -> None:
    at_one = [
        row | {"condition": "front", "left_out": ["measured at one speed"]} for row in report.tables.overall_scaling
    ]
    tables = with_rows(report.tables, overall_scaling=[*report.tables.overall_scaling, *at_one], collapse=at_one)
    table = exponent_table(tables, report.campaign)
    assert table.rows == exponent_table(report.tables, report.campaign).rows
    assert "At one speed, or at speeds less than 5 % apart: Front half taped." in table.note
    assert collapse_table(tables, report.campaign).rows == ()


def test_one_speed_is_no_range_of_speeds(report: Report) -> None:
    row = {"speeds": 1, "lowest_speed_mps": 130.0 / 3.6, "highest_speed_mps": 130.2 / 3.6}
    assert _speeds(report.campaign, row) == "1: 130 km/h"


def test_too_many_rows_are_cut_and_counted(report: Report) -> None:
    many = [row | {"position": f"Q{k}{row['position']}"} for k in range(5) for row in report.tables.overall_scaling]
    asked = sum(row["weighting"] == "Z" for row in many)
    table = exponent_table(with_rows(report.tables, overall_scaling=many), report.campaign)
    assert len(table.rows) == MOST_ROWS < asked
    assert f"{MOST_ROWS} of {asked}, exponents of overall levels, the loudest" in table.note
