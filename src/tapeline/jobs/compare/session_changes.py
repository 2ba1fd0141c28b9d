"""How far sessions differ in this campaign, measured on the conditions that two of them hold."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from tapeline.jobs.compare.compared_runs import ComparisonJob
from tapeline.statistics.comparison import ConditionMean
from tapeline.statistics.repeat_pools import Point, RepeatPools
from tapeline.statistics.session_changes import SessionChanges, changes_by_mount
from tapeline.statistics.session_scatter import session_change


def session_changes(job: ComparisonJob, pools: RepeatPools) -> SessionChanges:
    """From all pairs of sessions with a common condition and operating point; each position by its own mounts."""
    by_session: dict[str, dict[tuple[str, Point], ConditionMean]] = {}
    for (session, condition, point), runs in job.cells.items():
        by_session.setdefault(session, {})[condition, point] = job.pooled_cell(runs)
    changes = {}
    for pair in itertools.combinations(by_session, 2):
        first, second = (by_session[session] for session in pair)
        both = [(first[key], second[key]) for key in first if key in second]
        if both:
            changes[pair] = session_change(both, (pools.of_session(pair[0]), pools.of_session(pair[1])))
    return changes_by_mount(changes, _mounts(job, by_session), job.cube.near_items)


def _mounts(job: ComparisonJob, sessions: Iterable[str]) -> dict[str, NDArray[np.int64]]:
    """The mounts at all positions by number, (positions,), session by session; an unnamed one is new in each."""
    numbers: dict[str, int] = {}
    found = {}
    for session in sessions:
        names = [job.mounts.get((session, position)) or f" {session}" for position in job.cube.positions]
        found[session] = np.array([numbers.setdefault(name, len(numbers)) for name in names], dtype=np.int64)
    return found


def same_mount(job: ComparisonJob, position: str, sessions: tuple[str, str]) -> bool:
    """Whether the sensor at a position stayed where it was from one session to the other."""
    names = [job.mounts.get((session, position)) for session in sessions]
    return names[0] is not None and names[0] == names[1]
