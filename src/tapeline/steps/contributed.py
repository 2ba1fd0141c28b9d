"""What the opened condition of a pair adds to the other one, with the mean levels that it is made from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.comparison import findings
from tapeline.acoustics.contribution import Contribution, MeanLevel, contribution
from tapeline.acoustics.statistics import student_factor
from tapeline.acoustics.windows import Reals
from tapeline.campaign.settings import Comparison
from tapeline.steps.compared_pairs import Compared
from tapeline.steps.compared_runs import Job, Pair


@dataclass(frozen=True)
class Contributed:
    """The contribution of one pair, every array (positions, items).

    `opened` names the condition with less applied; `sign` is +1 where it is the treatment and -1 where it is the
    reference. `words` are the findings on the difference.
    """

    opened: str
    sign: int
    opened_mean: MeanLevel
    closed_mean: MeanLevel
    part: Contribution
    words: NDArray[np.object_]


def contributed(job: Job, comparison: Comparison, found: Compared) -> Contributed:
    """The contribution of what is opened between the two cells of a pair."""
    result = found.result
    words = findings(result, found.adjusted_p, job.needs.confidence, job.needs.compare.practical_threshold_db)
    opened, sign = _opened(job, comparison)
    # What does not average out belongs to both levels alike: half of its variance each.
    own = (result.reference_error_db, result.treatment_error_db)
    errors = [np.sqrt(error**2 + found.lasting_variance / 2.0) for error in own]
    means = [MeanLevel(cell.mean_db, error, cell.upper_db) for cell, error in zip(found.cells, errors, strict=True)]
    opened_mean, closed_mean = means[::-1] if sign > 0 else means
    louder_closed = result.upper_db < 0.0 if sign > 0 else result.lower_db > 0.0
    factor = student_factor(result.degrees_of_freedom, job.needs.confidence)
    shared = _shared_uncertainty(job, found.pair)
    part = contribution(opened_mean, closed_mean, shared, louder_closed, factor, job.limits)
    return Contributed(opened, sign, opened_mean, closed_mean, part, words)


def _opened(job: Job, comparison: Comparison) -> tuple[str, int]:
    """The condition with less applied and +1 where it is the treatment, -1 where it is the reference.

    Where neither set of treatments holds the other, the treatment counts as the opened state.
    """
    reference = set(job.needs.applied.get(comparison.reference, ()))
    treatment = set(job.needs.applied.get(comparison.treatment, ()))
    return (comparison.reference, -1) if treatment > reference else (comparison.treatment, 1)


def _shared_uncertainty(job: Job, pair: Pair) -> Reals:
    """Uncertainty (dB) of the sensitivities that both levels of a pair share, shape (positions, 1).

    Levels of two sessions share none; there each one's own is among what does not average out.
    """
    first, second = pair.sessions
    rows = [(job.calibration.get((first, p)) or {}) if first == second else {} for p in job.cube.positions]
    return np.array([[row.get("standard_uncertainty_db") or 0.0] for row in rows])
