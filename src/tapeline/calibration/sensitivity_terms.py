"""The terms of a chosen sensitivity's uncertainty, from the checks that it was made of (GUM)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from tapeline.calibration.evidence import STAGES, Check, Evidence, Policy, Stage
from tapeline.statistics.combined_uncertainty import Term, combined, rectangular
from tapeline.statistics.uncertainty_terms import (
    EXCHANGED,
    SENSITIVITY_DRIFT,
    SHARED_BY_CHECKS,
    SPREAD_OF_CHECKS,
    UNCHECKED,
)

SHARED_NAMES = tuple(term.name for term in SHARED_BY_CHECKS)


def sensitivity_terms(
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
