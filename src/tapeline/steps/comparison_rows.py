"""Rows of the table `comparisons`: a difference, the words for it, and what the opened state contributes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.comparison import Difference
from tapeline.campaign.settings import Comparison
from tapeline.steps.cell_values import finite_or_none
from tapeline.steps.common_part import common_part
from tapeline.steps.compared_pairs import Compared, pairing_of
from tapeline.steps.compared_runs import Job, Pair
from tapeline.steps.contributed import Contributed
from tapeline.steps.drift_rows import Drifts, order_of_runs
from tapeline.steps.item_columns import item_columns, point_columns, sessions_columns
from tapeline.steps.lasting_terms import ASSUMED_REPEATS, BETWEEN
from tapeline.store import tables

BASES = ("random error", "pooled repeats", "own repeats")
"""Where the interval of a difference within a session comes from, by `Difference.basis`."""

WORST_FIRST = ("bound", "limited", "none", "corrected", "clear")


def comparison_rows(
    job: Job,
    name: str,
    comparison: Comparison,
    found: Compared,
    adds: Contributed,
    drifts: Drifts,
) -> Iterator[dict[str, Any]]:
    """One row a position and band or overall level that can be compared, in the words of the table."""
    pair, cells, result, adjusted_p = found.pair, found.cells, found.result, found.adjusted_p
    part, words = adds.part, adds.words
    common = _common_parts(job, pair, found.alike)
    order = order_of_runs(job, pair, drifts)
    sides = [job.used(runs) for runs in (pair.reference, pair.treatment)]
    for p, position in enumerate(job.cube.positions):
        pairing = pairing_of(job, position, pair.sessions)
        for i, item in enumerate(job.cube.items):
            lists = [[name for r, name in enumerate(names) if used[r, p, i]] for names, used in sides]
            if words[p, i] is None or not all(lists):
                continue
            yield {
                "comparison": name,
                **sessions_columns(*pair.sessions),
                "reference": comparison.reference,
                "treatment": comparison.treatment,
                "position": position,
                **point_columns(pair.point),
                **item_columns(item),
                "midband_hz": item.midband_hz,
                "reference_level_db": _number(cells[0].mean_db[p, i]),
                "treatment_level_db": _number(cells[1].mean_db[p, i]),
                "difference_db": _number(result.difference_db[p, i]),
                "lower_db": _number(result.lower_db[p, i]),
                "upper_db": _number(result.upper_db[p, i]),
                "standard_error_db": _number(result.standard_error_db[p, i]),
                "degrees_of_freedom": finite_or_none(result.degrees_of_freedom[p, i]),
                "interval_basis": _basis(result, p, i),
                "p_value": _number(result.p_value[p, i]),
                "adjusted_p_value": _number(adjusted_p[p, i]),
                "bracketed": None if order is None else bool(order.bracketed[p, i]),
                "drift_effect_db": None if order is None else finite_or_none(order.effect_db[p, i]),
                "drift_effect_uncertainty_db": None if order is None else finite_or_none(order.uncertainty_db[p, i]),
                "family_size": int(found.family[p, i]),
                "finding": words[p, i],
                "pairing": pairing,
                "reference_runs": lists[0],
                "treatment_runs": lists[1],
                "reference_available": len(pair.reference),
                "treatment_available": len(pair.treatment),
                "opened": adds.opened,
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


def _basis(result: Difference, p: int, i: int) -> str:
    """Where the interval comes from: of what repeats or sessions change, measured or assumed."""
    if BETWEEN in result.terms:
        return "measured sessions" if result.terms[BETWEEN][0][p, i] > 0.0 else "assumed sessions"
    assumed = ASSUMED_REPEATS in result.terms and result.terms[ASSUMED_REPEATS][0][p, i] > 0.0
    return "assumed repeats" if assumed else BASES[result.basis[p, i]]


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


def _common_parts(job: Job, pair: Pair, alike: NDArray[np.bool_]) -> dict[str, str | None]:
    """What is compared at each position, where one condition has more than the other."""
    runs = (job.known(pair.reference), job.known(pair.treatment))
    return {name: common_part(job.cube, *runs, alike, p) for p, name in enumerate(job.cube.positions)}
