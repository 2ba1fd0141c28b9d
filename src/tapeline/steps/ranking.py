"""Rows of the table `ranking`: the spots and bands to work on first, how sure their ranks are, and what to do next."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.statistics import student_factor
from tapeline.acoustics.sure_ranks import SureRanks, sure_ranks
from tapeline.steps.cell_values import level_or_none
from tapeline.steps.compared_pairs import Compared
from tapeline.steps.compared_runs import Job
from tapeline.steps.contributed_spots import Found, Spots, contributed_spots
from tapeline.steps.inherited_doubt import doubt_columns

Places = NDArray[np.intp]
Flags = NDArray[np.bool_]

IN_DOUBT = "in doubt"

NEXT_STEPS = {"shown": "treat", "tied": "treat together", "equivalent": "leave", IN_DOUBT: "mend"}

MOST_RUNS = 99
"""More runs than these a side are no advice."""


def ranking_rows(job: Job, name: str, found: Sequence[Found]) -> Iterator[dict[str, Any]]:
    """The bands of positions of one comparison by the power that they can be expected to contribute, largest first.

    Spots in doubt have no rank and move no other's: they stand behind, with what to do about them.
    """
    if not found:
        return
    spots = contributed_spots(job, found)
    known = np.isfinite(spots.value)
    ranked = list(_ranked(job, name, found, spots, known & ~spots.doubted))
    yield from ranked
    in_doubt = ((int(p), int(i)) for p, i in np.argwhere(known & spots.doubted))
    at = sorted(in_doubt, key=lambda at: (-float(spots.value[at]), at))
    for rank, place in enumerate(at[: job.needs.ranking.entries], start=len(ranked) + 1):
        row = {"comparison": name, "rank": rank, "finding": IN_DOUBT}
        yield row | _spot(job, spots, place) | _advice(job, found, IN_DOUBT, place)


def _ranked(job: Job, name: str, found: Sequence[Found], spots: Spots, sound: Flags) -> Iterator[dict[str, Any]]:
    p, i = np.nonzero(sound)
    if not p.size:
        return
    ranks = sure_ranks(spots.net[p, i], spots.error[p, i], job.needs.ranking.draws, job.needs.confidence)
    order = np.lexsort((i, p, -spots.value[p, i], -ranks.expected))
    total = float(spots.value[p, i].sum())
    words = _words(ranks, order, spots.shown[p, i], spots.equivalent[p, i])
    for rank, k in enumerate(order[: job.needs.ranking.entries], start=1):
        at = int(p[k]), int(i[k])
        known = {
            "comparison": name,
            "rank": rank,
            "rank_low": int(ranks.low[k]),
            "rank_high": int(ranks.high[k]),
            "first_share": float(ranks.first_share[k]),
            "expected_db": level_or_none(float(ranks.expected[k])),
            "share": float(spots.value[at]) / total if total > 0.0 else None,
            "finding": words[rank - 1],
        }
        yield known | _spot(job, spots, at) | _advice(job, found, words[rank - 1], at)


def _words(ranks: SureRanks, order: Places, shown: Flags, equivalent: Flags) -> list[str]:
    """For each entry in its order: shown, tied (a neighbour's ranks overlap its own), equivalent, or not shown."""
    found = []
    for place, k in enumerate(order):
        neighbours = [order[j] for j in (place - 1, place + 1) if 0 <= j < len(order) and shown[order[j]]]
        tied = any(ranks.low[j] <= ranks.high[k] and ranks.low[k] <= ranks.high[j] for j in neighbours)
        unshown = "equivalent" if equivalent[k] else "not shown"
        found.append(unshown if not shown[k] else "tied" if tied else "shown")
    return found


def _spot(job: Job, spots: Spots, at: tuple[int, int]) -> dict[str, Any]:
    position, item = job.cube.positions[at[0]], job.cube.items[at[1]]
    rise = float(spots.rise_db[at])
    return {
        "position": position,
        "band_hz": item.band_hz,
        "area": dict(job.needs.areas).get(position) or None,
        "weighting": job.needs.ranking.weighting,
        "contribution_db": level_or_none(float(spots.value[at])),
        "contribution_pa2": float(spots.value[at]) * job.needs.reference_pressure_pa**2,
        "lower_db": level_or_none(float(spots.low[at])),
        "upper_db": level_or_none(float(spots.high[at])),
        "difference_db": rise if math.isfinite(rise) else None,
        "operating_points": int(spots.points[at]),
    }


def _advice(job: Job, found: Sequence[Found], word: str, at: tuple[int, int]) -> dict[str, Any]:
    """What to do next, and how many runs would show what is not shown yet."""
    counted = [one for one in found if one[0].doubted[at] == (word == IN_DOUBT)]
    bounded = any(bool(cell.bound[at]) for one, _ in counted for cell in one.cells)
    runs = dict.fromkeys(name for one, _ in counted for name in job.runs_used(one.pair, *at))
    return {
        **doubt_columns(job.cube, list(runs), *at),
        "next_step": NEXT_STEPS.get(word, "quieter" if bounded else "repeat"),
        "runs_needed": _runs_needed(job, found, at) if word == "not shown" else None,
    }


def _runs_needed(job: Job, found: Sequence[Found], at: tuple[int, int]) -> int | None:
    """Runs a side from which on a difference as large as found would be a finding, adjusted as it is now.

    Standard errors go with one over the root of the runs; what does not average out is not told apart. Of the pair that
    comes nearest to it, and more than it has; None where that is more than `MOST_RUNS`.
    """
    needed = []
    for one, adds in found:
        change = adds.sign * float(one.result.difference_db[at])
        runs = min(int(cell.count[at]) for cell in one.cells)
        if change > 0.0 and runs:
            factor = student_factor(one.result.degrees_of_freedom[at], 1.0 - _largest_p(job, one))
            half = float(factor) * float(one.result.standard_error_db[at])
            needed.append(max(runs + 1, math.ceil(min(runs * (half / change) ** 2, 2.0 * MOST_RUNS))))
    return min(needed) if needed and min(needed) <= MOST_RUNS else None


def _largest_p(job: Job, one: Compared) -> float:
    """The largest p-value that is still a finding among a pair's bands; where there is none that of the first one."""
    alpha = 1.0 - job.needs.confidence
    bands = np.array([item.quantity == "band" for item in job.cube.items])
    p, adjusted = one.result.p_value[:, bands], one.adjusted_p[:, bands]
    with np.errstate(invalid="ignore"):
        found = p[adjusted <= alpha]
    return float(found.max()) if found.size else alpha / max(float(one.family[:, bands].max(initial=1.0)), 1.0)
