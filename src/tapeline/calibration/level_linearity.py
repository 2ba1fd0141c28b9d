"""Level linearity of a channel: two calibrators of different level on the same sensor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tapeline.calibration.evidence import STAGES, Check, level_difference_db, level_mean
from tapeline.limits import LINEARITY_LEVEL_STEP_DB


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
