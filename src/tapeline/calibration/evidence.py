"""What is known of one channel's sensitivity in one session: checks, chart, what was refused, level linearity."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from tapeline.limits import LINEARITY_LEVEL_STEP_DB
from tapeline.statistics.combined_uncertainty import Term

Policy = Literal["before", "after", "mean", "chart", "data_sheet"]
Stage = Literal["before", "after"]
STAGES: tuple[Stage, Stage] = ("before", "after")

CONTRADICTION = "level-off"
"""Reason of a check that is too far from the sensor table for both to be right."""


@dataclass(frozen=True)
class Check:
    """One check that is fit for use: its stage, sensitivity, the terms of its uncertainty, the level at the sensor."""

    stage: Stage
    sensitivity_v_per_pa: float
    terms: tuple[Term, ...]
    doubts: Mapping[str, str]
    run: str = ""
    calibrator: str = ""
    level_db: float | None = None


@dataclass(frozen=True)
class Evidence:
    """All that is known of one channel in one session; `refused` says, stage by stage, why checks are not used.

    `alternatives_db` are the levels of the sensitivity (re 1 V/Pa) of which any one may be right.
    """

    checks: tuple[Check, ...]
    chart_v_per_pa: float | None
    chart_term: Term
    refused: Mapping[str, tuple[str, ...]]
    alternatives_db: tuple[float, ...] = ()

    @property
    def contradicted(self) -> bool:
        """Whether all that the checks say is that something entered in the tables is wrong."""
        return not self.checks and any(CONTRADICTION in codes for codes in self.refused.values())

    def of_stage(self, stage: Stage) -> list[Check]:
        """The checks of one stage."""
        return [check for check in self.checks if check.stage == stage]

    def spread_db(self, stage: Stage) -> float:
        """Largest difference between checks of one stage, 0 where there is one or none."""
        levels = [20.0 * math.log10(check.sensitivity_v_per_pa) for check in self.of_stage(stage)]
        return max(levels) - min(levels) if levels else 0.0


@dataclass(frozen=True)
class Summary:
    """The evidence of one channel in short: sensitivities before, after and of both, deviation and drift."""

    before_v_per_pa: float | None
    after_v_per_pa: float | None
    checked_v_per_pa: float | None
    deviation_db: float | None
    drift_db: float | None


def level_mean(values: Sequence[float]) -> float | None:
    """Mean of sensitivities as levels (the geometric mean); None of nothing.

    >>> level_mean([1.0, 4.0])
    2.0
    """
    return math.exp(sum(math.log(v) for v in values) / len(values)) if values else None


def summary_of(evidence: Evidence) -> Summary:
    """Level means of the checks before and after, their mean, deviation from the chart and drift, in dB."""
    before, after = (level_mean([check.sensitivity_v_per_pa for check in evidence.of_stage(stage)]) for stage in STAGES)
    both = level_mean([value for value in (before, after) if value is not None])
    return Summary(
        before, after, both, level_difference_db(both, evidence.chart_v_per_pa), level_difference_db(after, before)
    )


def level_difference_db(value: float | None, reference: float | None) -> float | None:
    """20 lg of the ratio of two sensitivities; None where one is missing."""
    return 20.0 * math.log10(value / reference) if value and reference else None


@dataclass(frozen=True)
class Linearity:
    """The sensitivity at the higher level over that at the lower one in dB, and the difference of the levels.

    `same_stage` says that both calibrators were applied on the same side of the runs, so that no drift is in it.
    """

    difference_db: float
    step_db: float
    same_stage: bool
    checks: tuple[Check, Check]


def linearity_of(checks: Sequence[Check]) -> Linearity | None:
    """Difference of sensitivities at two levels (14 CFR 36, A36.3.6.6); None where all levels are about the same.

    Checks of one stage are compared where there are both levels in one, else those of both stages.
    """
    groups = [[check for check in checks if check.stage == stage] for stage in STAGES]
    found = [one for group in groups if (one := _within(group, same_stage=True)) is not None]
    if not found:
        return _within(checks, same_stage=False)
    return max(found, key=lambda one: abs(one.difference_db))


def _within(checks: Sequence[Check], *, same_stage: bool) -> Linearity | None:
    known = sorted((check for check in checks if check.level_db is not None), key=lambda check: check.level_db or 0.0)
    if not known or (known[-1].level_db or 0.0) - (known[0].level_db or 0.0) < LINEARITY_LEVEL_STEP_DB:
        return None
    low, high = known[0], known[-1]
    soft, loud = (
        level_mean(
            [
                c.sensitivity_v_per_pa
                for c in known
                if abs((c.level_db or 0.0) - (end.level_db or 0.0)) < LINEARITY_LEVEL_STEP_DB / 2
            ]
        )
        for end in (low, high)
    )
    step_db = (high.level_db or 0.0) - (low.level_db or 0.0)
    return Linearity(level_difference_db(loud, soft) or 0.0, step_db, same_stage, (low, high))
