"""The figure of what an uncertainty is made of, and the lines on runs whose background was refused."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from built_report import Report
from drawn_figures import words

from tapeline.quality.use_of_levels import BACKGROUND_DOUBTS
from tapeline.report.attention_background import without_background
from tapeline.report.attention_range import SAID, range_lines
from tapeline.report.blocks import Fold, TableBlock, figures
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.sections.budget import (
    LOOKS,
    MOST_TERMS,
    budget_blocks,
    budget_figure,
    joined_terms,
    largest_terms,
)
from tapeline.statistics.uncertainty_terms import COMPARISON_TERMS, LEVEL_TERMS
from tapeline.store.tables import BANDS


def budget(band_hz: float, **terms_db: float) -> dict[str, Any]:
    names = [name.replace("_", " ").replace("calibration ", "calibration: ") for name in terms_db]
    values = list(terms_db.values())
    return {
        "band_hz": band_hz,
        "lower_hz": 0.9 * band_hz,
        "upper_hz": 1.1 * band_hz,
        "position": "P01",
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
    figure = budget_figure({"level": ROWS, "difference": ROWS[:1]}, "P01")
    assert figure is not None
    columns = figure.data.columns
    assert list(columns["of"]) == ["level", "level", "difference"]
    assert list(columns["standard_uncertainty_db"]) == [row["standard_uncertainty_db"] for row in (*ROWS, ROWS[0])]
    assert columns["calibration, dB"] == pytest.approx([0.5, 0.5, 0.5])
    first, second, other = figure.readings
    assert first.words.startswith("level, 250 Hz: 0.78 dB; random error 0.60 dB, calibration 0.50 dB")
    assert second.y == other.y, "one range, so that the panels can be held against each other"
    assert figure.alt == (
        "Standard uncertainties at P01. Level: 0.78 dB at most, at 250 Hz, where random error is largest with 0.60 dB. "
        "Difference: 0.64 dB at most, at 500 Hz, where calibration is largest with 0.50 dB."
    )
    drawn = words(figure)
    assert drawn[-3:] == ["all terms", "random error", "calibration"]
    assert budget_figure({}, "P01") is None


def test_every_large_term_has_a_look_of_its_own() -> None:
    names = {term.name for term in (*LEVEL_TERMS, *COMPARISON_TERMS)} | {"random error", "background", "calibration"}
    assert set(LOOKS) <= names
    assert names - set(LOOKS) == {"environment", "steadiness"}, "small terms share one look"
    assert len({(look.role, look.shape, look.dashes) for look in LOOKS.values()}) == len(LOOKS)
    assert len({(look.shape, look.dashes) for look in LOOKS.values()}) == len(LOOKS), "told apart without colours"


def test_the_page_shows_the_budget_of_the_headline(report: Report) -> None:
    (fold,) = budget_blocks(report.tables, report.campaign)
    assert isinstance(fold, Fold)
    (figure,) = figures([fold])
    table = next(block.table for block in fold.blocks if isinstance(block, TableBlock))
    assert table.caption.startswith("Overall level A, 100 Hz to 5 kHz at P01, 140 km/h, yaw 0°, session april")
    assert table.rows[0] == ("calibration", "0.20", "certificate")
    assert table.rows[-1] == ("all terms", "0.25", "–")
    assert set(figure.data.columns["position"]) == {"P01"}


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
    assert "Only the wind-off level is subtracted" in line.found
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
