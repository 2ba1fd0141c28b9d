"""Which sensitivity a channel gets in a session, from all the evidence there is, why, and how far to trust it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from tapeline.acoustics.uncertainty import Term, combined, rectangular
from tapeline.calibration.all_together import Split
from tapeline.calibration.measured_tone import FIT_TERM

Policy = Literal["before", "after", "mean", "chart", "data_sheet"]

SHARED_TERMS = ("calibrator", "static pressure", "adapter", "chart between tone and reference")
"""Terms that all checks have in common, so that a mean does not make them smaller."""


SHOWN_DB = 0.05
"""A smaller common part of a difference is not worth a word."""


@dataclass(frozen=True)
class Check:
    """One check that is fit for use: its stage, sensitivity and the terms of its uncertainty."""

    stage: Literal["before", "after"]
    sensitivity_v_per_pa: float
    terms: tuple[Term, ...]
    doubts: Mapping[str, str]


@dataclass(frozen=True)
class Evidence:
    """All that is known of one channel in one session. `refused` says, stage by stage, why checks are not used."""

    checks: tuple[Check, ...]
    chart_v_per_pa: float | None
    chart_term: Term
    refused: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True)
class Limits:
    """From which difference on a sensitivity is doubted; the last two are for what all sensors have in common."""

    deviation_limit_db: float
    drift_limit_db: float
    common_deviation_limit_db: float
    common_shift_limit_db: float


@dataclass(frozen=True)
class InCommon:
    """Medians over the session's sensors in dB; None where there are too few."""

    deviation_db: float | None = None
    drift_db: float | None = None


@dataclass(frozen=True)
class Summary:
    """The evidence of one channel in one line: what is there, and how it compares."""

    before_v_per_pa: float | None
    after_v_per_pa: float | None
    checked_v_per_pa: float | None
    deviation_db: float | None
    drift_db: float | None


@dataclass(frozen=True)
class Decision:
    """The sensitivity used, why, its uncertainty term by term, and the doubts; None where there is no evidence."""

    sensitivity_v_per_pa: float | None
    source: str
    why: str
    terms: tuple[Term, ...]
    standard_uncertainty_db: float | None
    degrees_of_freedom: float | None
    doubts: Mapping[str, str]


def level_mean(values: Sequence[float]) -> float | None:
    """Mean of sensitivities as levels (the geometric mean); None of nothing."""
    return math.exp(sum(math.log(v) for v in values) / len(values)) if values else None


def summary_of(evidence: Evidence) -> Summary:
    """Level means of the checks before and after, their mean, deviation from the chart and drift, in dB."""
    before, after = (
        level_mean([c.sensitivity_v_per_pa for c in evidence.checks if c.stage == stage])
        for stage in ("before", "after")
    )
    both = level_mean([value for value in (before, after) if value is not None])
    return Summary(before, after, both, _ratio_db(both, evidence.chart_v_per_pa), _ratio_db(after, before))


def choose_sensitivity(evidence: Evidence, policy: Policy) -> tuple[float | None, str]:
    """The sensitivity that the policy picks and the name of its source.

    `mean` takes the level mean of before and after (14 CFR 36, A36.3.9, from memory) and whichever there is when one is
    missing; a policy whose evidence is missing falls back to the other checks, then to the chart. `data_sheet` always
    does: no public layout of a microphone's template is known, and none is guessed.
    """
    known = summary_of(evidence)
    before, after, both = known.before_v_per_pa, known.after_v_per_pa, known.checked_v_per_pa
    mean_name = "mean" if before and after else "before" if before else "after"
    order: list[tuple[float | None, str]] = {
        "before": [(before, "before"), (after, "after"), (evidence.chart_v_per_pa, "chart")],
        "after": [(after, "after"), (before, "before"), (evidence.chart_v_per_pa, "chart")],
        "chart": [(evidence.chart_v_per_pa, "chart"), (both, mean_name)],
    }.get(policy, [(both, mean_name), (evidence.chart_v_per_pa, "chart")])
    return next(((value, name) for value, name in order if value is not None), (None, "none"))


def decide(evidence: Evidence, policy: Policy, limits: Limits, common: InCommon = InCommon()) -> Decision:
    """Choose the sensitivity and judge it: deviation from the chart, drift, what is missing, uncertainty."""
    chosen, source = choose_sensitivity(evidence, policy)
    known = summary_of(evidence)
    doubts: dict[str, str] = {}
    for check in evidence.checks:
        doubts |= check.doubts
    doubts |= _missing(known, policy, source)
    if evidence.chart_v_per_pa is None:
        doubts["no-chart"] = "the sensor table gives no sensitivity to hold the checks against"
    doubts |= _differences(known, limits, common)
    terms = _terms(evidence, policy, source, known.drift_db, limits) if chosen else ()
    whole = combined(terms)
    return Decision(
        sensitivity_v_per_pa=chosen,
        source=source,
        why=_why(evidence, policy, source),
        terms=terms,
        standard_uncertainty_db=whole.standard_uncertainty if chosen else None,
        degrees_of_freedom=whole.degrees_of_freedom if chosen else None,
        doubts=doubts,
    )


def _ratio_db(value: float | None, reference: float | None) -> float | None:
    return 20.0 * math.log10(value / reference) if value and reference else None


def _missing(known: Summary, policy: Policy, source: str) -> dict[str, str]:
    there = {"before": known.before_v_per_pa is not None, "after": known.after_v_per_pa is not None}
    if source == "none":
        return {"no-sensitivity": "neither a usable check nor a stated sensitivity"}
    other = {"chosen-source-missing": f"{policy} was asked for, {source} is used"}
    if policy == "chart":
        return {} if source == "chart" else other
    if not any(there.values()):
        return {"no-check": "no usable check in this session: the sensor table's value is used"}
    missing = {f"no-check-{stage}": f"no usable check {stage} the runs" for stage, here in there.items() if not here}
    if policy in ("before", "after"):
        return {} if source == policy else {code: missing[code] for code in missing if code.endswith(policy)} | other
    return missing | (other if policy == "data_sheet" else {})


def _differences(known: Summary, limits: Limits, common: InCommon) -> dict[str, str]:
    doubts = {}
    if known.deviation_db is not None:
        split = Split(known.deviation_db, common.deviation_db)
        if split.is_own(limits.deviation_limit_db, limits.common_deviation_limit_db):
            doubts["deviation"] = (
                f"deviation of the checks from the chart: {split.whole_db:+.2f} dB (limit "
                f"{limits.deviation_limit_db:g} dB){_own_words(split)}"
            )
        if split.is_shared(limits.common_deviation_limit_db):
            doubts["common-deviation"] = (
                f"the sensors of the session are off their charts by {split.shared_db:+.2f} dB in the median (limit "
                f"{limits.common_deviation_limit_db:g} dB): suspect calibrator, adapter, gain or air pressure"
            )
    if known.drift_db is not None:
        split = Split(known.drift_db, common.drift_db)
        if split.is_own(limits.drift_limit_db, limits.common_shift_limit_db):
            doubts["drift"] = (
                f"drift of the sensitivity: {split.whole_db:+.2f} dB after against before (limit "
                f"{limits.drift_limit_db:g} dB){_own_words(split)}"
            )
        if split.is_shared(limits.common_shift_limit_db):
            doubts["common-shift"] = (
                f"the sensors of the session moved by {split.shared_db:+.2f} dB in the median from before to after "
                f"(limit {limits.common_shift_limit_db:g} dB): suspect the calibrator or the air pressure, not the "
                "sensors"
            )
    return doubts


def _own_words(split: Split) -> str:
    """What of a difference is the sensor's own, where all have a part in common that shows in two decimals."""
    return "" if abs(split.shared_db or 0.0) < SHOWN_DB else f", {split.own_db:+.2f} dB of it its own"


def _why(evidence: Evidence, policy: Policy, source: str) -> str:
    names = {
        "mean": "level mean of the checks before and after",
        "before": "check before the runs",
        "after": "check after the runs",
        "chart": "sensor table's sensitivity",
        "none": "nothing",
    }
    refused = [f"{stage}: {', '.join(codes)}" for stage, codes in evidence.refused.items() if codes]
    words = (
        f"{names[source]}, as the policy asks" if source == policy else f"{names[source]}: {_unlike(policy, source)}"
    )
    return words + (f"; refused {'; '.join(refused)}" if refused else "")


def _unlike(policy: Policy, source: str) -> str:
    if source == "none":
        return "there is no evidence"
    if policy == "data_sheet":
        return "no sensitivity can be read from a data sheet for certain"
    if policy == "mean" and source in ("before", "after"):
        return f"there is no usable check {'after' if source == 'before' else 'before'}"
    return f"the policy asks for {policy}, which is not there"


def _terms(evidence: Evidence, policy: Policy, source: str, drift_db: float | None, limits: Limits) -> tuple[Term, ...]:
    """The terms of the sensitivity's uncertainty in dB (GUM), uncorrelated.

    What checks share counts once, at the largest; the scatter of the fits averages out; drift is a rectangle between
    the checks (|d| / (2 sqrt 3) about the mean, |d| / sqrt 3 about one end), and where one check is missing the drift
    limit stands in for the drift that nobody saw. A chart that stands in for missing checks carries the deviation limit
    in the same way.
    """
    if source == "chart":
        unseen = Term("no check in place", rectangular(limits.deviation_limit_db), "default")
        return (evidence.chart_term,) if policy == "chart" else (evidence.chart_term, unseen)
    used = [check for check in evidence.checks if source in ("mean", check.stage)]
    shared = [_largest(used, name) for name in SHARED_TERMS]
    own = [term for check in used for term in check.terms if term.name not in SHARED_TERMS]
    averaged = combined(
        Term(t.name, t.standard_uncertainty, t.evidence, t.degrees_of_freedom, t.sensitivity_coefficient / len(used))
        for t in own
    )
    width = abs(drift_db) if drift_db is not None else limits.drift_limit_db
    drift = Term(
        "drift",
        rectangular(width / 2.0 if source == "mean" else width),
        "measured" if drift_db is not None else "default",
    )
    fit = Term(FIT_TERM, averaged.standard_uncertainty, "measured", averaged.degrees_of_freedom)
    return (*(term for term in shared if term is not None), fit, drift)


def _largest(checks: Sequence[Check], name: str) -> Term | None:
    found = [term for check in checks for term in check.terms if term.name == name]
    return max(found, key=lambda term: term.contribution, default=None)
