"""Rows of the table `budgets`: what the uncertainty of a level, and of a difference, is made of."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, cast

import numpy as np

from tapeline.arrays import Reals
from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.compare import CompareRun
from tapeline.jobs.compare.compared_runs import ComparisonJob, Pair
from tapeline.jobs.compare.item_columns import item_columns, point_columns, sessions_columns
from tapeline.jobs.compare.level_means import LevelMean, level_mean
from tapeline.jobs.levels.inherited_doubt import doubt_columns
from tapeline.jobs.term_columns import term_columns
from tapeline.statistics.combined_uncertainty import Evidence, Term, combined
from tapeline.statistics.comparison import Difference
from tapeline.statistics.repeat_pools import RepeatPools
from tapeline.statistics.significance import student_factor
from tapeline.statistics.uncertainty_terms import (
    ALL_TERMS,
    ASSUMED_BETWEEN_SESSIONS,
    BACKGROUND,
    BETWEEN_SESSIONS,
    CALIBRATION,
    CANCELLING_TERMS,
    SPEED,
    part_of_calibration,
)

if TYPE_CHECKING:
    from tapeline.store.rows import BudgetsRow

EITHER = (BETWEEN_SESSIONS.name, ASSUMED_BETWEEN_SESSIONS.name)
"""Of these two one is there: the change between sessions was measured or is assumed."""


def absolute_rows(job: ComparisonJob, pools: RepeatPools) -> Iterator[list[BudgetsRow]]:
    """One row a session, condition, operating point, position and band or overall level that has a value.

    All points of one session and condition at a time, in the order that the table is sorted by.
    """
    for _, cells in itertools.groupby(job.cells.items(), key=lambda cell: cell[0][:2]):
        means = [level_mean(job, runs, pools.of_cell(key)) for key, runs in cells if job.known(runs)]
        yield [row for mean in means for row in _absolute(job, mean)]


def _absolute(job: ComparisonJob, mean: LevelMean) -> Iterator[BudgetsRow]:
    """The rows of one session, condition and operating point."""
    names, used = job.used(mean.runs)
    first, evidence = mean.runs[0], _evidence(job, mean.runs)
    common: BudgetsRow = {
        "budget": "absolute",
        "session_label": first.session,
        "condition": first.condition,
        **point_columns((first.speed_mps, first.yaw_deg)),
    }
    for p, position in enumerate(job.cube.positions):
        calibration = _calibration_terms(job, first.session, position)
        for i, item in enumerate(job.cube.items):
            if not np.isfinite(mean.mean_db[p, i]):
                continue
            budget = _budget([*_terms_at(mean.terms, evidence, p, i), *calibration])
            degrees = budget["degrees_of_freedom"] or math.inf
            reach = _reach(degrees, job.needs.confidence) * budget["standard_uncertainty_db"]
            level = float(mean.mean_db[p, i] - mean.added_db[p, i])
            runs = [name for r, name in enumerate(names) if used[r, p, i]]
            yield {
                **common,
                "position": position,
                **item_columns(item),
                **budget,
                "runs": runs,
                **doubt_columns(job.cube, runs, p, i),
                "level_db": level,
                "lower_db": level - reach,
                "upper_db": level + reach,
            }


def difference_rows(
    job: ComparisonJob, comparison: str, pair: Pair, result: Difference, pairings: Mapping[str, str]
) -> Iterator[BudgetsRow]:
    """One row a position and band or overall level whose difference has a value; what cancels stands there as 0."""
    first, second = pair.sessions
    common: BudgetsRow = {
        "budget": "difference",
        "comparison": comparison,
        "session_label": sessions_columns(first, second)["session_label"],
        **point_columns(pair.point),
    }
    (left, used_left), (right, used_right) = (job.used(runs) for runs in (pair.reference, pair.treatment))
    evidence = _evidence(job, [*pair.reference, *pair.treatment])
    nothing = [Term(term.name, 0.0, "measured") for term in CANCELLING_TERMS if term.name not in result.terms]
    for p, position in enumerate(job.cube.positions):
        of_calibration = [term for s in pair.sessions for term in _calibration_terms(job, s, position)]
        largest = max(of_calibration, key=lambda term: term.contribution, default=None)
        evidence[CALIBRATION.name] = largest.evidence if largest else "measured"
        for i, item in enumerate(job.cube.items):
            if not np.isfinite(result.difference_db[p, i]):
                continue
            found = _terms_at(result.terms, evidence, p, i)
            terms = [*(t for t in found if t.contribution > 0.0 or t.name not in EITHER), *nothing]
            runs = [name for r, name in enumerate(left) if used_left[r, p, i]]
            runs += [name for r, name in enumerate(right) if used_right[r, p, i]]
            yield {
                **common,
                "position": position,
                **item_columns(item),
                **_budget(terms),
                "pairing": pairings[position],
                "runs": runs,
                **doubt_columns(job.cube, runs, p, i),
                "level_db": float(result.difference_db[p, i]),
                "lower_db": float(result.lower_db[p, i]),
                "upper_db": float(result.upper_db[p, i]),
            }


def _evidence(job: ComparisonJob, runs: Sequence[CompareRun]) -> dict[str, Evidence]:
    """Where the terms come from; one background run alone, or a speed that nobody measured, leaves an assumption."""
    found = {term.name: term.evidence_where(job.needs.stated_settings) for term in ALL_TERMS}
    if not all(run.speed_is_measured for run in runs):
        found[SPEED.name] = "default"
    if any(len(run.background) == 1 for run in runs):
        found[BACKGROUND.name] = "default"
    return found


def _calibration_terms(job: ComparisonJob, session: str, position: str) -> list[Term]:
    row = job.calibration.get((session, position)) or {}
    evidence = cast(list[Evidence], row.get("terms_evidence", []))  # a table knows texts alone
    columns = zip(row.get("terms", []), row.get("terms_db", []), evidence, strict=True)
    return [Term(part_of_calibration(name), value, how) for name, value, how in columns]


def _terms_at(terms: Mapping[str, tuple[Reals, Reals]], evidence: Mapping[str, Evidence], p: int, i: int) -> list[Term]:
    return [
        Term(name, math.sqrt(float(variance[p, i])), evidence[name], float(degrees[p, i]))
        for name, (variance, degrees) in terms.items()
    ]


def _budget(terms: list[Term]) -> BudgetsRow:
    """The list columns of the terms, largest first, and their sum."""
    ordered = sorted(terms, key=lambda term: (-term.contribution, term.name))
    whole = combined(ordered)
    return {
        **term_columns(ordered),
        "terms_degrees_of_freedom": [finite_or_none(term.degrees_of_freedom) for term in ordered],
        "standard_uncertainty_db": whole.standard_uncertainty,
        "degrees_of_freedom": finite_or_none(whole.degrees_of_freedom),
    }


def _reach(degrees_of_freedom: float, confidence: float) -> float:
    return float(student_factor(max(degrees_of_freedom, 1.0), confidence))
