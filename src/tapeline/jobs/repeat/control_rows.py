"""Rows of the table `control_values`: the reference condition's overall levels session by session."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from tapeline.arrays import Reals
from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.repeat.repeatability_rows import NOT_STATED
from tapeline.jobs.repeat.repeated_runs import BASES, RepeatJob, Repeats
from tapeline.limits import CONTROL_JUDGED_VALUES, CONTROL_LIMITS_VALUES, CONTROL_TREND_VALUES
from tapeline.statistics.control_chart import common_shift, control_limits, outside, trends
from tapeline.statistics.repeat_pools import Point
from tapeline.statistics.repeatability import SessionVariances, session_variances

if TYPE_CHECKING:
    from tapeline.store.rows import ControlValuesRow


def control_rows(job: RepeatJob) -> Iterator[ControlValuesRow]:
    """One row a position, operating point, overall level and session that has a level of the reference condition."""
    for point, runs in job.cells.get(job.needs.reference_condition, {}).items():
        repeats = job.repeats(runs)
        by_session = session_variances(repeats.levels.level_db, repeats.session)
        for i, item in enumerate(job.cube.items):
            if item.quantity == "overall":
                for p in range(len(job.cube.positions)):
                    yield from _chart(job, point, repeats, by_session, p, i)


def _chart(
    job: RepeatJob, point: Point, repeats: Repeats, by_session: SessionVariances, p: int, i: int
) -> Iterator[ControlValuesRow]:
    position, item = job.cube.positions[p], job.cube.items[i]
    there = np.flatnonzero(by_session.counts[:, p, i]).tolist()
    values: Reals = by_session.means[there, p, i]
    limits = control_limits(values) if values.size >= CONTROL_LIMITS_VALUES else None
    beyond = outside(values, limits).tolist() if limits and values.size >= CONTROL_JUDGED_VALUES else None
    rising = {place for first, last in trends(values) for place in range(first, last + 1)}
    mounts = [job.mount(repeats.sessions[j], position) for j in there]
    for place, j in enumerate(there):
        before = there[place - 1] if place else None
        yield {
            "position": position,
            "speed_mps": point[0],
            "yaw_deg": point[1],
            "weighting": item.weighting,
            "lowest_band_hz": item.lower_hz,
            "highest_band_hz": item.upper_hz,
            "session": repeats.sessions[j],
            "condition": job.needs.reference_condition,
            "session_number": place + 1,
            "session_count": values.size,
            "level_basis": BASES[int(repeats.nominal[p, i])],
            "level_db": float(values[place]),
            "run_count": int(by_session.counts[j, p, i]),
            "mount": _mount_word(mounts, place),
            "change_db": None if before is None else float(values[place] - values[place - 1]),
            "common_change_db": None if before is None else _common_change(by_session, before, j, i),
            "centre_db": limits.centre if limits else None,
            "lower_limit_db": limits.lower if limits else None,
            "upper_limit_db": limits.upper if limits else None,
            "doubtful": bool(doubt := job.doubt_of_session(repeats, j, p, i)),
            "doubt": doubt,
            "outside": beyond[place] if beyond else None,
            "trend": place in rising if values.size >= CONTROL_TREND_VALUES else None,
        }


def _common_change(by_session: SessionVariances, before: int, now: int, i: int) -> float | None:
    found = common_shift(by_session.means[before, :, i], by_session.means[now, :, i])
    return None if found is None else finite_or_none(found)


def _mount_word(mounts: list[str | None], place: int) -> str:
    if mounts[place] is None or (place and mounts[place - 1] is None):
        return NOT_STATED
    if not place:
        return "first"
    return "kept" if mounts[place] == mounts[place - 1] else "new"
