"""Rows of the table `comparisons`: a difference, the words for it, and what the opened state contributes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.contribution import Contribution
from tapeline.arrays import Reals
from tapeline.campaign.settings import Comparison
from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.compare.compared_pairs import Compared, pairing_of
from tapeline.jobs.compare.compared_runs import ComparisonJob, Pair
from tapeline.jobs.compare.contributed import Contributed
from tapeline.jobs.compare.drift_rows import Drifts, OrderOfRuns, order_of_runs
from tapeline.jobs.compare.item_columns import item_columns, point_columns, sessions_columns
from tapeline.jobs.levels.common_part import common_part
from tapeline.jobs.levels.inherited_doubt import inherited_doubt
from tapeline.limits import CLEAR_CHANGE_STANDARD_ERRORS
from tapeline.statistics.comparison import Difference
from tapeline.statistics.repeat_pools import RepeatPools
from tapeline.statistics.uncertainty_terms import ASSUMED_REPEATS, BETWEEN_SESSIONS, RANDOM_ERROR, SENSOR_SIZE
from tapeline.store import tables

if TYPE_CHECKING:
    from tapeline.store.rows import ComparisonsRow

BASES = (RANDOM_ERROR.name, "pooled repeats", "own repeats")
"""Where the interval of a difference within a session comes from, by `Difference.basis`."""

LEVELS = ("as measured", "nominal")
"""What is compared, by whether levels are brought to the nominal speed and air."""

SIDES = ("reference", "treatment")

LESS_TAKEN_OFF = "less-background-taken-off"
"""The doubt of a difference in which one side is only an upper bound because of that."""

OTHER_SIZE = "sensor-size"
"""The doubt of a difference of which one side lost more by the size of its sensor."""

WORST_FIRST = ("bound", "limited", "none", "corrected", "clear")


def comparison_rows(
    job: ComparisonJob,
    name: str,
    comparison: Comparison,
    found: Compared,
    adds: Contributed,
    drifts: Drifts,
    pools: RepeatPools,
) -> Iterator[ComparisonsRow]:
    """One row a position that is fitted and band or overall level, in the words of the table.

    What cannot be given stands there too, with the reason.
    """
    pair, result = found.pair, found.result
    common = _common_parts(job, pair, found.alike)
    order = order_of_runs(job, pair, drifts, pools.of_session(pair.sessions[0]))
    sides = [job.used(runs) for runs in pair.sides]
    measured = _as_measured(job, found)
    for p, position in enumerate(job.cube.positions):
        if not _is_fitted(job, pair, position):
            continue
        place: ComparisonsRow = {
            "comparison": name,
            **sessions_columns(*pair.sessions),
            "reference": comparison.reference,
            "treatment": comparison.treatment,
            "position": position,
            **point_columns(pair.point),
            "pairing": pairing_of(job, position, pair.sessions),
            "reference_available": len(pair.reference),
            "treatment_available": len(pair.treatment),
            "opened": adds.opened,
            "common_part": common[position],
            "level_basis": LEVELS[int(job.needs.compare.at_nominal)],
        }
        for i, item in enumerate(job.cube.items):
            lists = [[name for r, name in enumerate(names) if used[r, p, i]] for names, used in sides]
            row: ComparisonsRow = {
                **place,
                **item_columns(item),
                "midband_hz": item.midband_hz,
                "reference_runs": lists[0],
                "treatment_runs": lists[1],
                **_doubts(job, found, lists, order, p, i),
            }
            if adds.words[p, i] is None or not all(lists):
                why_not = _why_not(job, found, lists, p, i)
                yield {**row, "finding": tables.WITHOUT_DIFFERENCE, "why_not": why_not}
                continue
            yield {
                **row,
                "reference_level_db": finite_or_none(measured[0][p, i]),
                "treatment_level_db": finite_or_none(measured[1][p, i]),
                "nominal_correction_db": finite_or_none(measured[2][p, i]),
                "difference_db": finite_or_none(result.difference_db[p, i]),
                "lower_db": finite_or_none(result.lower_db[p, i]),
                "upper_db": finite_or_none(result.upper_db[p, i]),
                "standard_error_db": finite_or_none(result.standard_error_db[p, i]),
                "degrees_of_freedom": finite_or_none(result.degrees_of_freedom[p, i]),
                "interval_basis": _basis(result, p, i),
                **_dominant(found, p, i),
                "p_value": finite_or_none(result.p_value[p, i]),
                "adjusted_p_value": finite_or_none(found.adjusted_p[p, i]),
                **_order_columns(order, p, i),
                "family_size": int(found.family[p, i]),
                "finding": adds.words[p, i],
                **_contribution_columns(adds.part, p, i),
                "state": _worst_state(job, lists[0] + lists[1], p, i),
            }


def _is_fitted(job: ComparisonJob, pair: Pair, position: str) -> bool:
    """Whether a position, but no reference sensor, is fitted in both sessions."""
    fitted = all((session, position) in job.mounts for session in pair.sessions)
    return fitted and position not in job.needs.background.references


def _as_measured(job: ComparisonJob, found: Compared) -> tuple[Reals, Reals, Reals]:
    """Mean levels of both sides as they were measured, and what the nominal point adds to their difference."""
    added = [job.nominal_correction(runs, found.alike) for runs in found.pair.sides]
    means = [cell.mean_db - each for cell, each in zip(found.cells, added, strict=True)]
    return means[0], means[1], added[1] - added[0]


def _order_columns(order: OrderOfRuns | None, p: int, i: int) -> ComparisonsRow:
    if order is None:
        return {}
    return {
        "bracketed": bool(order.bracketed[p, i]),
        "drift_effect_db": finite_or_none(order.effect_db[p, i]),
        "drift_effect_uncertainty_db": finite_or_none(order.uncertainty_db[p, i]),
        "return_db": finite_or_none(order.returned.change_db[p, i]),
        "return_uncertainty_db": finite_or_none(order.returned.uncertainty_db[p, i]),
    }


def _of_order(job: ComparisonJob, order: OrderOfRuns, p: int, i: int) -> list[str]:
    """What the order of runs makes doubtful: a drift that fakes a difference, a condition that did not come back.

    Beyond the practical threshold, and beyond chance by `CLEAR_CHANGE_STANDARD_ERRORS` standard errors.
    """
    found = []
    returned, threshold = order.returned, job.needs.compare.practical_threshold_db
    if not order.bracketed[p, i] and _is_clear(order.effect_db[p, i], order.uncertainty_db[p, i], threshold):
        found.append(f"reference-drift: {order.effect_db[p, i]:+.1f} dB")
    if _is_clear(returned.change_db[p, i], returned.uncertainty_db[p, i], threshold):
        found.append(f"not-returned: {returned.change_db[p, i]:+.1f} dB")
    return found


def _of_size(job: ComparisonJob, lists: list[list[str]], p: int, i: int) -> list[str]:
    """The side that the size of its sensor makes more uncertain than the other, by more than the practical threshold.

    Of two sessions: within one a position keeps its sensor, which loses the same on both sides at one speed.
    """
    unsure = job.cube.values[SENSOR_SIZE.uncertainty_column]
    if not all(lists):
        return []
    means = [float(np.nan_to_num(unsure[job.cube.places(names), p, i]).mean()) for names in lists]
    if abs(means[1] - means[0]) <= job.needs.compare.practical_threshold_db:
        return []
    side = int(means[1] > means[0])
    return [f"{OTHER_SIZE}: {SIDES[side]} ({', '.join(lists[side])})"]


def _is_clear(value: float, uncertainty: float, threshold: float) -> bool:
    return bool(abs(value) > max(threshold, CLEAR_CHANGE_STANDARD_ERRORS * uncertainty))


def _doubts(
    job: ComparisonJob, found: Compared, lists: list[list[str]], order: OrderOfRuns | None, p: int, i: int
) -> ComparisonsRow:
    """What makes a difference doubtful, and by which runs."""
    doubt = inherited_doubt(job.cube, lists[0] + lists[1], p, i)
    sides = zip(SIDES, found.lacks, lists, strict=True)
    doubt += [f"{LESS_TAKEN_OFF}: {side} ({', '.join(names)})" for side, lacks, names in sides if lacks[p, i]]
    doubt += [] if order is None else _of_order(job, order, p, i)
    doubt += [] if found.pair.sessions[0] == found.pair.sessions[1] else _of_size(job, lists, p, i)
    return {"doubtful": bool(doubt), "doubt": doubt}


def _why_not(job: ComparisonJob, found: Compared, lists: list[list[str]], p: int, i: int) -> str:
    """Why there is no difference."""
    for runs, names in zip(found.pair.sides, lists, strict=True):
        condition, index = runs[0].condition, job.cube.places(job.known(runs))
        if not index:
            return f"{condition}: no recording gave levels"
        if (job.cube.state[index, p, i] < 0).all():
            said = ", ".join(sorted({mark for r in index for mark in job.cube.marks[r, p, i]}))
            return f"{condition}: no level{f' ({said})' if said else ''}"
        if not names:
            return f"{condition}: the channel is unusable in every run"
    if not found.alike[p, i]:
        return "the runs do not sum the same bands"
    if all(cell.bound[p, i] for cell in found.cells):
        return tables.BOTH_BOUNDS
    if np.isnan(found.result.p_value[p, i]):
        return f"in doubt: {', '.join(inherited_doubt(job.cube, lists[0] + lists[1], p, i))}"
    return "no background could be taken off, and the levels do not differ beyond chance"


def _dominant(found: Compared, p: int, i: int) -> ComparisonsRow:
    half = finite_or_none(found.without_db[p, i])
    return {"widest_run": None if half is None else found.widest[p, i], "half_width_without_db": half}


def _contribution_columns(part: Contribution, p: int, i: int) -> ComparisonsRow:
    return {
        "contribution_level_db": finite_or_none(part.level_db[p, i]),
        "contribution_lower_db": finite_or_none(part.lower_db[p, i]),
        "contribution_upper_db": finite_or_none(part.upper_db[p, i]),
        "contribution_share": finite_or_none(part.share[p, i]),
        "contribution_state": part.state[p, i],
    }


def _basis(result: Difference, p: int, i: int) -> str:
    """Where the interval comes from: of what repeats or sessions change, measured or assumed."""
    terms = result.terms
    if BETWEEN_SESSIONS.name in terms:
        return "measured sessions" if terms[BETWEEN_SESSIONS.name][0][p, i] > 0.0 else "assumed sessions"
    assumed = ASSUMED_REPEATS.name in terms and terms[ASSUMED_REPEATS.name][0][p, i] > 0.0
    return "assumed repeats" if assumed else BASES[result.basis[p, i]]


def _worst_state(job: ComparisonJob, runs: list[str], p: int, i: int) -> str | None:
    codes = {int(job.cube.state[r, p, i]) for r in job.cube.places(runs)}
    names = {tables.STATES[code] for code in codes if code >= background.NONE}
    return next((name for name in WORST_FIRST if name in names), None)


def _common_parts(job: ComparisonJob, pair: Pair, alike: NDArray[np.bool_]) -> dict[str, str | None]:
    """What is compared at each position, where one condition has more than the other."""
    runs = (job.known(pair.reference), job.known(pair.treatment))
    return {name: common_part(job.cube, *runs, alike, p) for p, name in enumerate(job.cube.positions)}
