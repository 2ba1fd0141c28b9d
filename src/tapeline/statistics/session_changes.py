"""How far sessions differ in a campaign: where a sensor's mount stayed, and where it was made anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Flags, Reals
from tapeline.limits import SESSION_VARIANCE_CHANGES
from tapeline.statistics.session_scatter import SessionChange, SessionScatter, session_scatter

Sessions = tuple[str, str]


@dataclass(frozen=True)
class SessionChanges:
    """The scatter of sessions where the sensor's mount stayed, and where it was made anew.

    `mean_db` holds what was measured to change from one session to another, (positions, items), by pairs of sessions
    with a common condition.
    """

    same_mount: SessionScatter
    remounted: SessionScatter
    mean_db: Mapping[Sessions, Reals]

    def measured_db(self, sessions: Sessions) -> Reals | None:
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

    def of_mounts(self, stayed: Flags) -> SessionScatter:
        """The scatter of positions, (positions, items), whose mount `stayed` (positions,) or was made anew.

        A mount that stays changes no more than one made anew, so that the latter stands in item by item where the
        campaign has fewer than `SESSION_VARIANCE_CHANGES` of the former and more of the latter. Not the other way
        round.
        """
        own, anew = self.same_mount, self.remounted
        use_remounted = ~stayed[:, None] | ((own.changes < SESSION_VARIANCE_CHANGES) & (anew.changes > own.changes))
        names = (field.name for field in fields(SessionScatter))
        return SessionScatter(*(np.where(use_remounted, getattr(anew, name), getattr(own, name)) for name in names))


def changes_by_mount(
    changes: Mapping[Sessions, SessionChange], mount: Mapping[str, NDArray[np.int64]], near: Flags
) -> SessionChanges:
    """The scatter of sessions from all changes between two of them, each position by its own mounts.

    `mount` numbers the mounts of the positions, (positions,), by session: the same number in two sessions where the
    sensor stayed where it was. `near` (items, items) says which items are pooled with each, see `session_scatter`.
    """
    stayed = {pair: np.asarray(mount[pair[0]] == mount[pair[1]]) for pair in changes}
    positions = len(next(iter(mount.values()), ()))
    found = []
    for wanted in (True, False):
        flags = {pair: kept == wanted for pair, kept in stayed.items()}
        chosen = [_at(change, flags[pair]) for pair, change in changes.items()]
        free = [_degrees_of_freedom(flags, mount, p, stayed=wanted) for p in range(positions)]
        found.append(session_scatter(chosen, np.array(free, dtype=np.float64), near))
    return SessionChanges(found[0], found[1], {pair: change.mean_db for pair, change in changes.items()})


def _at(change: SessionChange, positions: Flags) -> SessionChange:
    """The change at some positions, unknown at the others."""
    parts = (change.mean_db, change.squares_db2, change.noise_db2)
    return SessionChange(*(np.where(positions[:, None], part, np.nan) for part in parts))


def _degrees_of_freedom(
    pairs: Mapping[Sessions, Flags], mount: Mapping[str, NDArray[np.int64]], p: int, *, stayed: bool
) -> int:
    """Independent changes of a position: sessions less mounts where the mount stayed, mounts less one otherwise.

    `pairs` flags the positions, (positions,), that a pair of sessions tells of.
    """
    sessions = {name for pair, flags in pairs.items() if flags[p] for name in pair}
    mounts = {int(mount[name][p]) for name in sessions}
    return max(len(sessions) - len(mounts) if stayed else len(mounts) - 1, 0)
