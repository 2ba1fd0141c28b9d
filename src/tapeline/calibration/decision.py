"""Which sensitivity a channel gets in a session, from all the evidence there is, and how far to trust it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Policy = Literal["before", "after", "mean", "chart", "data_sheet"]


@dataclass(frozen=True)
class Check:
    """One valid calibrator check: its stage, sensitivity and standard uncertainty without the calibrator's own."""

    stage: Literal["before", "after"]
    sensitivity_v_per_pa: float
    scatter_db: float
    calibrator_uncertainty_db: float
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class Evidence:
    """All that is known of one channel in one session."""

    checks: tuple[Check, ...]
    chart_v_per_pa: float | None
    chart_uncertainty_db: float


@dataclass(frozen=True)
class Limits:
    """From which difference on a sensitivity is doubted."""

    deviation_limit_db: float
    drift_limit_db: float


@dataclass(frozen=True)
class Decision:
    """The sensitivity used and the figures beside it; None where the evidence does not give one."""

    sensitivity_v_per_pa: float | None
    source: str
    before_v_per_pa: float | None
    after_v_per_pa: float | None
    deviation_db: float | None
    drift_db: float | None
    standard_uncertainty_db: float | None
    reasons: tuple[str, ...]


def level_mean(values: Sequence[float]) -> float | None:
    """Mean of sensitivities as levels (the geometric mean); None of nothing."""
    return math.exp(sum(math.log(v) for v in values) / len(values)) if values else None


def choose_sensitivity(evidence: Evidence, policy: Policy) -> tuple[float | None, str]:
    """The sensitivity that the policy picks and the name of its source.

    `mean` takes the level mean of before and after (14 CFR 36, A36.3.9, from memory) and whichever there is when one is
    missing; a policy whose evidence is missing falls back to the other checks, then to the chart. `data_sheet` always
    does: no public layout of a microphone's template is known, and none is guessed.
    """
    before = level_mean([c.sensitivity_v_per_pa for c in evidence.checks if c.stage == "before"])
    after = level_mean([c.sensitivity_v_per_pa for c in evidence.checks if c.stage == "after"])
    both = level_mean([value for value in (before, after) if value is not None])
    mean_name = "mean" if before and after else "before" if before else "after"
    order: list[tuple[float | None, str]] = {
        "before": [(before, "before"), (after, "after"), (evidence.chart_v_per_pa, "chart")],
        "after": [(after, "after"), (before, "before"), (evidence.chart_v_per_pa, "chart")],
        "chart": [(evidence.chart_v_per_pa, "chart"), (both, mean_name)],
    }.get(policy, [(both, mean_name), (evidence.chart_v_per_pa, "chart")])
    return next(((value, name) for value, name in order if value is not None), (None, "none"))


def decide(evidence: Evidence, policy: Policy, limits: Limits) -> Decision:
    """Choose the sensitivity and judge it: deviation from the chart, drift, what is missing, uncertainty."""
    before = level_mean([c.sensitivity_v_per_pa for c in evidence.checks if c.stage == "before"])
    after = level_mean([c.sensitivity_v_per_pa for c in evidence.checks if c.stage == "after"])
    chosen, source = choose_sensitivity(evidence, policy)
    both = level_mean([value for value in (before, after) if value is not None])
    deviation = _ratio_db(both, evidence.chart_v_per_pa)
    drift = _ratio_db(after, before)
    reasons = [code for check in evidence.checks for code in check.reasons]
    reasons += _missing(evidence, before, after, policy, source)
    if evidence.chart_v_per_pa is None:
        reasons.append("no-chart")
    if deviation is not None and abs(deviation) > limits.deviation_limit_db:
        reasons.append("deviation")
    if drift is not None and abs(drift) > limits.drift_limit_db:
        reasons.append("drift")
    return Decision(
        sensitivity_v_per_pa=chosen,
        source=source,
        before_v_per_pa=before,
        after_v_per_pa=after,
        deviation_db=deviation,
        drift_db=drift,
        standard_uncertainty_db=_uncertainty_db(evidence, source, drift, limits) if chosen else None,
        reasons=tuple(dict.fromkeys(reasons)),
    )


def _ratio_db(value: float | None, reference: float | None) -> float | None:
    return 20.0 * math.log10(value / reference) if value and reference else None


def _missing(evidence: Evidence, before: float | None, after: float | None, policy: Policy, source: str) -> list[str]:
    if source == "none":
        return ["no-sensitivity"]
    if policy == "chart":
        return [] if source == "chart" else ["chosen-source-missing"]
    if before is None and after is None:
        return ["no-check"]
    if policy in ("before", "after"):
        return [] if source == policy else [f"no-check-{policy}", "chosen-source-missing"]
    missing = [f"no-check-{stage}" for stage, value in (("before", before), ("after", after)) if value is None]
    return [*missing, "chosen-source-missing"] if policy == "data_sheet" else missing


def _uncertainty_db(evidence: Evidence, source: str, drift: float | None, limits: Limits) -> float:
    """Standard uncertainty of the sensitivity used (GUM: terms named below, added in quadrature).

    Calibrator (fully shared by the checks), scatter of the fits, drift as a rectangle between the checks
    (|d| / (2 sqrt 3)); where one check is missing the drift limit stands in for the drift that nobody saw.
    """
    if source == "chart":
        return evidence.chart_uncertainty_db
    used = [c for c in evidence.checks if source in ("mean", c.stage)]
    calibrator = max(c.calibrator_uncertainty_db for c in used)
    scatter = math.sqrt(sum(c.scatter_db**2 for c in used)) / len(used)
    unseen = abs(drift) if drift is not None else limits.drift_limit_db
    drift_term = unseen / (2.0 * math.sqrt(3.0)) if source == "mean" else unseen / math.sqrt(3.0)
    return math.sqrt(calibrator**2 + scatter**2 + drift_term**2)
