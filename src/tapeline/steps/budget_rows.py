"""Rows of the table `budgets`: what the uncertainty of a level, and of a difference, is made of."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tapeline.acoustics.comparison import Difference, Scatter, background_beyond, cell_of, run_to_run
from tapeline.acoustics.statistics import student_factor
from tapeline.acoustics.uncertainty import Evidence, Term, combined
from tapeline.acoustics.windows import Reals
from tapeline.campaign.slices import CompareRun
from tapeline.steps.compared_runs import Job, Pair
from tapeline.steps.lasting_terms import ASSUMED
from tapeline.steps.level_cube import SHARED_TERMS, Item
from tapeline.steps.term_columns import term_columns

CANCELLED = ("calibration", "response", "environment", "mounting")
"""Terms that levels of one session and mount share, so that their difference is free of them."""

FROM_SETTINGS = ("response", "environment", "mounting")

EITHER = ("between sessions", ASSUMED)
"""Of these two one is there: the change between sessions was measured or is assumed."""


@dataclass(frozen=True)
class LevelMean:
    """One condition at one operating point in one session: its runs and their mean levels, (positions, items)."""

    runs: tuple[CompareRun, ...]
    mean_db: Reals
    terms: dict[str, tuple[Reals, Reals]]


def absolute_rows(job: Job, scatter: Mapping[str, Scatter]) -> Iterator[list[dict[str, Any]]]:
    """One row a session, condition, operating point, position and band or overall level that has a value.

    All points of one session and condition at a time, in the order that the table is sorted by.
    """
    by_cell: dict[tuple[str, str], dict[tuple[float, float], list[CompareRun]]] = {}
    for run in job.needs.runs:
        points = by_cell.setdefault((run.session, run.condition), {})
        points.setdefault((run.speed_mps, run.yaw_deg), []).append(run)
    for (session, _), points in sorted(by_cell.items()):
        known = (tuple(runs) for _, runs in sorted(points.items()))
        means = [_level_mean(job, runs, scatter[session]) for runs in known if job.known(runs)]
        yield [row for mean in means for row in _absolute(job, mean)]


def _absolute(job: Job, mean: LevelMean) -> Iterator[dict[str, Any]]:
    """The rows of one session, condition and operating point."""
    names, used = job.used(mean.runs)
    first, evidence = mean.runs[0], _evidence(mean.runs)
    common = {
        "budget": "absolute",
        "sessions": first.session,
        "condition": first.condition,
        "speed_mps": first.speed_mps,
        "yaw_deg": first.yaw_deg,
    }
    for p, position in enumerate(job.cube.positions):
        calibration = _calibration_terms(job, first.session, position)
        for i, item in enumerate(job.cube.items):
            if not np.isfinite(mean.mean_db[p, i]):
                continue
            budget = _budget([*_terms_at(mean.terms, evidence, p, i), *calibration])
            freedom = budget["degrees_of_freedom"] or math.inf
            reach = _reach(freedom, job.needs.confidence) * budget["standard_uncertainty_db"]
            level = float(mean.mean_db[p, i])
            yield (
                common
                | _place(position, item)
                | budget
                | {
                    "runs": [name for r, name in enumerate(names) if used[r, p, i]],
                    "level_db": level,
                    "low_db": level - reach,
                    "high_db": level + reach,
                }
            )


def difference_rows(
    job: Job, comparison: str, pair: Pair, result: Difference, pairings: Mapping[str, str]
) -> Iterator[dict[str, Any]]:
    """One row a position and band or overall level whose difference has a value; what cancels stands there as 0."""
    first, second = pair.sessions
    common = {
        "budget": "difference",
        "comparison": comparison,
        "sessions": first if first == second else f"{first} + {second}",
        "speed_mps": pair.point[0],
        "yaw_deg": pair.point[1],
    }
    (left, used_left), (right, used_right) = (job.used(runs) for runs in (pair.reference, pair.treatment))
    evidence = _evidence([*pair.reference, *pair.treatment]) | {ASSUMED: "default"}
    nothing = [Term(name, 0.0, "measured") for name in CANCELLED if name not in result.terms]
    for p, position in enumerate(job.cube.positions):
        of_calibration = [term for s in pair.sessions for term in _calibration_terms(job, s, position)]
        largest = max(of_calibration, key=lambda term: term.contribution, default=None)
        evidence["calibration"] = largest.evidence if largest else "measured"
        for i, item in enumerate(job.cube.items):
            if not np.isfinite(result.difference_db[p, i]):
                continue
            found = _terms_at(result.terms, evidence, p, i)
            terms = [*(t for t in found if t.contribution > 0.0 or t.name not in EITHER), *nothing]
            runs = [name for r, name in enumerate(left) if used_left[r, p, i]]
            yield (
                common
                | _place(position, item)
                | _budget(terms)
                | {
                    "pairing": pairings[position],
                    "runs": runs + [name for r, name in enumerate(right) if used_right[r, p, i]],
                    "level_db": float(result.difference_db[p, i]),
                    "low_db": float(result.lower_db[p, i]),
                    "high_db": float(result.upper_db[p, i]),
                }
            )


def _level_mean(job: Job, runs: tuple[CompareRun, ...], scatter: Scatter) -> LevelMean:
    """Means over the runs, and the terms of their uncertainty: what each run has of its own becomes less by repeats."""
    cell = cell_of(job.cube.levels(job.known(runs)))
    names, used = job.used(runs)
    index = [job.cube.runs.index(name) for name in names]
    count = np.maximum(cell.count, 1)
    certain = np.full(cell.mean_db.shape, np.inf)
    random, repeats, freedom = run_to_run(cell, scatter)
    terms = {
        "random error": (random, certain),
        "background": (cell.background_db**2 + background_beyond(cell, scatter), certain),
        "repeats": (repeats, freedom),
    }
    repeated = repeats > 0.0
    for name in SHARED_TERMS:
        if name == "calibration":
            continue
        squares = np.where(used, np.nan_to_num(job.cube.values[f"{name}_uncertainty_db"][index]) ** 2, 0.0).sum(axis=0)
        mean = squares / np.maximum(used.sum(axis=0), 1)
        # How steady a run was is among the scatter of its repeats.
        terms[name] = (np.where(repeated, 0.0, mean / count) if name == "steadiness" else mean, certain)
    return LevelMean(runs, cell.mean_db, terms)


def _evidence(runs: Sequence[CompareRun]) -> dict[str, Evidence]:
    """Where the terms come from; one background run alone, or a speed that nobody measured, leaves an assumption."""
    found: dict[str, Evidence] = dict.fromkeys(FROM_SETTINGS, "default")
    if not all(run.speed_is_measured for run in runs):
        found["speed"] = "default"
    if any(len(run.background) == 1 for run in runs):
        found["background"] = "default"
    return found


def _calibration_terms(job: Job, session: str, position: str) -> list[Term]:
    row = job.calibration.get((session, position)) or {}
    columns = (row.get(name) or [] for name in ("terms", "terms_db", "terms_evidence"))
    return [Term(f"calibration: {name}", value, evidence) for name, value, evidence in zip(*columns, strict=True)]


def _terms_at(terms: Mapping[str, tuple[Reals, Reals]], evidence: Mapping[str, Evidence], p: int, i: int) -> list[Term]:
    return [
        Term(name, math.sqrt(float(variance[p, i])), evidence.get(name, "measured"), float(freedom[p, i]))
        for name, (variance, freedom) in terms.items()
    ]


def _budget(terms: list[Term]) -> dict[str, Any]:
    """The list columns of the terms, largest first, and their sum."""
    ordered = sorted(terms, key=lambda term: (-term.contribution, term.name))
    whole = combined(ordered)
    freedom = whole.degrees_of_freedom
    return {
        **term_columns(ordered),
        "terms_degrees_of_freedom": [term.degrees_of_freedom for term in ordered],
        "standard_uncertainty_db": whole.standard_uncertainty,
        "degrees_of_freedom": freedom if math.isfinite(freedom) else None,
    }


def _reach(degrees_of_freedom: float, confidence: float) -> float:
    return float(student_factor(min(max(degrees_of_freedom, 1.0), 1e9), confidence))


def _place(position: str, item: Item) -> dict[str, Any]:
    return {
        "position": position,
        "quantity": item.quantity,
        "weighting": item.weighting,
        "band_hz": item.band_hz,
        "lower_hz": item.lower_hz,
        "upper_hz": item.upper_hz,
    }
