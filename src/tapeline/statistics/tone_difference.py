"""What a treatment does to a tone: the difference of its levels with an interval, or that it is gone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tapeline.arrays import Reals
from tapeline.limits import TONE_ALONE_FROM_DB
from tapeline.statistics.significance import student_factor


@dataclass(frozen=True)
class RepeatVariance:
    """Variance (dB^2) of a tone's level between repeats, and its degrees of freedom, 0 without repeats."""

    variance: float
    degrees_of_freedom: int


def repeat_variance(groups: Iterable[tuple[str, Sequence[float]]]) -> RepeatVariance:
    """Pooled over groups of repeated levels (dB), each with its position.

    Repeats scatter alike at all positions of a body (one flow), so that positions add no degrees of freedom to each
    other: counted are those of the position with most.
    """
    squares, count, by_position = 0.0, 0, {"": 0}
    for position, levels in groups:
        dof = len(levels) - 1
        if dof > 0:
            squares += float(np.var(levels, ddof=1)) * dof
            count += dof
            by_position[position] = by_position.get(position, 0) + dof
    return RepeatVariance(squares / count if count else 0.0, max(by_position.values()))


@dataclass(frozen=True)
class ToneDifference:
    """Treatment minus reference in dB with its interval; None where there is none.

    `bound_db` is what the difference stays below (of a tone that is gone) or above (of a new one).
    """

    difference_db: float | None
    standard_error_db: float | None
    lower_db: float | None
    upper_db: float | None
    bound_db: float | None
    finding: str


@dataclass(frozen=True)
class Side:
    """A tone in the runs of one condition.

    `levels_db`, `uncertainty_db` (random error) and `prominence_db` are of the runs that have it, `limits_db` the
    levels that it would need to have been found in those that have not.
    """

    levels_db: Reals
    uncertainty_db: Reals
    prominence_db: Reals
    limits_db: Reals

    @property
    def usual(self) -> bool:
        """Whether more than half of the runs have it: a false alarm, alone in its run, is not believed."""
        several = self.levels_db.size > 1 or bool(np.any(self.prominence_db >= TONE_ALONE_FROM_DB))
        return several and self.levels_db.size > self.limits_db.size


def tone_difference(reference: Side, treatment: Side, repeats: RepeatVariance, confidence: float) -> ToneDifference:
    """What becomes of a tone from reference to treatment.

    Where more than half of the runs of both have it: the difference of the mean levels. Its standard error is that of
    repeats, or the random error of the levels if that is larger; without repeats there is no interval. Gone (or new):
    in more than half of the runs of one and in none of the other, in all of which one as loud would have been found.
    Where some of a side's runs have it and not most, it comes and goes: nothing is said.
    """
    if reference.usual and treatment.usual:
        return _of_levels(reference, treatment, repeats, confidence)
    if reference.usual and not treatment.levels_db.size and treatment.limits_db.size:
        bound = float(treatment.limits_db.max() - reference.levels_db.mean())
        return ToneDifference(None, None, None, None, bound, "gone" if bound < 0.0 else "not shown")
    if treatment.usual and not reference.levels_db.size and reference.limits_db.size:
        bound = float(treatment.levels_db.mean() - reference.limits_db.max())
        return ToneDifference(None, None, None, None, bound, "new" if bound > 0.0 else "not shown")
    return ToneDifference(None, None, None, None, None, "comes and goes")


def _of_levels(reference: Side, treatment: Side, repeats: RepeatVariance, confidence: float) -> ToneDifference:
    difference = float(treatment.levels_db.mean() - reference.levels_db.mean())
    if not repeats.degrees_of_freedom:
        return ToneDifference(difference, None, None, None, None, "not shown")
    variance = sum(
        max(repeats.variance, float(np.mean(side.uncertainty_db**2))) / side.levels_db.size
        for side in (reference, treatment)
    )
    error = float(np.sqrt(variance))
    half = float(student_factor(repeats.degrees_of_freedom, confidence)) * error
    finding = "lower" if difference + half < 0.0 else "higher" if difference - half > 0.0 else "not shown"
    return ToneDifference(difference, error, difference - half, difference + half, None, finding)
