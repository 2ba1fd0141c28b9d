"""Step `compare`: treatment against reference at the same position, speed and yaw; and what to work on first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits
from tapeline.acoustics.comparison import (
    Cell,
    Difference,
    Scatter,
    between_sessions_variance,
    cell_of,
    difference,
    findings,
    pooled_scatter,
)
from tapeline.acoustics.contribution import MeanLevel, contribution
from tapeline.acoustics.statistics import benjamini_hochberg, student_factor
from tapeline.acoustics.windows import Reals
from tapeline.campaign.plan import Plan
from tapeline.campaign.settings import Comparison
from tapeline.campaign.slices import CompareNeeds, CompareRun
from tapeline.steps import places
from tapeline.steps.common_part import common_part, same_edges
from tapeline.steps.level_cube import LevelCube, load_cube
from tapeline.steps.ranking import ranking_rows
from tapeline.store import parquet, tables

Point = tuple[float, float]
BASES = ("random error", "pooled repeats", "own repeats")
WORST_FIRST = ("bound", "limited", "none", "corrected", "clear")
ASSUMED_FREEDOM = 2.0
"""Degrees of freedom given to a variance that is a setting and no measurement (own choice: little trust)."""


@dataclass(frozen=True)
class Pair:
    """The runs of both conditions that one set of differences is made from."""

    reference: tuple[CompareRun, ...]
    treatment: tuple[CompareRun, ...]
    point: Point

    @property
    def sessions(self) -> tuple[str, str]:
        return self.reference[0].session, self.treatment[0].session


@dataclass(frozen=True)
class Job:
    """What all parts of the step share."""

    needs: CompareNeeds
    cube: LevelCube
    calibration: dict[tuple[str, str], dict[str, Any]]
    limits: MarginLimits

    def known(self, runs: tuple[CompareRun, ...]) -> list[str]:
        """Names of those runs that have levels at all."""
        known = set(self.cube.runs)
        return [run.run for run in runs if run.run in known]

    def cell(self, runs: tuple[CompareRun, ...], compared: NDArray[np.bool_] | None = None) -> Cell:
        """The repeats of some runs put together; `compared` (positions, items) leaves out the rest."""
        return cell_of(self.cube.levels(self.known(runs), compared))


def run(plan: Plan) -> None:
    """Write the comparisons and ranking tables."""
    needs = plan.compare_needs()
    results, digest = plan.campaign.results, plan.digest("compare")
    job = Job(needs, load_cube(results), _calibration(results), _limits(needs))
    scatter = _scatter_by_session(job)
    rows = [row for name, c in needs.comparisons.items() for row in _comparison_rows(job, name, c, scatter)]
    stamp = {"campaign": needs.campaign, "digest": digest}
    parquet.write_rows(tables.COMPARISONS, places.campaign_table(results, "comparisons"), rows, **stamp)
    ranked = ranking_rows(rows, needs)
    parquet.write_rows(tables.RANKING, places.campaign_table(results, "ranking"), ranked, **stamp)


def _calibration(results: Path) -> dict[tuple[str, str], dict[str, Any]]:
    rows = parquet.read_rows(places.campaign_table(results, "calibration"))
    return {(row["session"], row["position"]): row for row in rows}


def _limits(needs: CompareNeeds) -> MarginLimits:
    b = needs.background
    return MarginLimits(b.no_correction_above_db, b.enough_margin_db, b.least_margin_db, b.bound_factor)


def _pairs(job: Job, comparison: Comparison) -> Iterator[Pair]:
    """Per operating point: each session that has both conditions; where none has, each pair of sessions that do."""
    by_cell: dict[tuple[str, Point, str], list[CompareRun]] = {}
    for item in job.needs.runs:
        by_cell.setdefault((item.condition, (item.speed_mps, item.yaw_deg), item.session), []).append(item)
    for point in sorted({key[1] for key in by_cell}):
        reference, treatment = (
            {key[2]: tuple(runs) for key, runs in sorted(by_cell.items()) if key[:2] == (condition, point)}
            for condition in (comparison.reference, comparison.treatment)
        )
        shared = sorted(set(reference) & set(treatment))
        pairs = [(s, s) for s in shared] or [(r, t) for r in sorted(reference) for t in sorted(treatment)]
        for first, second in pairs:
            yield Pair(reference[first], treatment[second], point)


def _scatter_by_session(job: Job) -> dict[str, Scatter]:
    """Scatter of repeats, pooled over all conditions and operating points of a session.

    A session without repeats gets the scatter of all sessions together.
    """
    groups: dict[str, dict[tuple[str, Point], list[str]]] = {}
    known = set(job.cube.runs)
    for item in job.needs.runs:
        cells = groups.setdefault(item.session, {})
        if item.run in known:
            cells.setdefault((item.condition, (item.speed_mps, item.yaw_deg)), []).append(item.run)
    items = len(job.cube.items)
    pooled = job.needs.compare.repeats_pooled
    levels = {name: [job.cube.levels(runs) for runs in cells.values() if pooled] for name, cells in groups.items()}
    everything = pooled_scatter([group for found in levels.values() for group in found], items)
    own = {name: pooled_scatter(found, items) for name, found in levels.items()}
    return {name: one if one.degrees_of_freedom.any() else everything for name, one in own.items()}


def _comparison_rows(job: Job, name: str, comparison: Comparison, scatter: dict[str, Scatter]) -> list[dict[str, Any]]:
    if not job.cube.items:
        return []
    pairs = list(_pairs(job, comparison))
    alike = {id(pair): same_edges(job.cube, job.known(pair.reference), job.known(pair.treatment)) for pair in pairs}
    cells = {
        key: (job.cell(pair.reference, alike[key]), job.cell(pair.treatment, alike[key]))
        for key, pair in ((id(pair), pair) for pair in pairs)
    }
    results, lasting = [], []
    for pair in pairs:
        reference, treatment = cells[id(pair)]
        same_background = {r.background for r in pair.reference} == {r.background for r in pair.treatment}
        scatters = (scatter[pair.sessions[0]], scatter[pair.sessions[1]])
        extra = _lasting_variance(job, pair, scatters)
        lasting.append(extra[0])
        results.append(
            difference(reference, treatment, scatters, extra, job.needs.confidence, same_background=same_background)
        )
    adjusted = _adjusted(job, results)
    rows: list[dict[str, Any]] = []
    for pair, result, extra_variance, (adjusted_p, family) in zip(pairs, results, lasting, adjusted, strict=True):
        made = _pair_rows(job, name, comparison, pair, cells[id(pair)], result, extra_variance, adjusted_p, family)
        parts = _common_parts(job, pair, alike[id(pair)])
        rows += [row | {"common_part": parts[row["position"]]} for row in made]
    return rows


def _common_parts(job: Job, pair: Pair, alike: NDArray[np.bool_]) -> dict[str, str | None]:
    """What is compared at each position, where one condition has more than the other."""
    runs = (job.known(pair.reference), job.known(pair.treatment))
    return {name: common_part(job.cube, *runs, alike, p) for p, name in enumerate(job.cube.positions)}


def _adjusted(job: Job, results: list[Difference]) -> list[tuple[Reals, Reals]]:
    """Benjamini-Hochberg over a comparison's bands, and apart from them over its overall levels; with family sizes."""
    if not results:
        return []
    p = np.stack([result.p_value for result in results])
    bands = np.array([item.quantity == "band" for item in job.cube.items])
    adjusted, sizes = np.full(p.shape, np.nan), np.zeros(p.shape)
    for family in (bands, ~bands):
        part = p[:, :, family]
        adjusted[:, :, family] = benjamini_hochberg(part.ravel()).reshape(part.shape)
        sizes[:, :, family] = np.count_nonzero(np.isfinite(part))
    return [(adjusted[k], sizes[k]) for k in range(len(results))]


def _lasting_variance(job: Job, pair: Pair, scatters: tuple[Scatter, Scatter]) -> tuple[Reals, Reals]:
    """What does not average out over repeats: drift within a session; calibration and mounting between sessions."""
    shape = (len(job.cube.positions), len(job.cube.items))
    first, second = pair.sessions
    variance, freedom = np.zeros(shape), np.full(shape, np.inf)
    between, between_freedom = _between(job, scatters, first, second) if first != second else (None, None)
    for p, position in enumerate(job.cube.positions):
        if between is None or between_freedom is None:
            drift = (job.calibration.get((first, position)) or {}).get("drift_db") or 0.0
            variance[p] = drift**2 / 6.0
            continue
        for session in pair.sessions:
            known = job.calibration.get((session, position)) or {}
            variance[p] += (known.get("standard_uncertainty_db") or 0.0) ** 2
        mounted = (
            job.needs.compare.session_sd_db
            if _same_mount(job, position, pair.sessions)
            else (job.needs.compare.remount_sd_db)
        )
        variance[p] += 2.0 * np.where(between_freedom > 0, between, mounted**2)
        freedom[p] = np.where(between_freedom > 0, between_freedom, ASSUMED_FREEDOM)
    return variance, freedom


def _between(job: Job, scatters: tuple[Scatter, Scatter], first: str, second: str) -> tuple[Reals, Reals]:
    grouped: dict[tuple[str, Point], dict[str, list[CompareRun]]] = {}
    for item in job.needs.runs:
        if item.session in (first, second):
            key = (item.condition, (item.speed_mps, item.yaw_deg))
            grouped.setdefault(key, {}).setdefault(item.session, []).append(item)
    twice = [
        (job.cell(tuple(by_session[first])), job.cell(tuple(by_session[second])))
        for _, by_session in sorted(grouped.items())
        if len(by_session) == 2
    ]
    return between_sessions_variance(twice, scatters, len(job.cube.items))


def _same_mount(job: Job, position: str, sessions: tuple[str, str]) -> bool:
    mounts = {(session, place): mount for session, place, mount in job.needs.mounts}
    names = [mounts.get((session, position)) for session in sessions]
    return names[0] is not None and names[0] == names[1]


def _pair_rows(
    job: Job,
    name: str,
    comparison: Comparison,
    pair: Pair,
    cells: tuple[Cell, Cell],
    result: Difference,
    extra_variance: Reals,
    adjusted_p: Reals,
    family: Reals,
) -> Iterator[dict[str, Any]]:
    words = findings(result, adjusted_p, job.needs.confidence, job.needs.compare.practical_threshold_db)
    opened, sign = _opened(job, comparison)
    # What does not average out belongs to both levels alike: half of its variance each.
    errors = [np.sqrt(e**2 + extra_variance / 2.0) for e in (result.reference_error_db, result.treatment_error_db)]
    means = tuple(MeanLevel(cell.mean_db, error, cell.upper_db) for cell, error in zip(cells, errors, strict=True))
    opened_mean, closed_mean = means[::-1] if sign > 0 else means
    louder_closed = result.upper_db < 0.0 if sign > 0 else result.lower_db > 0.0
    factor = student_factor(np.minimum(result.degrees_of_freedom, 1e9), job.needs.confidence)
    shared = _shared_uncertainty(job, pair)
    part = contribution(opened_mean, closed_mean, shared, louder_closed, factor, job.limits)
    first, second = pair.sessions
    for p, position in enumerate(job.cube.positions):
        pairing = _pairing(job, position, pair.sessions)
        for i, item in enumerate(job.cube.items):
            lists = [_used(job, runs, p, i) for runs in (pair.reference, pair.treatment)]
            if words[p, i] is None or not all(lists):
                continue
            yield {
                "comparison": name,
                "sessions": first if first == second else f"{first} + {second}",
                "reference_session": first,
                "treatment_session": second,
                "reference": comparison.reference,
                "treatment": comparison.treatment,
                "position": position,
                "speed_mps": pair.point[0],
                "yaw_deg": pair.point[1],
                "quantity": item.quantity,
                "weighting": item.weighting,
                "band_hz": item.band_hz,
                "midband_hz": item.midband_hz,
                "lower_hz": item.lower_hz,
                "upper_hz": item.upper_hz,
                "reference_level_db": _number(cells[0].mean_db[p, i]),
                "treatment_level_db": _number(cells[1].mean_db[p, i]),
                "difference_db": _number(result.difference_db[p, i]),
                "lower_db": _number(result.lower_db[p, i]),
                "upper_db": _number(result.upper_db[p, i]),
                "standard_error_db": _number(result.standard_error_db[p, i]),
                "degrees_of_freedom": _number(result.degrees_of_freedom[p, i]),
                "interval_basis": BASES[result.basis[p, i]] if pairing == "same-session" else "remounting",
                "p_value": _number(result.p_value[p, i]),
                "adjusted_p_value": _number(adjusted_p[p, i]),
                "family_size": int(family[p, i]),
                "finding": words[p, i],
                "pairing": pairing,
                "reference_runs": lists[0],
                "treatment_runs": lists[1],
                "reference_available": len(pair.reference),
                "treatment_available": len(pair.treatment),
                "opened": opened,
                "contribution_level_db": _number(part.level_db[p, i]),
                "contribution_lower_db": _number(part.lower_db[p, i]),
                "contribution_upper_db": _number(part.upper_db[p, i]),
                "contribution_share": _number(part.share[p, i]),
                "contribution_state": part.state[p, i],
                "state": _worst_state(job, lists[0] + lists[1], p, i),
                "doubtful": any(job.cube.doubtful[job.cube.runs.index(run), p] for run in lists[0] + lists[1]),
            }


def _shared_uncertainty(job: Job, pair: Pair) -> Reals:
    """Uncertainty (dB) of the sensitivities that both levels of a pair share, shape (positions, 1).

    Levels of two sessions share none; there each one's own is among what does not average out.
    """
    first, second = pair.sessions
    rows = [(job.calibration.get((first, p)) or {}) if first == second else {} for p in job.cube.positions]
    return np.array([[row.get("standard_uncertainty_db") or 0.0] for row in rows])


def _opened(job: Job, comparison: Comparison) -> tuple[str, int]:
    """The condition with less applied and +1 where it is the treatment, -1 where it is the reference.

    Where neither set of treatments holds the other, the treatment counts as the opened state.
    """
    reference = set(job.needs.applied.get(comparison.reference, ()))
    treatment = set(job.needs.applied.get(comparison.treatment, ()))
    return (comparison.reference, -1) if treatment > reference else (comparison.treatment, 1)


def _used(job: Job, runs: tuple[CompareRun, ...], p: int, i: int) -> list[str]:
    """The runs that have a level or a bound of the item at the position, and are usable there."""
    known = {name: r for r, name in enumerate(job.cube.runs)}
    places = [(item.run, known[item.run]) for item in runs if item.run in known]
    return [name for name, r in places if job.cube.known[r, p, i]]


def _pairing(job: Job, position: str, sessions: tuple[str, str]) -> str:
    if sessions[0] == sessions[1]:
        return "same-session"
    return "same-mount" if _same_mount(job, position, sessions) else "remounted"


def _worst_state(job: Job, runs: list[str], p: int, i: int) -> str | None:
    codes = {int(job.cube.state[job.cube.runs.index(name), p, i]) for name in runs}
    names = {tables.STATES[code] for code in codes if code >= background.NONE}
    return next((name for name in WORST_FIRST if name in names), None)


def _number(value: Any) -> float | None:
    return None if np.isnan(value) else float(value)
