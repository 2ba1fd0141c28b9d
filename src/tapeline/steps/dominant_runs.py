"""Single runs without which the pooled scatter of a session would be much smaller."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.comparison import Difference, Scatter
from tapeline.acoustics.statistics import student_factor
from tapeline.acoustics.windows import Reals
from tapeline.steps.compared_runs import Job, RepeatScatter

DOMINATES = 1.5
"""A run is named where without it the half-width would be so many times less (own choice)."""


@dataclass(frozen=True)
class DominantRuns:
    """For each item the run that widens the scatter of its session most, and the variance beyond random error without.

    Both (items,); None and NaN where no run can be left out.
    """

    run: NDArray[np.object_]
    excess: Reals

    def half_width_db(self, result: Difference, scatter: Scatter, confidence: float) -> Reals:
        """Half-widths of the intervals without that run, (positions, items); NaN where it does not dominate them.

        Only where the pooled scatter of the session is what counts.
        """
        pooled = (result.basis == 1) & (scatter.excess > 0.0)
        variance = result.standard_error_db**2
        with np.errstate(divide="ignore", invalid="ignore"):
            less = result.terms["repeats"][0] * (1.0 - self.excess / scatter.excess)
            factor = student_factor(result.degrees_of_freedom, confidence)
            half = factor * np.sqrt(np.maximum(variance - less, 0.0))
            dominated = pooled & (factor * np.sqrt(variance) >= DOMINATES * half)
        return np.where(dominated & np.isfinite(result.difference_db), half, np.nan)


def dominant_runs(job: Job, scatter: RepeatScatter, session: str) -> DominantRuns:
    """See DominantRuns: each run of the session is left out in turn."""
    items = len(job.cube.items)
    run, excess = np.full(items, None, dtype=object), np.full(items, np.inf)
    for name, without in scatter.without_each(job, session):
        known = without.degrees_of_freedom > 0.0
        # Of two repeats that differ nothing tells which is the odd one.
        with np.errstate(invalid="ignore"):
            alike = known & np.isclose(without.excess, excess, rtol=1e-6, atol=1e-9)
        less = known & ~alike & (without.excess < excess)
        run[alike] = [f"{other} or {name}" for other in run[alike]]
        run[less], excess[less] = name, without.excess[less]
    return DominantRuns(run, np.where(np.isfinite(excess), excess, np.nan))
