"""The sensitivity of a channel in a session, chosen from all the evidence, with its reasons and its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from tapeline.calibration.all_together import Split
from tapeline.calibration.evidence import (
    STAGES,
    Check,
    Evidence,
    Policy,
    Stage,
    Summary,
    level_difference_db,
    linearity_of,
    summary_of,
)
from tapeline.limits import CALIBRATORS_APART_STANDARD_UNCERTAINTIES, SHOWN_COMMON_PART_DB
from tapeline.statistics.combined_uncertainty import Term, combined, rectangular
from tapeline.statistics.uncertainty_terms import (
    CALIBRATOR,
    EXCHANGED,
    SENSITIVITY_DRIFT,
    SHARED_BY_CHECKS,
    SPREAD_OF_CHECKS,
    UNCHECKED,
)

SHARED_NAMES = tuple(term.name for term in SHARED_BY_CHECKS)


@dataclass(frozen=True)
class Limits:
    """Limits from which on a sensitivity is doubted; the `common` ones are for what all sensors share.

    From `drift_note_db` on a drift is noted.
    """

    deviation_limit_db: float
    drift_limit_db: float
    application_spread_limit_db: float
    common_deviation_limit_db: float
    common_shift_limit_db: float
    drift_note_db: float
    linearity_limit_db: float


@dataclass(frozen=True)
class InCommon:
    """Medians over the session's sensors in dB; None where there are too few."""

    deviation_db: float | None = None
    drift_db: float | None = None


@dataclass(frozen=True)
class Decision:
    """The chosen sensitivity, its reason, its uncertainty term by term, and the doubts; None without any evidence."""

    sensitivity_v_per_pa: float | None
    source: str
    why: str
    terms: tuple[Term, ...]
    standard_uncertainty_db: float | None
    degrees_of_freedom: float | None
    doubts: Mapping[str, str]


def choose_sensitivity(evidence: Evidence, policy: Policy) -> tuple[float | None, str]:
    """The sensitivity that the policy picks and the name of its source.

    `mean` takes the level mean of before and after (14 CFR 36, A36.3.9, from memory) and whichever there is when one is
    missing; a policy whose evidence is missing falls back to the other checks, then to the chart. `data_sheet` always
    does: no public layout of a microphone's template is known, and none is guessed. Nothing is picked where the checks
    contradict the chart: gain, full scale or sensitivity entered may be wrong for the runs too.
    """
    if evidence.contradicted:
        return None, "none"
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
    """The sensitivity that the policy chooses, judged by deviation from the chart, drift and missing checks."""
    chosen, source = choose_sensitivity(evidence, policy)
    known = summary_of(evidence)
    doubts: dict[str, str] = {}
    for check in evidence.checks:
        doubts |= check.doubts
    doubts |= _apart(evidence, limits) | _missing(evidence, known, policy, source)
    if evidence.chart_v_per_pa is None:
        doubts["no-chart"] = "the sensor table gives no sensitivity to hold the checks against"
    doubts |= _differences(known, limits, common, sum(evidence.spread_db(stage) for stage in STAGES) / 2.0)
    doubts |= _unconfirmed(evidence, doubts, source) | _not_linear(evidence, limits)
    terms = (
        _sensitivity_terms(
            evidence, policy, source, chosen, known.drift_db, limits.deviation_limit_db, limits.drift_limit_db
        )
        if chosen
        else ()
    )
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


def _apart(evidence: Evidence, limits: Limits) -> dict[str, str]:
    """Checks of one stage that differ by more than applications of one calibrator, or two calibrators, may."""
    found = []
    for stage in STAGES:
        for one, other in combinations(evidence.of_stage(stage), 2):
            apart = level_difference_db(other.sensitivity_v_per_pa, one.sensitivity_v_per_pa) or 0.0
            limit = limits.application_spread_limit_db
            if one.calibrator != other.calibrator:
                limit = max(limit, _calibrators_apart_db(one, other))
            if abs(apart) > limit:
                words = f"checks {stage} the runs differ: {apart:+.2f} dB in {other.run} against {one.run}"
                found.append((abs(apart), f"{words} (limit {limit:.2g} dB)"))
    return {"checks-differ": max(found)[1]} if found else {}


def _calibrators_apart_db(one: Check, other: Check) -> float:
    """How far two calibrators may differ by the uncertainties of their levels."""
    own = [term for check in (one, other) for term in check.terms if term.name == CALIBRATOR.name]
    return CALIBRATORS_APART_STANDARD_UNCERTAINTIES * combined(own).standard_uncertainty


def _unconfirmed(evidence: Evidence, doubts: Mapping[str, str], source: str) -> dict[str, str]:
    """A deviation from the sensor table that no second check confirms, or that the value used is without."""
    if "deviation" not in doubts or (source != "chart" and len(evidence.checks) > 1):
        return {}
    words = "the sensor table's value is used all the same" if source == "chart" else "no second check confirms it"
    return {"deviation-unconfirmed": f"the checks are off the chart, and {words}"}


def _not_linear(evidence: Evidence, limits: Limits) -> dict[str, str]:
    """Sensitivities that differ between calibrators of different level by more than the calibrators may."""
    found = linearity_of(evidence.checks)
    if found is None:
        return {}
    limit = max(limits.linearity_limit_db, _calibrators_apart_db(*found.checks))
    if abs(found.difference_db) <= limit:
        return {}
    low, high = found.checks
    drift = "" if found.same_stage else "; drift may be in it, since no stage has both"
    return {
        "not-linear": f"sensitivity {found.difference_db:+.2f} dB with calibrator {high.calibrator}, "
        f"{found.step_db:.0f} dB louder than {low.calibrator} (limit {limit:.2g} dB){drift}"
    }


def _missing(evidence: Evidence, known: Summary, policy: Policy, source: str) -> dict[str, str]:
    if evidence.contradicted:
        words = "the checks contradict the sensor table, and nothing tells which is right for the runs"
        return {"contradicted": f"{words}: correct gain_db, full_scale_v or the sensitivity"}
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


def _differences(known: Summary, limits: Limits, common: InCommon, within_stages_db: float) -> dict[str, str]:
    """Deviation and drift beyond their limits; what checks of one stage differ by anyway is no drift."""
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
        if split.is_own(limits.drift_limit_db + within_stages_db, limits.common_shift_limit_db):
            doubts["drift"] = (
                f"drift of the sensitivity: {split.whole_db:+.2f} dB after against before (limit "
                f"{limits.drift_limit_db:g} dB){_own_words(split)}"
            )
        elif split.is_own(limits.drift_note_db + within_stages_db, limits.common_shift_limit_db):
            doubts["small-drift"] = (
                f"drift of the sensitivity: {split.whole_db:+.2f} dB after against before (noted from "
                f"{limits.drift_note_db:g} dB, doubted from {limits.drift_limit_db:g} dB){_own_words(split)}"
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
    shared = split.shared_db or 0.0
    return (
        ""
        if abs(shared) < SHOWN_COMMON_PART_DB
        else f"; all in the median {shared:+.2f} dB, beside them {split.own_db:+.2f} dB"
    )


def _why(evidence: Evidence, policy: Policy, source: str) -> str:
    names = {
        "mean": "level mean of the checks before and after",
        "before": "check before the runs",
        "after": "check after the runs",
        "chart": "sensor table's sensitivity",
        "none": "nothing",
    }
    refused = [f"{stage}: {', '.join(codes)}" for stage, codes in evidence.refused.items() if codes]
    as_asked = source == policy
    words = names[source] + (", as the policy asks" if as_asked else f": {_unlike(evidence, policy, source)}")
    return words + (f"; refused {'; '.join(refused)}" if refused else "")


def _unlike(evidence: Evidence, policy: Policy, source: str) -> str:
    if source == "none":
        return "the checks contradict the sensor table" if evidence.contradicted else "there is no evidence"
    if policy == "data_sheet":
        return "no sensitivity can be read from a data sheet for certain"
    if policy == "mean" and source in ("before", "after"):
        return f"there is no usable check {'after' if source == 'before' else 'before'}"
    if source == "chart":
        return "there is no usable check"
    return f"the policy asks for {policy}, which is not there"


def _sensitivity_terms(
    evidence: Evidence,
    policy: Policy,
    source: str,
    chosen_v_per_pa: float,
    drift_db: float | None,
    deviation_limit_db: float,
    drift_limit_db: float,
) -> tuple[Term, ...]:
    """The terms of the sensitivity's uncertainty in dB (GUM), uncorrelated.

    What checks share counts once, at the largest; what is each check's own averages out; checks of one stage are a
    rectangle as wide as they differ; drift is one between the stages (|d| / (2 sqrt 3) about the mean, |d| / sqrt 3
    about one end), and where one stage is missing the drift limit stands in for the drift that nobody saw. A chart that
    stands in for missing checks carries the deviation limit in the same way. Where one of several values is right and
    nothing tells which, their distance from the one used is a term.
    """
    exchange = _alternatives(evidence, chosen_v_per_pa)
    if source == "chart":
        unseen = Term(UNCHECKED.name, rectangular(deviation_limit_db), "default")
        return (evidence.chart_term, *([] if policy == "chart" else [unseen]), *exchange)
    stages = [stage for stage in STAGES if source in ("mean", stage)]
    used = [check for stage in stages for check in evidence.of_stage(stage)]
    shared = [term for name in SHARED_NAMES if (term := _largest(used, name)) is not None]
    width = abs(drift_db) if drift_db is not None else drift_limit_db
    drift = Term(
        SENSITIVITY_DRIFT.name,
        rectangular(width / 2.0 if source == "mean" else width),
        "measured" if drift_db is not None else "default",
    )
    apart = [rectangular(evidence.spread_db(stage) / 2.0) / len(stages) for stage in stages]
    spread = [Term(SPREAD_OF_CHECKS.name, math.hypot(*apart), "measured")] if any(apart) else []
    return (*shared, *_averaged(evidence, stages), *spread, drift, *exchange)


def _alternatives(evidence: Evidence, chosen_v_per_pa: float) -> list[Term]:
    """Root mean square distance of equally likely values from the one used: a priori probabilities (GUM 4.3.2)."""
    if not evidence.alternatives_db:
        return []
    chosen_db = 20.0 * math.log10(chosen_v_per_pa)
    squares = [(level - chosen_db) ** 2 for level in evidence.alternatives_db]
    return [Term(EXCHANGED.name, math.sqrt(sum(squares) / len(squares)), "measured")]


def _averaged(evidence: Evidence, stages: Sequence[Stage]) -> list[Term]:
    """The terms that each check has of its own, in the mean of the stages' means."""
    parts: dict[str, list[Term]] = {}
    for stage in stages:
        checks = evidence.of_stage(stage)
        for term in (term for check in checks for term in check.terms if term.name not in SHARED_NAMES):
            share = term.sensitivity_coefficient / (len(stages) * len(checks))
            parts.setdefault(term.name, []).append(replace(term, sensitivity_coefficient=share))
    whole = {name: combined(terms) for name, terms in parts.items()}
    return [Term(name, u.standard_uncertainty, "measured", u.degrees_of_freedom) for name, u in whole.items()]


def _largest(checks: Sequence[Check], name: str) -> Term | None:
    found = [term for check in checks for term in check.terms if term.name == name]
    return max(found, key=lambda term: term.contribution, default=None)
