"""Rows of the table `reference_drift`, and what a steady drift of the reference puts into a difference."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.jobs.compare import CompareRun
from tapeline.jobs.compare.compared_runs import ComparisonJob, Pair
from tapeline.jobs.compare.item_columns import item_columns
from tapeline.jobs.compare.simple_differences import with_findings
from tapeline.jobs.levels.common_part import same_edges
from tapeline.jobs.levels.inherited_doubt import doubt_columns
from tapeline.statistics.level_drift import level_drift, variance_about_slope
from tapeline.statistics.repeat_pools import RepeatPools
from tapeline.statistics.repeat_scatter import Scatter
from tapeline.statistics.term_variances import runs_used, sum_of_squares

if TYPE_CHECKING:
    from tapeline.store.rows import DoubtColumns, ReferenceDriftRow


@dataclass(frozen=True)
class ReferenceDrift:
    """Slope of a reference condition in one session and its standard error, dB per hour, (positions, items).

    `degrees_of_freedom` are those of the error, `runs` those with levels at known times.
    """

    slope: Reals
    error: Reals
    degrees_of_freedom: Reals
    runs: tuple[str, ...]


Drifts = Mapping[tuple[str, str], ReferenceDrift]
"""By session and condition."""


def reference_drifts(job: ComparisonJob, pools: RepeatPools, references: Collection[str] | None = None) -> Drifts:
    """Drift of each reference condition in each session, over all operating points together.

    Sessions without two runs of it at different times have none. `references`: as a rule those of the comparisons.
    """
    if references is None:
        references = {comparison.reference for comparison in job.needs.comparisons.values()}
    groups: dict[tuple[str, str], list[list[CompareRun]]] = {}
    for (session, condition, _), runs in job.cells.items():
        timed = [run for run in _with_levels(job, runs) if run.hours is not None]
        if condition in references and len(timed) >= 2:
            groups.setdefault((session, condition), []).append(timed)
    return {key: _drift(job, group, pools.of_session(key[0])) for key, group in groups.items()}


def _drift(job: ComparisonJob, groups: list[list[CompareRun]], scatter: Scatter) -> ReferenceDrift:
    """The slope with the error that random error and the scatter of repeats give it.

    The scatter of repeats of the position in the session; where nothing is pooled its own about the slope; without
    either what settings assume.
    """
    parts = []
    for runs in groups:
        names = [run.run for run in runs]
        parts.append(job.cube.pooled_levels(names, same_edges(job.cube, names, ())))
    found = level_drift([(part.level_db, hours_of(runs)) for part, runs in zip(parts, groups, strict=True)])
    random = np.concatenate([np.where(np.isfinite(part.level_db), part.random_db, np.nan) for part in parts])
    known = np.isfinite(random)
    variance, degrees_of_freedom = variance_about_slope(
        found, sum_of_squares(random, known) / runs_used(known), scatter, job.needs.compare.repeat_sd_db
    )
    return ReferenceDrift(
        slope=found.slope_db_per_hour,
        error=np.sqrt(variance * found.variance_per_db2),
        degrees_of_freedom=degrees_of_freedom,
        runs=tuple(run.run for runs in groups for run in runs),
    )


def drift_rows(job: ComparisonJob, drifts: Drifts) -> list[ReferenceDriftRow]:
    """One row a session, reference condition, position and band or overall level: its change over the session."""
    return with_findings(list(_rows(job, drifts)), job.needs)


def _rows(job: ComparisonJob, drifts: Drifts) -> Iterator[ReferenceDriftRow]:
    for (session, condition), drift in drifts.items():
        span = float(np.ptp(hours_of([run for key, runs in job.cells.items() if key[0] == session for run in runs])))
        for p, i in np.argwhere(np.isfinite(drift.slope) & (drift.error > 0.0)):
            yield {
                "session": session,
                "condition": condition,
                "position": job.cube.positions[p],
                **item_columns(job.cube.items[i]),
                "slope_db_per_hour": float(drift.slope[p, i]),
                "span_hours": span,
                "difference_db": float(drift.slope[p, i]) * span,
                "standard_error_db": float(drift.error[p, i]) * span,
                "degrees_of_freedom": float(drift.degrees_of_freedom[p, i]),
                "runs": list(drift.runs),
                **_doubt(job, drift, p, i),
            }


def _doubt(job: ComparisonJob, drift: ReferenceDrift, p: int, i: int) -> DoubtColumns:
    used = job.cube.pooled[job.cube.places(drift.runs), p, i]
    return doubt_columns(job.cube, [name for name, each in zip(drift.runs, used, strict=True) if each], p, i)


@dataclass(frozen=True)
class Return:
    """Runs after the other condition less those before it, and the standard uncertainty, dB, (positions, items).

    Of the reference, or where it does not lie on both sides, of the treatment; NaN where neither does.
    """

    change_db: Reals
    uncertainty_db: Reals


@dataclass(frozen=True)
class OrderOfRuns:
    """What the order of a pair's runs says of its difference, every field (positions, items).

    `bracketed`: every treatment run has reference runs before and after it. `effect_db` is what the reference's steady
    drift puts into the difference, with its standard uncertainty; NaN where the reference has no drift. `returned` says
    whether the condition that was measured on both sides of the other one came back to its level.
    """

    bracketed: NDArray[np.bool_]
    effect_db: Reals
    uncertainty_db: Reals
    returned: Return


def order_of_runs(job: ComparisonJob, pair: Pair, drifts: Drifts, scatter: Scatter) -> OrderOfRuns | None:
    """The order of the runs that count at each position and item; None across sessions or where a run has no time."""
    timed = all(run.hours is not None for side in pair.sides for run in _with_levels(job, side))
    if pair.sessions[0] != pair.sessions[1] or not timed:
        return None
    reference, treatment = (_hours_used(job, side) for side in pair.sides)
    with np.errstate(invalid="ignore"):
        apart = _mean(treatment) - _mean(reference)
        bracketed = (_end(reference, np.fmin) < _end(treatment, np.fmin)) & (
            _end(treatment, np.fmax) < _end(reference, np.fmax)
        )
    drift = drifts.get((pair.sessions[0], pair.reference[0].condition))
    unknown = np.full(apart.shape, np.nan)
    return OrderOfRuns(
        np.asarray(bracketed),
        unknown if drift is None else drift.slope * apart,
        unknown if drift is None else drift.error * np.abs(apart),
        _returned(job, pair, (reference, treatment), scatter),
    )


def _returned(job: ComparisonJob, pair: Pair, hours: tuple[Reals, Reals], scatter: Scatter) -> Return:
    """Each run's variance is its random error and the scatter of repeats, or what settings assume of it."""
    change, uncertainty = (np.full(hours[0].shape[1:], np.nan) for _ in range(2))
    assumed = np.where(scatter.degrees_of_freedom > 0.0, 0.0, job.needs.compare.repeat_sd_db**2)
    for runs, own, other in ((pair.treatment, hours[1], hours[0]), (pair.reference, hours[0], hours[1])):
        levels = job.cube.levels(job.known(runs))
        with np.errstate(invalid="ignore", divide="ignore"):
            sides = [own < _end(other, np.fmin), own > _end(other, np.fmax)]
            known = [side & np.isfinite(levels.level_db) for side in sides]
            means = [np.where(side, levels.level_db, 0.0).sum(axis=0) / side.sum(axis=0) for side in known]
            each = [
                np.where(side, levels.random_db**2 + scatter.excess + assumed, 0.0).sum(axis=0) / side.sum(axis=0) ** 2
                for side in known
            ]
        both = known[0].any(axis=0) & known[1].any(axis=0)
        change = np.where(both, means[1] - means[0], change)
        uncertainty = np.where(both, np.sqrt(each[0] + each[1]), uncertainty)
    return Return(change, uncertainty)


def _hours_used(job: ComparisonJob, runs: Sequence[CompareRun]) -> Reals:
    """Times of the runs that count, (runs, positions, items), NaN where one does not."""
    names, used = job.used(tuple(runs))
    hours = {run.run: run.hours for run in runs}
    return np.where(used, np.array([hours[name] for name in names], dtype=float)[:, None, None], np.nan)


def _mean(hours: Reals) -> Reals:
    known = np.isfinite(hours)
    return np.asarray(np.where(known, hours, 0.0).sum(axis=0) / known.sum(axis=0))


def _end(hours: Reals, end: np.ufunc) -> Reals:
    return np.asarray(end.reduce(hours, axis=0, initial=np.nan))


def _with_levels(job: ComparisonJob, runs: Sequence[CompareRun]) -> list[CompareRun]:
    """Those of some runs that have a usable channel at all."""
    place = {name: r for r, name in enumerate(job.cube.runs)}
    return [run for run in runs if run.run in place and job.cube.usable[place[run.run]].any()]


def hours_of(runs: Sequence[CompareRun]) -> Reals:
    """Times of some runs, those that have one."""
    return np.array([run.hours for run in runs if run.hours is not None], dtype=np.float64)
