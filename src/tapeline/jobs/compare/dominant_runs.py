"""Names of single runs without which the scatter of a position would be much smaller."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.jobs.compare.compared_runs import ComparisonJob, Pair, key_of
from tapeline.statistics.comparison import Difference
from tapeline.statistics.dominant_repeats import dominant_repeats, half_width_without
from tapeline.statistics.repeat_pools import RepeatPools


def dominated(
    job: ComparisonJob, pools: RepeatPools, pair: Pair, result: Difference
) -> tuple[NDArray[np.object_], Reals]:
    """The run that widens each interval most and the half-width (dB) without it, both (positions, items).

    None and NaN where no run makes an interval much wider. Within a session alone: there the repeats of all conditions
    that scatter alike count, those of near bands with each band. Of two repeats nothing tells which is the odd one, so
    that both are named.
    """
    shape = result.difference_db.shape
    names, half = np.full(shape, None, dtype=object), np.full(shape, np.nan)
    keys = sorted({key for runs in pair.sides for key in pools.pool(key_of(runs))} & set(pools.rows))
    if pair.sessions[0] != pair.sessions[1] or not keys:
        return names, half
    near = job.cube.near_items if pools.pooled else np.eye(shape[1], dtype=bool)
    found = dominant_repeats([pools.rows[key] for key in keys], near)
    half = half_width_without(result, found, job.needs.confidence)
    runs = [name for key in keys for name in job.known(job.cells[key])]
    for p, i in np.argwhere(np.isfinite(half)):
        names[p, i] = " or ".join(runs[k] for k in np.flatnonzero(found.largest[:, p, i]))
    return names, half
