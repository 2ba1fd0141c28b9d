"""The mean levels of a condition at one operating point in one session, with the terms of their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.jobs.compare import CompareRun
from tapeline.jobs.compare.compared_runs import ComparisonJob
from tapeline.limits import SETTING_DOF
from tapeline.statistics.comparison import RunToRun, background_beyond, condition_mean, repeat_terms, run_to_run
from tapeline.statistics.repeat_scatter import Scatter
from tapeline.statistics.term_variances import variance_of_mean
from tapeline.statistics.uncertainty_terms import (
    BACKGROUND,
    RANDOM_ERROR,
    REPEATS,
    TERMS_OF_EACH_RUN,
    TERMS_SHOWN_BY_REPEATS,
)

OF_EACH_RUN = (RANDOM_ERROR.name, BACKGROUND.name, REPEATS.name)
"""Terms that each run has of its own; the others are the same in all runs of a session."""


@dataclass(frozen=True)
class LevelMean:
    """One condition at one operating point in one session: its runs, how many have a value, and their mean levels.

    All of shape (positions, items). `added_db` is what bringing the levels to the nominal speed and air added,
    `of_runs` what single runs do to the mean.
    """

    runs: tuple[CompareRun, ...]
    count: NDArray[np.int64]
    mean_db: Reals
    added_db: Reals
    terms: dict[str, tuple[Reals, Reals]]
    of_runs: RunToRun

    @property
    def own_variance(self) -> Reals:
        """Variance (dB^2) by what each run has of its own, (positions, items)."""
        return np.asarray(np.sum([self.terms[name][0] for name in OF_EACH_RUN], axis=0))

    @property
    def shared_variance(self) -> Reals:
        """Variance (dB^2) by what all runs of a session share, calibration apart, (positions, items)."""
        parts = [variance for name, (variance, _) in self.terms.items() if name not in OF_EACH_RUN]
        return np.asarray(np.sum(parts, axis=0))


def level_mean(job: ComparisonJob, runs: tuple[CompareRun, ...], scatter: Scatter) -> LevelMean:
    """Means over the runs, and the terms of their uncertainty: what each run has of its own becomes less by repeats."""
    cell = condition_mean(job.cube.levels(job.known(runs)))
    names, used = job.used(runs)
    index = job.cube.places(names)
    count = np.maximum(cell.count, 1)
    certain = np.full(cell.mean_db.shape, np.inf)
    of_runs = run_to_run(cell, scatter)
    terms = {
        **repeat_terms([of_runs], one_pool=True),
        BACKGROUND.name: (cell.background_db**2 + background_beyond(cell, scatter), certain),
    }
    repeated = terms[REPEATS.name][0] > 0.0
    for term in TERMS_OF_EACH_RUN:
        stated = job.cube.values[term.uncertainty_column][index]
        terms[term.name] = (variance_of_mean(term, stated, used, count, repeated), certain)
    everything = np.ones(cell.mean_db.shape, dtype=bool)
    added = job.nominal_correction(runs, everything)
    return LevelMean(runs, count, cell.mean_db, added, terms, of_runs)


def assumed_repeats(job: ComparisonJob, mean: LevelMean) -> Reals:
    """Variance (dB^2) that settings assume of a mean's repeats where nothing was repeated."""
    return np.where(np.isinf(mean.of_runs.degrees_of_freedom), job.needs.compare.repeat_sd_db**2 / mean.count, 0.0)


def error_within_session(job: ComparisonJob, mean: LevelMean) -> tuple[Reals, Reals]:
    """Standard error (dB) of a mean against others of its session, and its degrees of freedom, (positions, items).

    The degrees of freedom are those of random error and repeats, so that they are never too many. Where no repeats give
    any, what repeats would show and what settings assume stand for it.
    """
    assumed = assumed_repeats(job, mean)
    unrepeated = sum(
        mean.terms[term.name][0] / (1 if term.averages == "always" else mean.count) for term in TERMS_SHOWN_BY_REPEATS
    )
    variance = mean.own_variance + np.where(assumed > 0.0, assumed + unrepeated, 0.0)
    degrees = np.where(assumed > 0.0, SETTING_DOF, mean.of_runs.degrees_of_freedom)
    return np.sqrt(variance), np.maximum(degrees, 1.0)


def calibration_variance(job: ComparisonJob, session: str) -> Reals:
    """Variance (dB^2) of the sensitivities of a session, (positions, 1)."""
    rows = [job.calibration.get((session, position)) or {} for position in job.cube.positions]
    return np.array([[(row.get("standard_uncertainty_db") or 0.0) ** 2] for row in rows])
