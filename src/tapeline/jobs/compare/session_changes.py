"""How far sessions differ in this campaign, measured on the conditions that two of them hold."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.jobs.compare.compared_runs import ComparisonJob
from tapeline.limits import SESSION_VARIANCE_CHANGES
from tapeline.statistics.comparison import ConditionMean
from tapeline.statistics.repeat_pools import Point, RepeatPools
from tapeline.statistics.session_scatter import SessionChange, SessionScatter, session_change, session_scatter

FIELDS = ("variance_db2", "degrees_of_freedom", "changes")


@dataclass(frozen=True)
class SessionChanges:
    """The scatter of sessions where the sensor's mount stayed, and where it was made anew.

    `mean_db` holds what was measured to change from one session to another, (positions, items), by pairs of sessions
    with a common condition.
    """

    same_mount: SessionScatter
    remounted: SessionScatter
    mean_db: Mapping[tuple[str, str], Reals]

    def measured_db(self, sessions: tuple[str, str]) -> Reals | None:
        """What changed from the first to the second session, where it was measured; by way of others where it was not.

        NaN where nothing tells of a position and item, None where nothing tells of the pair.
        """
        direct = self._from_to(*sessions)
        if direct is not None and np.isfinite(direct).all():
            return direct
        others = sorted({name for pair in self.mean_db for name in pair} - set(sessions))
        ways = [(self._from_to(sessions[0], other), self._from_to(other, sessions[1])) for other in others]
        found = np.array([one + two for one, two in ways if one is not None and two is not None])
        if not found.size:
            return direct
        known = np.isfinite(found)
        with np.errstate(invalid="ignore"):
            by_others = np.where(known, found, 0.0).sum(axis=0) / known.sum(axis=0)
        return by_others if direct is None else np.where(np.isfinite(direct), direct, by_others)

    def _from_to(self, first: str, second: str) -> Reals | None:
        if (first, second) in self.mean_db:
            return self.mean_db[first, second]
        back = self.mean_db.get((second, first))
        return None if back is None else -back

    def of_mounts(self, stayed: NDArray[np.bool_]) -> SessionScatter:
        """The scatter of positions, (positions, items), whose mount `stayed` (positions,) or was made anew.

        A mount that stays changes no more than one made anew, so that the latter stands in item by item where the
        campaign has fewer than `SESSION_VARIANCE_CHANGES` of the former and more of the latter. Not the other way
        round.
        """
        own, anew = self.same_mount, self.remounted
        use_remounted = ~stayed[:, None] | ((own.changes < SESSION_VARIANCE_CHANGES) & (anew.changes > own.changes))
        parts = [np.where(use_remounted, getattr(anew, name), getattr(own, name)) for name in FIELDS]
        return SessionScatter(*parts)


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
    stayed = {pair: np.array([same_mount(job, p, pair) for p in job.cube.positions], dtype=bool) for pair in changes}
    found = []
    for wanted in (True, False):
        chosen = [_at(change, stayed[pair] == wanted) for pair, change in changes.items()]
        found.append(session_scatter(chosen, _degrees_of_freedom(job, stayed, wanted), job.cube.near_items))
    return SessionChanges(found[0], found[1], {pair: change.mean_db for pair, change in changes.items()})


def _at(change: SessionChange, positions: NDArray[np.bool_]) -> SessionChange:
    """The change at some positions, unknown at the others."""
    parts = (change.mean_db, change.squares_db2, change.noise_db2)
    return SessionChange(*(np.where(positions[:, None], part, np.nan) for part in parts))


def _degrees_of_freedom(job: ComparisonJob, stayed: Mapping[tuple[str, str], NDArray[np.bool_]], wanted: bool) -> Reals:
    """Independent changes of each position: sessions less mounts where the mount stayed, mounts less one otherwise."""
    free = np.zeros(len(job.cube.positions))
    for p, position in enumerate(job.cube.positions):
        sessions = sorted({name for pair, kept in stayed.items() if kept[p] == wanted for name in pair})
        mounts = len(_mounts(job, position, sessions))
        free[p] = len(sessions) - mounts if wanted else mounts - 1
    return np.maximum(free, 0.0)


def _mounts(job: ComparisonJob, position: str, sessions: Iterable[str]) -> set[str]:
    """The mounts at a position over some sessions; what is not named is new in each session."""
    return {job.mounts.get((session, position)) or f" {session}" for session in sessions}


def same_mount(job: ComparisonJob, position: str, sessions: tuple[str, str]) -> bool:
    """Whether the sensor at a position stayed where it was from one session to the other."""
    names = [job.mounts.get((session, position)) for session in sessions]
    return names[0] is not None and names[0] == names[1]
