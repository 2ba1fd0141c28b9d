"""Single runs without which the scatter of a position would be much smaller."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.jobs.compare.compared_runs import ComparisonJob, Pair, key_of
from tapeline.jobs.levels.repeat_pools import RepeatPools
from tapeline.limits import DOMINANT_RUN_RATIO
from tapeline.statistics.comparison import Difference
from tapeline.statistics.significance import student_factor


def dominated(
    job: ComparisonJob, pools: RepeatPools, pair: Pair, result: Difference
) -> tuple[NDArray[np.object_], Reals]:
    """The run that widens each interval most and the half-width (dB) without it, both (positions, items).

    None and NaN where no run makes an interval `DOMINANT_RUN_RATIO` times wider. Within a session alone: there the
    repeats of all cells that scatter alike count, those of near bands with each band. Of two repeats nothing tells
    which is the odd one, so that both are named.
    """
    shape = result.difference_db.shape
    names, half = np.full(shape, None, dtype=object), np.full(shape, np.nan)
    if pair.sessions[0] != pair.sessions[1]:
        return names, half
    near = (job.cube.near_items if pools.pooled else np.eye(shape[1])).astype(np.float64)
    keys = {key for runs in pair.sides for key in pools.pool(key_of(runs))} & set(job.cells)
    total, freedom, most, spare_without = (np.zeros(shape) for _ in range(4))
    widest = np.full(shape, None, dtype=object)
    for key in sorted(keys):
        repeats = job.known(job.cells[key])
        spare, of_runs = _squares(job, repeats)
        freedom = freedom + spare @ near
        total = total + (of_runs.sum(axis=0) * spare / np.maximum(spare + 1, 1)) @ near
        counted = (spare > 0).astype(np.float64) @ near
        for name, squares in zip(repeats, of_runs @ near, strict=True):
            alike = (squares > 0.0) & np.isclose(squares, most, rtol=1e-6, atol=0.0)
            widest[alike] = [f"{other} or {name}" for other in widest[alike]]
            more = ~alike & (squares > most)
            widest[more], most[more], spare_without[more] = name, squares[more], counted[more]
    with np.errstate(divide="ignore", invalid="ignore"):
        kept = np.clip((total - most) / (freedom - spare_without) / (total / freedom), 0.0, 1.0)
        of_repeats = result.terms["repeats"][0] + result.terms["random error"][0]
        saved = np.minimum(of_repeats * (1.0 - kept), result.terms["repeats"][0])
        factor = student_factor(result.degrees_of_freedom, job.needs.confidence)
        without = factor * np.sqrt(np.maximum(result.standard_error_db**2 - saved, 0.0))
        found = (freedom > spare_without) & (factor * result.standard_error_db >= DOMINANT_RUN_RATIO * without)
    found = found & np.isfinite(result.difference_db)
    names[found] = widest[found]
    return names, np.where(found, without, np.nan)


def _squares(job: ComparisonJob, names: list[str]) -> tuple[NDArray[np.int64], Reals]:
    """Degrees of freedom of some repeats, and what each run makes of their squares about the mean, n/(n - 1) d^2."""
    levels = job.cube.pooled_levels(names)
    level = np.where(np.isfinite(levels.upper_bound_db).any(axis=0), np.nan, levels.level_db)
    known = np.isfinite(level)
    count = known.sum(axis=0)
    mean = np.where(known, level, 0.0).sum(axis=0) / np.maximum(count, 1)
    off = np.where(known & (count > 1), level - mean, 0.0) ** 2
    return np.maximum(count - 1, 0), off * count / np.maximum(count - 1, 1)
