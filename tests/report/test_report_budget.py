"""The figure of what an uncertainty is made of, and the lines on runs whose background was refused."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from built_report import Report

from tapeline.quality.use_of_levels import BACKGROUND_DOUBTS
from tapeline.report.attention_background import without_background
from tapeline.report.attention_range import SAID, range_lines
from tapeline.report.figure_panels import Heading
from tapeline.report.figure_style import report_style
from tapeline.report.figures_budget import MOST_TERMS, budget_figure, joined_terms, largest_terms
from tapeline.report.finished_tables import FinishedTables
from tapeline.store.tables import BANDS

HEADING = Heading("What the uncertainty is made of", "campaign van-built · P01")


def budget(band_hz: float, **terms_db: float) -> dict[str, Any]:
    names = [name.replace("_", " ").replace("calibration ", "calibration: ") for name in terms_db]
    values = list(terms_db.values())
    return {
        "band_hz": band_hz,
        "terms": names,
        "terms_db": values,
        "standard_uncertainty_db": float(np.sqrt(np.sum(np.square(values)))),
    }


ROWS = [
    budget(500.0, random_error=0.4, calibration_calibrator=0.3, calibration_drift=0.4, response=0.0),
    budget(250.0, random_error=0.6, calibration_calibrator=0.3, calibration_drift=0.4, response=0.0),
]


def test_terms_of_the_calibration_are_put_together() -> None:
    assert joined_terms(ROWS[0]) == pytest.approx({"random error": 0.4, "calibration": 0.5, "response": 0.0})


def test_the_largest_terms_are_drawn_and_never_one_that_is_nothing() -> None:
    assert largest_terms({"level": ROWS}) == ["random error", "calibration"]
    many = [budget(250.0, **{f"term{i}": 0.1 * (i + 1) for i in range(9)})]
    assert largest_terms({"": many}) == [f"term{i}" for i in range(8, 8 - MOST_TERMS, -1)]


def test_both_budgets_share_their_axes_and_show_the_whole() -> None:
    with report_style():
        figure = budget_figure({"level, n = 2 runs": ROWS, "difference, n = 4 runs": ROWS[:1]}, HEADING)
    left, right = figure.axes
    assert left.get_ylim() == right.get_ylim()
    assert left.get_yscale() == "log"
    assert [axes.get_title(loc="left") or axes.get_title() for axes in figure.axes] == [
        "level, n = 2 runs",
        "difference, n = 4 runs",
    ]
    (whole,) = [line for line in left.lines if line.get_gid() == "total"]
    assert list(whole.get_xdata()) == [250.0, 500.0]
    assert list(whole.get_ydata()) == pytest.approx([np.sqrt(0.61), np.sqrt(0.41)])
    assert [text.get_text() for text in figure.legends[0].get_texts()] == ["all terms", "random error", "calibration"]
    assert len({line.get_marker() for line in left.lines}) == 3, "told apart without colours"


def refused_tables(**reasons: list[str]) -> FinishedTables:
    runs = {
        name: {"run": name, "background_kind": None, "speed_mps": 30.0, "background_refused": found}
        for name, found in reasons.items()
    }
    return cast(FinishedTables, SimpleNamespace(run_by_name=runs))


def states(*found: tuple[str, str]) -> list[dict[str, Any]]:
    return [{"session": "april", "run": run, "state": state, "bands": 5} for run, state in found]


def test_runs_without_a_background_are_told_apart_by_the_reason() -> None:
    tables = refused_tables(r1=[], r2=[], r3=["b1: another gain, 20 dB instead of 10 dB"], r4=["b1: another yaw"])
    rows = states(("r1", "none"), ("r2", "none"), ("r3", "none"), ("r4", "none"), ("r4", "clear"))
    lines = without_background(tables, rows)
    assert [line.where for line in lines] == ["session april, 2 runs: r1, r2", "session april, 1 run: r3"]
    assert lines[0].found.startswith("no background run")
    assert "b1: another gain, 20 dB instead of 10 dB" in lines[1].found
    assert {line.severity for line in lines} == {"doubtful"}
    chosen = {**tables.run_by_name["r1"], "background_kind": "electrical"}
    still = cast(FinishedTables, SimpleNamespace(run_by_name={"r1": chosen}))
    (line,) = without_background(still, states(("r1", "clear")))
    assert "only the wind-off level is subtracted" in line.found
    given_up = cast(FinishedTables, SimpleNamespace(run_by_name={"r1": chosen | {"background_kind": "flow"}}))
    assert without_background(given_up, states(("r1", "none"))) == [], "said with the marks"


def test_every_mark_of_the_table_has_its_words(report: Report) -> None:
    """But for a chart's end, which the band itself says, and wind-off runs alone, which are said with the runs."""
    (described,) = [column.description for column in BANDS.columns if column.name == "marks"]
    named = set(re.findall(r"\b(?:[a-z]+-)+[a-z]+\b|\bextrapolated\b", described)) - {"wind-off"}
    assert {"background-unsteady", "at-electrical-floor", "chart-ends"} < named
    assert named - set(SAID) == {"response-unknown", "background-electrical"}
    assert set(SAID) >= BACKGROUND_DOUBTS
    assert all(line.found and line.action for line in range_lines(report.tables, report.campaign))
