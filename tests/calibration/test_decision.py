"""The policy's choice and why, what is missing, drift and deviation of one and of all."""

from __future__ import annotations

import math

import pytest

from tapeline.calibration.decision import InCommon, Limits, decide
from tapeline.calibration.evidence import Check, Evidence, summary_of
from tapeline.statistics.combined_uncertainty import Term

LIMITS = Limits(1.0, 0.5, 0.2, 0.5, 0.2, 0.2, 0.5)


def evidence(before: float | None, after: float | None, chart: float | None = 0.01) -> Evidence:
    """Checks of 0.1 dB calibrator uncertainty and no scatter."""
    pairs = (("before", before), ("after", after))
    terms = (Term("calibrator", 0.1, "certificate"),)
    checks = tuple(Check(stage, value, terms, {}) for stage, value in pairs if value is not None)  # type: ignore[arg-type]
    return Evidence(checks, chart, Term("chart", 0.2, "certificate"), {})


def off(decibels: float) -> float:
    """0.01 V/Pa and some decibels."""
    return 0.01 * 10 ** (decibels / 20)


@pytest.mark.parametrize(
    ("policy", "source", "decibels"),
    [("mean", "mean", 0.1), ("before", "before", 0.3), ("after", "after", -0.1), ("chart", "chart", 0.0)],
)
def test_the_policy_decides(policy: str, source: str, decibels: float) -> None:
    given = evidence(off(0.3), off(-0.1))
    found = decide(given, policy, LIMITS)  # type: ignore[arg-type]
    assert found.source == source
    assert found.sensitivity_v_per_pa == pytest.approx(off(decibels))
    assert found.why.endswith(", as the policy asks")
    assert (summary_of(given).drift_db, summary_of(given).deviation_db) == pytest.approx((-0.4, 0.1))
    assert list(found.doubts) == ["small-drift"], "0.2 dB pass without a word"


@pytest.mark.parametrize(
    ("before", "after", "chart", "source", "reasons"),
    [
        (off(0.1), None, 0.01, "before", ["no-check-after"]),
        (None, off(0.1), 0.01, "after", ["no-check-before"]),
        (None, None, 0.01, "chart", ["no-check"]),
        (None, None, None, "none", ["no-sensitivity", "no-chart"]),
        (off(0.1), off(0.1), None, "mean", ["no-chart"]),
        (off(0.4), off(-0.4), 0.01, "mean", ["drift"]),
        (off(1.3), off(1.3), 0.01, "mean", ["deviation"]),
    ],
)
def test_what_is_missing_or_off_is_said(
    before: float | None, after: float | None, chart: float | None, source: str, reasons: list[str]
) -> None:
    found = decide(evidence(before, after, chart), "mean", LIMITS)
    assert found.source == source
    assert list(found.doubts) == reasons


def test_a_policy_without_its_evidence_falls_back_and_says_so() -> None:
    found = decide(evidence(None, off(0.2)), "before", LIMITS)
    assert found.source == "after"
    assert list(found.doubts) == ["no-check-before", "chosen-source-missing"]
    assert found.why == "check after the runs: the policy asks for before, which is not there"
    bare = decide(evidence(off(0.0), None, None), "chart", LIMITS)
    assert list(bare.doubts) == ["chosen-source-missing", "no-chart"]


def test_what_was_refused_is_part_of_the_why() -> None:
    given = Evidence((), 0.01, Term("chart", 0.2, "default"), {"before": ("noisy-tone",), "after": ()})
    why = decide(given, "mean", LIMITS).why
    assert why.endswith("; refused before: noisy-tone")


def test_a_data_sheet_gives_no_sensitivity_and_that_is_said() -> None:
    found = decide(evidence(off(0.1), off(0.1)), "data_sheet", LIMITS)
    assert found.source == "mean"
    assert list(found.doubts) == ["chosen-source-missing"]


@pytest.mark.parametrize(
    ("drift", "of_all", "reasons"),
    [
        (0.6, 0.0, ["drift"]),
        (0.6, 0.55, ["common-shift"]),
        (0.6, 0.15, ["drift"]),
        (0.4, -0.3, ["drift", "common-shift"]),
        (0.1, 0.3, ["common-shift"]),
        (0.3, 0.19, ["small-drift"]),
        (0.19, 0.0, []),
        (-0.3, None, ["small-drift"]),
        (-0.6, None, ["drift"]),
    ],
)
def test_drift_of_one_is_told_apart_from_drift_of_all(drift: float, of_all: float | None, reasons: list[str]) -> None:
    """Limits 0.5 dB for one and 0.2 dB for all; a common part below its limit excuses nobody."""
    found = decide(evidence(off(-drift / 2), off(drift / 2)), "mean", LIMITS, InCommon(drift_db=of_all))
    assert list(found.doubts) == reasons


@pytest.mark.parametrize(
    ("deviation", "of_all", "reasons"),
    [(1.2, 0.0, ["deviation"]), (1.2, 1.1, ["common-deviation"]), (0.2, -0.9, ["deviation", "common-deviation"])],
)
def test_deviation_of_one_is_told_apart_from_that_of_all(deviation: float, of_all: float, reasons: list[str]) -> None:
    found = decide(evidence(off(deviation), off(deviation)), "mean", LIMITS, InCommon(deviation_db=of_all))
    assert list(found.doubts) == reasons


def test_drift_enters_the_uncertainty_as_a_rectangle() -> None:
    """|d| / (2 sqrt 3) with the mean of both checks: 0.5 dB give 0.14 dB (GUM, rectangular distribution)."""
    found = decide(evidence(off(0.25), off(-0.25)), "mean", LIMITS)
    assert found.standard_uncertainty_db == pytest.approx(math.hypot(0.1, 0.5 / (2 * math.sqrt(3.0))))
    single = decide(evidence(off(0.25), None), "mean", LIMITS)
    assert single.standard_uncertainty_db == pytest.approx(math.hypot(0.1, 0.5 / math.sqrt(3.0)))


def test_a_chart_in_place_of_checks_is_less_certain_than_one_asked_for() -> None:
    """The deviation that nobody saw: a rectangle of the deviation limit of 1 dB."""
    assert decide(evidence(None, None), "chart", LIMITS).standard_uncertainty_db == pytest.approx(0.2)
    fallen_back = decide(evidence(None, None), "mean", LIMITS)
    assert fallen_back.standard_uncertainty_db == pytest.approx(math.hypot(0.2, 1.0 / math.sqrt(3.0)))
    assert [(term.name, term.evidence) for term in fallen_back.terms] == [
        ("chart", "certificate"),
        ("no check in place", "default"),
    ]


@pytest.mark.parametrize(
    ("apart_db", "calibrators", "named"),
    [(0.19, "aa", False), (0.21, "aa", True), (0.27, "ab", False), (0.29, "ab", True)],
)
def test_checks_of_one_stage_are_compared(apart_db: float, calibrators: str, named: bool) -> None:
    """0.2 dB for one calibrator; two of 0.1 dB each may differ by 2 sqrt(2) 0.1 = 0.28 dB."""
    terms = (Term("calibrator", 0.1, "certificate"),)
    checks = tuple(
        Check("before", value, terms, {}, run, calibrator)
        for value, run, calibrator in zip((0.01, off(apart_db)), ("r1", "r2"), calibrators, strict=True)
    )
    found = decide(Evidence(checks, 0.01, Term("chart", 0.2, "default"), {}), "before", LIMITS)
    assert ("checks-differ" in found.doubts) == named
    spread = next(term for term in found.terms if term.name == "spread of checks")
    assert spread.contribution == pytest.approx(apart_db / (2.0 * math.sqrt(3.0)))
