"""Rows of the table `ranking`: the spots and bands to work on first, how sure their ranks are, and what to do next."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Flags, Reals
from tapeline.jobs.cell_values import given, level_or_none
from tapeline.jobs.compare.compared_pairs import Compared
from tapeline.jobs.compare.compared_runs import ComparisonJob
from tapeline.jobs.compare.contributed_spots import BOTH_WAYS, Found, Spots, contributed_spots
from tapeline.jobs.levels.inherited_doubt import doubt_columns
from tapeline.limits import ADVISED_RUNS, ADVISED_RUNS_P
from tapeline.statistics.rank_uncertainty import RankUncertainty, rank_uncertainty
from tapeline.statistics.selection_intervals import miss_rate, student_tail_factor
from tapeline.statistics.significance import student_factor

if TYPE_CHECKING:
    from tapeline.store.rows import RankingRow

Place = tuple[int, int]

IN_DOUBT, NOT_SHOWN, BELOW, REVERSED = "in doubt", "not shown", "below threshold", "reversed"

NEXT_STEPS = {"shown": "treat", "tied": "treat together", "equivalent": "leave", BELOW: "leave", IN_DOUBT: "mend"}
"""What to do next; where nothing says what was opened, what is shown has a direction in place of it."""

BEHIND = (REVERSED, NOT_SHOWN, BELOW, "equivalent")
"""Findings without a rank, in the order in which they stand behind what has one."""


NO_RANK: RankingRow = {
    "rank": None,
    "rank_lower": None,
    "rank_upper": None,
    "first_probability": None,
    "expected_db": None,
    "tied_group": None,
    "tied_spots": None,
    "share": None,
    "selected_lower_db": None,
    "selected_upper_db": None,
}
"""What is empty where a spot has no rank."""


@dataclass(frozen=True)
class _List:
    """What all rows of one comparison's list are made from."""

    job: ComparisonJob
    found: Sequence[Found]
    spots: Spots
    words: NDArray[np.object_]


def ranking_rows(job: ComparisonJob, name: str, found: Sequence[Found]) -> Iterator[RankingRow]:
    """The bands of positions of one comparison by the power that they contribute or change, the largest first.

    Ranked are those alone that are shown to differ by the practical threshold or more; what else fits into the list
    stands behind them without a rank, in the order of what it could be at most. Spots in doubt move no other's rank:
    they stand last, with what to do about them.
    """
    points = job.needs.ranking_points
    found = [one for one in found if not points or one[0].pair.point in points]
    if not found:
        return
    spots = contributed_spots(job, found)
    words = _words(spots)
    made, entries = _List(job, found, spots, words), job.needs.ranking.entries
    rows = list(itertools.islice(_ranked(made), entries))
    rows += [_row(made, at) for at in _behind(made)[: entries - len(rows)]]
    in_doubt = sorted((-float(spots.value[at]), at) for at in _places(words == IN_DOUBT))
    rows += [_row(made, at) for _, at in in_doubt[:entries]]
    for place, row in enumerate(rows, start=1):
        yield {"comparison": name, "place": place, **row}


def _words(spots: Spots) -> NDArray[np.object_]:
    """The finding of each spot, (positions, items), None where nothing is known; ties are not looked at yet."""
    ranked = spots.shown & (spots.value > 0.0)
    nothing_left = spots.reversed_ & ~(spots.value > 0.0)
    conditions = [spots.doubted, ranked, nothing_left | (spots.reversed_ & ~spots.small), spots.small, spots.equivalent]
    found = np.select(conditions, [IN_DOUBT, "shown", REVERSED, BELOW, "equivalent"], NOT_SHOWN).astype(object)
    found[~np.isfinite(spots.value)] = None
    return found


def _places(flags: Flags) -> list[Place]:
    return [(int(p), int(i)) for p, i in np.argwhere(flags)]


def _behind(made: _List) -> list[Place]:
    """What is sound and has no rank, by its finding and the upper end of what it contributes."""
    places = [at for word in BEHIND for at in _places(made.words == word)]
    return sorted(places, key=lambda at: (BEHIND.index(made.words[at]), -float(made.spots.high[at]), at))


def _ranked(made: _List) -> Iterator[RankingRow]:
    job, spots = made.job, made.spots
    sound = _places((made.words != None) & (made.words != IN_DOUBT))  # noqa: E711 (object array)
    shown = np.array([made.words[at] == "shown" for at in sound], dtype=bool)
    if not shown.any():
        return
    index = tuple(np.array(sound).T)
    settings, confidence = job.needs.ranking, job.needs.confidence
    ranks = rank_uncertainty(
        spots.net[index], spots.error[index], settings.draws, confidence, shown, either_way=spots.either_way
    )
    order = np.flatnonzero(shown)
    order = order[np.lexsort((order, -spots.value[index][order], -ranks.expected[order], ranks.group[order]))]
    total = float(spots.value[index][order].sum())
    tested = len(sound)
    for place, k in enumerate(order, start=1):
        word = "tied" if np.count_nonzero(ranks.group == ranks.group[k]) > 1 else "shown"
        yield {
            **_row(made, sound[k], word),
            **_rank_columns(ranks, int(k), order),
            "share": float(spots.value[sound[k]]) / total,
            **_selected(made, sound[k], miss_rate(place, tested, confidence)),
        }


def _selected(made: _List, at: Place, missed: Reals) -> RankingRow:
    """The interval that holds although so few of so many were picked: each half as much wider as its t factor."""
    spots, degrees_of_freedom = made.spots, float(made.spots.degrees_of_freedom[at])
    plain = student_factor(degrees_of_freedom, made.job.needs.confidence)
    wider = float(student_tail_factor(degrees_of_freedom, missed) / plain)
    value, low, high = (float(part[at]) for part in (spots.value, spots.low, spots.high))
    # Where the closed state is a bound the value is the low end itself, and its error is as wide as t has it already.
    half = value - low if value > low else float(spots.error[at] * student_factor(np.inf, made.job.needs.confidence))
    return {
        "selected_lower_db": level_or_none(max(low - (wider - 1.0) * half, 0.0)),
        "selected_upper_db": level_or_none(value + wider * (high - value)),
    }


def _rank_columns(ranks: RankUncertainty, k: int, order: NDArray[np.intp]) -> RankingRow:
    """The rank of one spot, which is that of the first one of its group, and the group where it has several spots."""
    groups, sizes = np.unique(ranks.group[order], return_counts=True)
    own = int(ranks.group[k])
    size = int(sizes[groups == own][0])
    return {
        "rank": 1 + int(sizes[groups < own].sum()),
        "rank_lower": int(ranks.low[k]),
        "rank_upper": int(ranks.high[k]),
        "first_probability": float(ranks.first_probability[k]),
        "expected_db": level_or_none(float(ranks.expected[k])),
        "tied_group": int(np.count_nonzero(sizes[groups <= own] > 1)) if size > 1 else None,
        "tied_spots": size if size > 1 else None,
    }


def _row(made: _List, at: Place, word: str = "") -> RankingRow:
    """A row without a rank; `word` is the finding where that is not the spot's own."""
    job, spots = made.job, made.spots
    position, item = job.cube.positions[at[0]], job.cube.items[at[1]]
    rise, weighting = float(spots.rise_db[at]), job.needs.ranking.weighting
    finding = word or made.words[at]
    return {
        **NO_RANK,
        "position": position,
        "band_hz": given(item.band_hz),
        "area": dict(job.needs.areas).get(position) or None,
        "weighting": weighting,
        "weighting_from": None if weighting == "Z" else "midband" if spots.by_midband[at] else "lines",
        "ranked_by": "change" if spots.either_way else "contribution",
        "points": _points_words(made),
        "contribution_db": level_or_none(float(spots.value[at])),
        "contribution_pa2": float(spots.value[at]) * job.needs.reference_pressure_pa**2,
        "lower_db": level_or_none(float(spots.low[at])),
        "upper_db": level_or_none(float(spots.high[at])),
        "difference_db": rise if math.isfinite(rise) else None,
        "direction": _direction(made, at),
        "operating_points": int(spots.points[at]),
        "finding": finding,
        **_advice(made, finding, at),
    }


def _points_words(made: _List) -> str:
    """The operating points that the list is over: all, or those chosen that the comparison has."""
    if not made.job.needs.ranking_points:
        return "all"
    points = sorted({one.pair.point for one, _ in made.found})
    return ", ".join(f"{speed:.4g} m/s at {yaw:g} deg" for speed, yaw in points)


def _direction(made: _List, at: Place) -> str | None:
    """Which condition is shown to be louder; None where nothing is shown."""
    direction, pair = int(made.spots.direction[at]), made.found[0][0].pair
    if direction == BOTH_WAYS:
        return "both ways"
    return f"louder in {pair.sides[direction > 0][0].condition}" if direction else None


def _advice(made: _List, word: str, at: Place) -> RankingRow:
    """What to do next, and how many runs would show what is not shown yet."""
    job = made.job
    counted = [one for one in made.found if one[0].doubted[at] == (word == IN_DOUBT)]
    bounded = any(bool(cell.bound[at]) for one, _ in counted for cell in one.cells)
    runs = dict.fromkeys(name for one, _ in counted for name in job.runs_used(one.pair, *at))
    needed = _runs_needed(made, at) if word == NOT_SHOWN else None
    step = NEXT_STEPS.get(word)
    if word in ("shown", "tied") and made.spots.either_way:
        step = {1: "find the cause", -1: "keep"}.get(int(made.spots.direction[at]), "look at each point")
    elif word == NOT_SHOWN:
        step = "repeat" if needed is not None else "quieter" if bounded else None
    elif word == REVERSED:
        step = "check the closed state"
    return {**doubt_columns(job.cube, list(runs), *at), "next_step": step, "runs_needed": needed}


def _runs_needed(made: _List, at: Place) -> int | None:
    """Runs a side from which on a difference as large as found would be a finding, adjusted as it is now.

    Standard errors go with one over the root of the runs; what does not average out is not told apart. Pairs of two
    sessions tell none: what a session changes does not go with its runs. Of the pair that comes nearest to it, and more
    than it has; None where that is more than `ADVISED_RUNS`, and where the difference found is below the practical
    threshold or has no more than chance for it: noise of one campaign plans no other.
    """
    job, needed = made.job, []
    for one, adds in made.found:
        change = float(one.result.difference_db[at]) * (1 if adds.opened is None else int(adds.sign[at]))
        size = abs(change) if adds.opened is None else change
        runs = min(int(cell.count[at]) for cell in one.cells)
        resolvable = size >= job.needs.compare.practical_threshold_db and one.adjusted_p[at] <= ADVISED_RUNS_P
        one_session = one.pair.sessions[0] == one.pair.sessions[1]
        if one_session and resolvable and size > 0.0 and runs and not one.doubted[at]:
            factor = student_factor(one.result.degrees_of_freedom[at], 1.0 - _largest_p(job, one))
            half = float(factor) * float(one.result.standard_error_db[at])
            needed.append(max(runs + 1, math.ceil(min(runs * (half / size) ** 2, 2.0 * ADVISED_RUNS))))
    return min(needed) if needed and min(needed) <= ADVISED_RUNS else None


def _largest_p(job: ComparisonJob, one: Compared) -> float:
    """The largest p-value that is still a finding among a pair's bands; where there is none that of the first one."""
    alpha = 1.0 - job.needs.confidence
    bands = np.array([item.quantity == "band" for item in job.cube.items])
    p, adjusted = one.result.p_value[:, bands], one.adjusted_p[:, bands]
    with np.errstate(invalid="ignore"):
        found = p[adjusted <= alpha]
    return float(found.max()) if found.size else alpha / max(float(one.family[:, bands].max(initial=1.0)), 1.0)
