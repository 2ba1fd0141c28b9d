"""Which terms make the uncertainty of a sensitivity, and how several checks are put together."""

from __future__ import annotations

import math

import pytest

from tapeline.calibration.decision import Check, Evidence, Limits, decide, level_mean

LIMITS = Limits(deviation_limit_db=1.0, drift_limit_db=0.5)


def check(stage: str, decibels: float = 0.0, scatter: float = 0.0, calibrator: float = 0.1, *reasons: str) -> Check:
    """A check some decibels above 10 mV/Pa."""
    return Check(stage, 0.01 * 10 ** (decibels / 20), scatter, calibrator, reasons)  # type: ignore[arg-type]


def test_the_calibrator_is_shared_and_does_not_average_out() -> None:
    checks = tuple(check(stage) for stage in ("before", "before", "after", "after"))
    assert decide(Evidence(checks, 0.01, 0.2), "mean", LIMITS).standard_uncertainty_db == pytest.approx(0.1)


def test_the_less_certain_calibrator_counts() -> None:
    checks = (check("before", calibrator=0.1), check("after", calibrator=0.25))
    assert decide(Evidence(checks, 0.01, 0.2), "mean", LIMITS).standard_uncertainty_db == pytest.approx(0.25)


def test_scatter_averages_out_over_the_checks_used() -> None:
    """GUM, 4.2.3: the mean of n independent readings has 1/n of the root sum of squares."""
    checks = (check("before", scatter=0.06), check("before", scatter=0.06), check("after", scatter=0.08))
    found = decide(Evidence(checks, 0.01, 0.2), "mean", LIMITS)
    assert found.standard_uncertainty_db == pytest.approx(math.hypot(0.1, math.sqrt(0.06**2 * 2 + 0.08**2) / 3))
    before = decide(Evidence(checks[:2], 0.01, 0.2), "before", LIMITS)
    unseen = LIMITS.drift_limit_db / math.sqrt(3)
    assert before.standard_uncertainty_db == pytest.approx(math.hypot(0.1, 0.06 / math.sqrt(2), unseen))


def test_one_sided_use_carries_the_whole_drift() -> None:
    """A rectangle from nothing to the drift seen, about its end: |d| / sqrt(3) (GUM, 4.3.7)."""
    checks = (check("before", 0.0), check("after", 0.3))
    found = decide(Evidence(checks, 0.01, 0.2), "before", LIMITS)
    assert found.standard_uncertainty_db == pytest.approx(math.hypot(0.1, 0.3 / math.sqrt(3)))


def test_levels_are_averaged_not_volts() -> None:
    """14 CFR 36, A36.3.9 (from memory): the arithmetic mean of the two levels; 0.9 and 1.1 give 0.99499."""
    assert level_mean([0.9, 1.1]) == pytest.approx(math.sqrt(0.99))
    assert level_mean([]) is None
    checks = (check("before", 0.0), check("before", 0.2), check("after", 0.5))
    found = decide(Evidence(checks, 0.01, 0.2), "mean", LIMITS)
    assert 20 * math.log10(found.sensitivity_v_per_pa / 0.01) == pytest.approx(0.3)  # type: ignore[operator]
    assert found.drift_db == pytest.approx(0.4)


@pytest.mark.parametrize(("sign", "size", "doubted"), [(1, 1.01, True), (-1, 1.01, True), (1, 0.99, False)])
def test_deviation_counts_in_both_directions(sign: int, size: float, doubted: bool) -> None:
    checks = (check("before", sign * size), check("after", sign * size))
    assert ("deviation" in decide(Evidence(checks, 0.01, 0.2), "mean", LIMITS).reasons) == doubted


@pytest.mark.parametrize(("drift", "doubted"), [(0.51, True), (-0.51, True), (0.49, False), (-0.49, False)])
def test_drift_of_half_a_decibel_either_way(drift: float, doubted: bool) -> None:
    """0.5 dB between the checks: ISO 3744:2010 clause 5, ISO 1996-2, 14 CFR 36 A36.3.9 (from memory)."""
    checks = (check("before", 0.0), check("after", drift))
    found = decide(Evidence(checks, 0.01, 0.2), "mean", LIMITS)
    assert ("drift" in found.reasons) == doubted
    assert found.drift_db == pytest.approx(drift)


def test_what_a_check_itself_is_doubted_for_is_kept_once() -> None:
    checks = (
        check("before", 0.0, 0.0, 0.1, "static-pressure-missing"),
        check("after", 0.0, 0.0, 0.1, "static-pressure-missing"),
    )
    assert decide(Evidence(checks, 0.01, 0.2), "mean", LIMITS).reasons == ("static-pressure-missing",)
