"""Which terms make the uncertainty of a sensitivity, and how several checks are put together."""

from __future__ import annotations

import math

import pytest

from tapeline.calibration.decision import Limits, decide
from tapeline.calibration.evidence import Check, Evidence, level_mean, summary_of
from tapeline.statistics.combined_uncertainty import Term

LIMITS = Limits(1.0, 0.5, 0.2, 0.5, 0.2, 0.2, 0.5)
CHART = Term("chart", 0.2, "default")


def check(stage: str, decibels: float = 0.0, scatter: float = 0.0, calibrator: float = 0.1, *reasons: str) -> Check:
    """A check some decibels above 10 mV/Pa, its fit with four degrees of freedom."""
    terms = (Term("calibrator", calibrator, "certificate"), Term("sine fit", scatter, "measured", 4.0))
    doubts = {code: f"position p: {code}" for code in reasons}
    return Check(stage, 0.01 * 10 ** (decibels / 20), terms, doubts)  # type: ignore[arg-type]


def given(*checks: Check) -> Evidence:
    return Evidence(checks, 0.01, CHART, {})


def test_the_calibrator_is_shared_and_does_not_average_out() -> None:
    checks = (check(stage) for stage in ("before", "before", "after", "after"))
    assert decide(given(*checks), "mean", LIMITS).standard_uncertainty_db == pytest.approx(0.1)


def test_the_less_certain_calibrator_counts() -> None:
    found = decide(given(check("before", calibrator=0.1), check("after", calibrator=0.25)), "mean", LIMITS)
    assert found.standard_uncertainty_db == pytest.approx(0.25)


def test_scatter_averages_out_over_the_checks_used() -> None:
    """GUM, 5.1.3: the mean of the two stages' means weighs two checks before with 1/4 each, one after with 1/2."""
    checks = (check("before", scatter=0.06), check("before", scatter=0.06), check("after", scatter=0.08))
    found = decide(given(*checks), "mean", LIMITS)
    fit = math.sqrt((0.06 / 4) ** 2 * 2 + (0.08 / 2) ** 2)
    assert found.standard_uncertainty_db == pytest.approx(math.hypot(0.1, fit))
    before = decide(given(*checks[:2]), "before", LIMITS)
    unseen = LIMITS.drift_limit_db / math.sqrt(3)
    assert before.standard_uncertainty_db == pytest.approx(math.hypot(0.1, 0.06 / math.sqrt(2), unseen))


def test_every_term_is_named_with_its_evidence() -> None:
    found = decide(given(check("before", 0.1, 0.02), check("after", -0.1, 0.02)), "mean", LIMITS)
    assert [(term.name, term.evidence) for term in found.terms] == [
        ("calibrator", "certificate"),
        ("sine fit", "measured"),
        ("drift", "measured"),
    ]
    whole = math.sqrt(sum(term.contribution**2 for term in found.terms))
    assert found.standard_uncertainty_db == pytest.approx(whole)
    single = decide(given(check("before", 0.1, 0.02)), "mean", LIMITS)
    assert (single.terms[-1].name, single.terms[-1].evidence) == ("drift", "default")


def test_degrees_of_freedom_follow_welch_and_satterthwaite() -> None:
    """GUM, G.4.1: with a scatter of 0.1 dB (4 degrees) beside 0.1 dB that is certain, (2 u^2)^2 / (u^4 / 4) = 16."""
    found = decide(
        given(check("before", 0.0, 0.1), check("after", 0.0, 0.1, 0.0)), "before", Limits(1, 1e-9, 1, 1, 1, 1, 1)
    )
    assert found.degrees_of_freedom == pytest.approx(16.0)


def test_one_sided_use_carries_the_whole_drift() -> None:
    """A rectangle from nothing to the drift seen, about its end: |d| / sqrt(3) (GUM, 4.3.7)."""
    found = decide(given(check("before", 0.0), check("after", 0.3)), "before", LIMITS)
    assert found.standard_uncertainty_db == pytest.approx(math.hypot(0.1, 0.3 / math.sqrt(3)))


def test_levels_are_averaged_not_volts() -> None:
    """14 CFR 36, A36.3.9 (from memory): the arithmetic mean of the two levels; 0.9 and 1.1 give 0.99499."""
    assert level_mean([0.9, 1.1]) == pytest.approx(math.sqrt(0.99))
    assert level_mean([]) is None
    evidence = given(check("before", 0.0), check("before", 0.2), check("after", 0.5))
    found = decide(evidence, "mean", LIMITS)
    assert 20 * math.log10(found.sensitivity_v_per_pa / 0.01) == pytest.approx(0.3)  # type: ignore[operator]
    assert summary_of(evidence).drift_db == pytest.approx(0.4)


@pytest.mark.parametrize(("sign", "size", "doubted"), [(1, 1.01, True), (-1, 1.01, True), (1, 0.99, False)])
def test_deviation_counts_in_both_directions(sign: int, size: float, doubted: bool) -> None:
    found = decide(given(check("before", sign * size), check("after", sign * size)), "mean", LIMITS)
    assert ("deviation" in found.doubts) == doubted


@pytest.mark.parametrize(("drift", "doubted"), [(0.51, True), (-0.51, True), (0.49, False), (-0.49, False)])
def test_drift_of_half_a_decibel_either_way(drift: float, doubted: bool) -> None:
    """0.5 dB between the checks: ISO 3744:2010 clause 5, ISO 1996-2, 14 CFR 36 A36.3.9 (from memory)."""
    evidence = given(check("before", 0.0), check("after", drift))
    assert ("drift" in decide(evidence, "mean", LIMITS).doubts) == doubted
    assert summary_of(evidence).drift_db == pytest.approx(drift)


def test_what_a_check_itself_is_doubted_for_is_kept_once() -> None:
    checks = (check(stage, 0.0, 0.0, 0.1, "static-pressure-missing") for stage in ("before", "after"))
    assert list(decide(given(*checks), "mean", LIMITS).doubts) == ["static-pressure-missing"]
