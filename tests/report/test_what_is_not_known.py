"""What the campaign leaves open, counted anew from the tables."""

from __future__ import annotations

import dataclasses
import re

from built_report import Report

from tapeline.report.finished_tables import FinishedTables
from tapeline.report.what_is_not_known import open_questions


def one(sentences: list[str], words: str) -> str:
    (found,) = [sentence for sentence in sentences if words in sentence]
    return found


def test_a_comparison_without_runs_is_said_to_have_no_answer(report: Report) -> None:
    sentence = one(open_questions(report.tables, report.campaign), "filler")
    assert sentence.startswith("filler: no answer. Never measured and Seam open have no usable runs")


def test_bounds_are_counted(report: Report) -> None:
    sentence = one(open_questions(report.tables, report.campaign), "are upper bounds")
    used = {row["run"] for row in report.tables.runs if row["kind"] == "measurement" and row["status"] == "used"}
    states = [row for row in report.tables.band_states if row["run"] in used]
    hidden, every = (sum(row["bands"] for row in part) for part in (
        [row for row in states if row["state"] == "bound"], states))  # fmt: skip
    assert 0 < hidden < every
    assert sentence.startswith(f"{hidden:,} of {every:,} band levels")


def test_every_difference_is_counted_once_and_what_is_not_shown_is_not_called_equal(report: Report) -> None:
    sentences = open_questions(report.tables, report.campaign)
    for quantity in ("overall", "band"):
        sentence = one(sentences, f"{quantity} differences")
        rows = [row for row in report.tables.comparisons if row["quantity"] == quantity]
        total, *parts = [int(text) for text in re.findall(r"(\d+) (?:overall|band|shown|equi|not |one-)", sentence)]
        assert total == sum(parts) == len(rows)
        hidden = [row for row in rows if row["finding"] == "not shown"]
        widest = max(max(abs(row["lower_db"]), abs(row["upper_db"])) for row in hidden)
        assert f"{len(hidden)} not shown" in sentence
        assert sentence.endswith(f"Not shown does not prove equal: intervals reach to ±{widest:.1f} dB.")


def test_one_session_leaves_open_how_levels_repeat_later(report: Report) -> None:
    alone = tuple(row for row in report.tables.runs if row["session"] == "april")
    words = "how levels repeat later is not known"
    assert not [said for said in open_questions(report.tables, report.campaign) if words in said]
    one(open_questions(dataclasses.replace(report.tables, runs=alone), report.campaign), words)


def with_rows(tables: FinishedTables, **changed: object) -> FinishedTables:
    """The tables with the same cells changed in every row of the comparisons."""
    return dataclasses.replace(tables, comparisons=tuple({**row, **changed} for row in tables.comparisons))


def test_assumptions_behind_intervals_and_changes_of_session_are_named(report: Report) -> None:
    own = with_rows(report.tables, interval_basis="own repeats", pairing="same-session")
    said = open_questions(own, report.campaign)
    assert not [sentence for sentence in said if "assumption" in sentence or "different sessions" in sentence]
    assumed = with_rows(report.tables, interval_basis="assumed sessions", pairing="remounted")
    said = open_questions(assumed, report.campaign)
    assert (
        one(said, "assumption")
        == "Intervals of front-part, whole-seam rest on an assumption for the scatter of sessions."
    )
    assert "(remounted)" in one(said, "whole-seam compares different sessions")
