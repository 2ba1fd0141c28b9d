"""The policy's choice, what is missing, drift, deviation and the uncertainty's terms."""

from __future__ import annotations

import math

import pytest

from tapeline.calibration.decision import Check, Evidence, Limits, decide

LIMITS = Limits(deviation_limit_db=1.0, drift_limit_db=0.5)


def evidence(before: float | None, after: float | None, chart: float | None = 0.01) -> Evidence:
    """Checks of 0.1 dB calibrator uncertainty and no scatter."""
    pairs = (("before", before), ("after", after))
    checks = tuple(Check(stage, value, 0.0, 0.1) for stage, value in pairs if value is not None)  # type: ignore[arg-type]
    return Evidence(checks, chart, 0.2)


def off(decibels: float) -> float:
    """0.01 V/Pa and some decibels."""
    return 0.01 * 10 ** (decibels / 20)


@pytest.mark.parametrize(
    ("policy", "source", "decibels"),
    [("mean", "mean", 0.1), ("before", "before", 0.3), ("after", "after", -0.1), ("chart", "chart", 0.0)],
)
def test_the_policy_decides(policy: str, source: str, decibels: float) -> None:
    found = decide(evidence(off(0.3), off(-0.1)), policy, LIMITS)  # type: ignore[arg-type]
    assert found.source == source
    assert found.sensitivity_v_per_pa == pytest.approx(off(decibels))
    assert found.drift_db == pytest.approx(-0.4)
    assert found.deviation_db == pytest.approx(0.1)
    assert found.reasons == ()


@pytest.mark.parametrize(
    ("before", "after", "chart", "source", "reasons"),
    [
        (off(0.1), None, 0.01, "before", ("no-check-after",)),
        (None, off(0.1), 0.01, "after", ("no-check-before",)),
        (None, None, 0.01, "chart", ("no-check",)),
        (None, None, None, "none", ("no-sensitivity", "no-chart")),
        (off(0.1), off(0.1), None, "mean", ("no-chart",)),
        (off(0.4), off(-0.4), 0.01, "mean", ("drift",)),
        (off(1.3), off(1.3), 0.01, "mean", ("deviation",)),
    ],
)
def test_what_is_missing_or_off_is_said(
    before: float | None, after: float | None, chart: float | None, source: str, reasons: tuple[str, ...]
) -> None:
    found = decide(evidence(before, after, chart), "mean", LIMITS)
    assert found.source == source
    assert found.reasons == reasons


def test_a_policy_without_its_evidence_falls_back_and_says_so() -> None:
    found = decide(evidence(None, off(0.2)), "before", LIMITS)
    assert found.source == "after"
    assert found.reasons == ("no-check-before", "chosen-source-missing")
    assert decide(evidence(off(0.0), None, None), "chart", LIMITS).reasons == ("chosen-source-missing", "no-chart")


def test_a_data_sheet_gives_no_sensitivity_and_that_is_said() -> None:
    found = decide(evidence(off(0.1), off(0.1)), "data_sheet", LIMITS)
    assert found.source == "mean"
    assert found.reasons == ("chosen-source-missing",)


def test_drift_enters_the_uncertainty_as_a_rectangle() -> None:
    """|d| / (2 sqrt 3) with the mean of both checks: 0.5 dB give 0.14 dB (GUM, rectangular distribution)."""
    found = decide(evidence(off(0.25), off(-0.25)), "mean", LIMITS)
    assert found.standard_uncertainty_db == pytest.approx(math.hypot(0.1, 0.5 / (2 * math.sqrt(3.0))))
    single = decide(evidence(off(0.25), None), "mean", LIMITS)
    assert single.standard_uncertainty_db == pytest.approx(math.hypot(0.1, 0.5 / math.sqrt(3.0)))
    assert decide(evidence(None, None), "mean", LIMITS).standard_uncertainty_db == 0.2
