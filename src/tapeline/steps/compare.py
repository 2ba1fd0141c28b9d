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
from tapeline.acoustics.comparison import Cell, Difference, Scatter, difference, findings
from tapeline.acoustics.contribution import MeanLevel, contribution
from tapeline.acoustics.statistics import benjamini_hochberg, student_factor
from tapeline.acoustics.windows import Reals
from tapeline.campaign.plan import Plan
from tapeline.campaign.settings import Comparison
from tapeline.campaign.slices import CompareNeeds
from tapeline.steps import places
from tapeline.steps.budget_rows import absolute_rows, difference_rows
from tapeline.steps.common_part import common_part, same_edges
from tapeline.steps.compared_runs import Job, Pair, pairs_of, scatter_by_session
from tapeline.steps.lasting_terms import lasting_terms, same_mount
from tapeline.steps.level_cube import load_cube
from tapeline.steps.ranking import ranking_rows
from tapeline.store import parquet, tables

BASES = ("random error", "pooled repeats", "own repeats")
WORST_FIRST = ("bound", "limited", "none", "corrected", "clear")


@dataclass(frozen=True)
class Compared:
    """One pair with its two cells, their difference, and the p-values and family sizes after adjusting."""

    pair: Pair
    alike: NDArray[np.bool_]
    cells: tuple[Cell, Cell]
    result: Difference
    lasting_variance: Reals
    adjusted_p: Reals
    family: Reals


def run(plan: Plan) -> None:
    """Write the tables of comparisons, of the ranking and of the budgets."""
    needs = plan.compare_needs()
    results, digest = plan.campaign.results, plan.digest("compare")
    job = Job(needs, load_cube(results, needs.background.references), _calibration(results), _limits(needs))
    scatter = scatter_by_session(job)
    stamp = {"campaign": needs.campaign, "digest": digest}
    rows: list[dict[str, Any]] = []
    with parquet.writing_parts(tables.BUDGETS, places.campaign_table(results, tables.BUDGETS.name), **stamp) as budgets:
        for part in absolute_rows(job, scatter) if job.cube.items else ():
            budgets.write_rows(part)
        for name, comparison in needs.comparisons.items():
            compared = _compared(job, comparison, scatter)
            rows += [row for found in compared for row in _pair_rows(job, name, comparison, found)]
            budgets.write_rows(row for found in compared for row in _differences(job, name, found))
    contents = {tables.COMPARISONS: rows, tables.RANKING: ranking_rows(rows, needs)}
    for table, content in contents.items():
        parquet.write_rows(table, places.campaign_table(results, table.name), content, **stamp)


def _differences(job: Job, name: str, found: Compared) -> Iterator[dict[str, Any]]:
    pairings = {position: _pairing(job, position, found.pair.sessions) for position in job.cube.positions}
    return difference_rows(job, name, found.pair, found.result, pairings)


def _calibration(results: Path) -> dict[tuple[str, str], dict[str, Any]]:
    rows = parquet.read_rows(places.campaign_table(results, "calibration"))
    return {(row["session"], row["position"]): row for row in rows}


def _limits(needs: CompareNeeds) -> MarginLimits:
    b = needs.background
    return MarginLimits(b.no_correction_above_db, b.enough_margin_db, b.least_margin_db, b.bound_factor)


def _compared(job: Job, comparison: Comparison, scatter: dict[str, Scatter]) -> list[Compared]:
    """All pairs of one comparison; p-values are adjusted over all of them."""
    if not job.cube.items:
        return []
    found = []
    for pair in pairs_of(job, comparison):
        alike = same_edges(job.cube, job.known(pair.reference), job.known(pair.treatment))
        cells = job.cell(pair.reference, alike), job.cell(pair.treatment, alike)
        scatters = (scatter[pair.sessions[0]], scatter[pair.sessions[1]])
        terms = lasting_terms(job, pair, scatters)
        result = difference(*cells, scatters, terms, job.needs.confidence, same_background=_same_background(pair))
        lasting = np.sum([variance for variance, _ in terms.values()], axis=0)
        found.append((pair, alike, cells, result, lasting))
    adjusted = _adjusted(job, [result for _, _, _, result, _ in found])
    return [Compared(*one, *sizes) for one, sizes in zip(found, adjusted, strict=True)]


def _same_background(pair: Pair) -> bool:
    """Whether both sides have the same background runs; what has none at all says nothing."""
    sides = [{run.background for run in runs if run.background} for runs in (pair.reference, pair.treatment)]
    return sides[0] == sides[1]


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


def _pair_rows(job: Job, name: str, comparison: Comparison, found: Compared) -> Iterator[dict[str, Any]]:
    pair, cells, result, adjusted_p = found.pair, found.cells, found.result, found.adjusted_p
    words = findings(result, adjusted_p, job.needs.confidence, job.needs.compare.practical_threshold_db)
    opened, sign = _opened(job, comparison)
    # What does not average out belongs to both levels alike: half of its variance each.
    own = (result.reference_error_db, result.treatment_error_db)
    errors = [np.sqrt(error**2 + found.lasting_variance / 2.0) for error in own]
    means = tuple(MeanLevel(cell.mean_db, error, cell.upper_db) for cell, error in zip(cells, errors, strict=True))
    opened_mean, closed_mean = means[::-1] if sign > 0 else means
    louder_closed = result.upper_db < 0.0 if sign > 0 else result.lower_db > 0.0
    factor = student_factor(np.minimum(result.degrees_of_freedom, 1e9), job.needs.confidence)
    shared = _shared_uncertainty(job, pair)
    part = contribution(opened_mean, closed_mean, shared, louder_closed, factor, job.limits)
    first, second = pair.sessions
    common = _common_parts(job, pair, found.alike)
    sides = [job.used(runs) for runs in (pair.reference, pair.treatment)]
    for p, position in enumerate(job.cube.positions):
        pairing = _pairing(job, position, pair.sessions)
        for i, item in enumerate(job.cube.items):
            lists = [[name for r, name in enumerate(names) if used[r, p, i]] for names, used in sides]
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
                "family_size": int(found.family[p, i]),
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
                "common_part": common[position],
                "doubtful": _one_sided(job, lists, p, i)
                or any(job.cube.doubtful[job.cube.runs.index(run), p, i] for run in lists[0] + lists[1]),
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


def _pairing(job: Job, position: str, sessions: tuple[str, str]) -> str:
    if sessions[0] == sessions[1]:
        return "same-session"
    return "same-mount" if same_mount(job, position, sessions) else "remounted"


def _one_sided(job: Job, lists: list[list[str]], p: int, i: int) -> bool:
    """Whether more could be taken off one side than off the other, and something was."""
    places = [[job.cube.runs.index(name) for name in names] for names in lists]
    most = [max(int(job.cube.taken_off[r, p, i]) for r in side) for side in places]
    return most[0] != most[1] and any(job.cube.state[r, p, i] >= background.CORRECTED for side in places for r in side)


def _worst_state(job: Job, runs: list[str], p: int, i: int) -> str | None:
    codes = {int(job.cube.state[job.cube.runs.index(name), p, i]) for name in runs}
    names = {tables.STATES[code] for code in codes if code >= background.NONE}
    return next((name for name in WORST_FIRST if name in names), None)


def _number(value: Any) -> float | None:
    return None if np.isnan(value) else float(value)
