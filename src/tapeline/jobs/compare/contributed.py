"""What the opened condition of a pair adds to the other one, or what the louder one of two adds to the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.contribution import Contribution, MeanLevel, contribution
from tapeline.arrays import Reals
from tapeline.campaign.settings import Comparison
from tapeline.jobs.compare.compared_pairs import Compared
from tapeline.jobs.compare.compared_runs import ComparisonJob, Pair
from tapeline.statistics.comparison import findings
from tapeline.statistics.significance import student_factor


@dataclass(frozen=True)
class Contributed:
    """The contribution of one pair, every array (positions, items).

    `opened` names the condition with less applied. It is None where neither set of what is applied holds the other:
    nothing says then what was opened, and the louder condition counts as the opened one, place by place. `sign` is +1
    where the treatment counts as opened and -1 where the reference does. `words` are the findings on the difference.
    """

    opened: str | None
    sign: NDArray[np.int64]
    opened_mean: MeanLevel
    closed_mean: MeanLevel
    part: Contribution
    words: NDArray[np.object_]


def contributed(job: ComparisonJob, comparison: Comparison, found: Compared) -> Contributed:
    """The contribution of what is opened between the two cells of a pair."""
    result = found.result
    words = findings(result, found.adjusted_p, job.needs.confidence, job.needs.compare.practical_threshold_db)
    # What does not average out belongs to both levels alike: half of its variance each.
    own = (result.reference_error_db, result.treatment_error_db)
    errors = [np.sqrt(error**2 + found.lasting_variance / 2.0) for error in own]
    means = [MeanLevel(cell.mean_db, error, cell.upper_db) for cell, error in zip(found.cells, errors, strict=True)]
    opened = opened_of(job, comparison)
    sign = (
        _louder(*means)
        if opened is None
        else np.full(result.p_value.shape, 1 if opened == comparison.treatment else -1)
    )
    opened_mean, closed_mean = _picked(sign > 0, means[1], means[0]), _picked(sign > 0, *means)
    louder_closed = np.where(sign > 0, result.upper_db < 0.0, result.lower_db > 0.0)
    factor = student_factor(result.degrees_of_freedom, job.needs.confidence)
    shared = _shared_uncertainty(job, found.pair)
    part = contribution(opened_mean, closed_mean, shared, louder_closed, factor, job.limits)
    return Contributed(opened, sign, opened_mean, closed_mean, part, words)


def opened_of(job: ComparisonJob, comparison: Comparison) -> str | None:
    """The condition with less applied; None where neither set of what is applied holds the other."""
    reference = set(job.needs.applied.get(comparison.reference, ()))
    treatment = set(job.needs.applied.get(comparison.treatment, ()))
    if treatment > reference:
        return comparison.reference
    return comparison.treatment if reference > treatment else None


def _louder(reference: MeanLevel, treatment: MeanLevel) -> NDArray[np.int64]:
    """+1 where the treatment is the louder one, -1 where the reference is; of a value and a bound the value counts."""
    with np.errstate(invalid="ignore"):
        louder = (reference.level_db > treatment.level_db) | ~np.isfinite(treatment.level_db)
    return np.where(louder, -1, 1)


def _picked(first: NDArray[np.bool_], one: MeanLevel, other: MeanLevel) -> MeanLevel:
    """`one` where `first` says so, else `other`."""
    bound, other_bound = one.upper_bound_db, other.upper_bound_db
    return MeanLevel(
        np.where(first, one.level_db, other.level_db),
        np.where(first, one.error_db, other.error_db),
        None if bound is None or other_bound is None else np.where(first, bound, other_bound),
    )


def _shared_uncertainty(job: ComparisonJob, pair: Pair) -> Reals:
    """Uncertainty (dB) of the sensitivities that both levels of a pair share, shape (positions, 1).

    Levels of two sessions share none; there each one's own is among what does not average out.
    """
    first, second = pair.sessions
    rows = [(job.calibration.get((first, p)) or {}) if first == second else {} for p in job.cube.positions]
    return np.array([[row.get("standard_uncertainty_db") or 0.0] for row in rows])
