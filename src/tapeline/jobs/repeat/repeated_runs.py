"""The runs of a condition at one operating point over all sessions: their levels, and the scatter of repeats."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.jobs.levels.common_part import same_edges
from tapeline.jobs.levels.inherited_doubt import inherited_doubt
from tapeline.jobs.levels.level_array import LevelArray
from tapeline.jobs.repeat import RepeatNeeds, RepeatRun
from tapeline.quality.use_of_levels import less_along_first
from tapeline.statistics.comparison import RunLevels
from tapeline.statistics.repeat_pools import Point, RepeatPools, rows_of
from tapeline.store.tables_of_repeats import LESS_TAKEN_OFF

BASES = ("as measured", "nominal")
"""What levels stand for, by whether they were brought to the nominal speed and air."""


@dataclass(frozen=True)
class Repeats:
    """Runs of one condition at one operating point, in order of time, with their levels (runs, positions, items).

    `session` numbers the `sessions`. A session of which any run is a bound has no level there: the runs beside the
    bound are those that came out high; `bounds` counts these runs, (sessions, positions, items). Nor has one from which
    less background could be subtracted than from another that has levels, where something was subtracted
    (`session_less`, alike), nor a run that is in doubt itself or from which less could be subtracted than from others
    of its session (`kept_out`: why, as the levels). `nominal` says where levels are brought to the nominal point,
    (positions, items).
    """

    runs: tuple[RepeatRun, ...]
    sessions: tuple[str, ...]
    session: NDArray[np.int64]
    levels: RunLevels
    bounds: NDArray[np.int64]
    kept_out: NDArray[np.object_]
    session_less: NDArray[np.bool_]
    nominal: NDArray[np.bool_]

    def of_session(self, number: int) -> RunLevels:
        """The levels of one session's runs."""
        own, r = self.session == number, self.levels
        return RunLevels(r.level_db[own], r.random_db[own], r.background_db[own], r.upper_bound_db[own], r.state[own])

    def left_out(self, p: int, i: int) -> list[str]:
        """What is not among the levels of a position and item, and why: sessions, then single runs."""
        said = []
        for j, session in enumerate(self.sessions):
            if bounds := int(self.bounds[j, p, i]):
                said.append(f"session {session}: {bounds} bound{'' if bounds == 1 else 's'}")
            elif self.session_less[j, p, i]:
                said.append(f"session {session}: {LESS_TAKEN_OFF}")
        words = [(run.run, why) for run, why in zip(self.runs, self.kept_out[:, p, i], strict=True) if why]
        return said + [f"run {name}: {why}" for name, why in words]


@dataclass(frozen=True)
class RepeatJob:
    """What all parts of the job share."""

    needs: RepeatNeeds
    cube: LevelArray

    @cached_property
    def cells(self) -> dict[str, dict[Point, tuple[RepeatRun, ...]]]:
        """Runs that have levels by condition and operating point, in order of time."""
        known = set(self.cube.runs)
        grouped: dict[str, dict[Point, list[RepeatRun]]] = {}
        for run in self.needs.runs:
            if run.run in known:
                points = grouped.setdefault(run.condition, {})
                points.setdefault((run.speed_mps, run.yaw_deg), []).append(run)
        return {
            condition: {point: tuple(runs) for point, runs in sorted(points.items())}
            for condition, points in sorted(grouped.items())
        }

    def repeats(self, runs: tuple[RepeatRun, ...]) -> Repeats:
        """The levels of some runs; overall levels only where they cover the same bands in all runs."""
        names = [run.run for run in runs]
        index = self.cube.places(names)
        sessions = tuple(dict.fromkeys(run.session for run in runs))
        session = np.array([sessions.index(run.session) for run in runs], dtype=np.int64)
        numbers = range(len(sessions))
        alike = same_edges(self.cube, names, ())
        together = self.cube.pooled[index]
        found = self.cube.levels_where(index, together & alike)
        bound = np.isfinite(found.upper_bound_db)
        bounds = np.stack([bound[session == number].sum(axis=0) for number in numbers])
        level = np.where(bounds[session] > 0, np.nan, found.level_db)
        session_less = _session_less(
            np.where(np.isfinite(level), self.cube.background_source[index], -1), found, session
        )
        level = np.where(session_less[session], np.nan, level)
        there = self.cube.usable[index] & alike & (bounds[session] == 0) & ~session_less[session]
        kept_out = np.full(there.shape, "", dtype=object)
        kept_out[there & ~together] = LESS_TAKEN_OFF
        for r, p, i in np.argwhere(there & ~together & self.cube.doubted[index]):
            kept_out[r, p, i] = ", ".join(self.cube.doubt[index[r], p, i])
        brought = self.cube.nominal[index] & np.isfinite(level)
        nominal = np.asarray((brought | np.isnan(level)).all(axis=0) & brought.any(axis=0))
        # Never some of them only: what cannot all be brought there stays as it was measured.
        added = np.nan_to_num(self.cube.values["nominal_correction_db"][index])
        level = level - np.where(brought & ~nominal, added, 0.0)
        levels = RunLevels(level, found.random_db, found.background_db, found.upper_bound_db, found.state)
        return Repeats(runs, sessions, session, levels, bounds, kept_out, session_less, nominal)

    def doubt(self, repeats: Repeats, p: int, i: int) -> list[str]:
        """What makes the levels of a position and item doubtful, and by which run."""
        known = np.isfinite(repeats.levels.level_db[:, p, i])
        names = [run.run for run, used in zip(repeats.runs, known, strict=True) if used]
        return inherited_doubt(self.cube, names, p, i)

    def doubt_of_session(self, repeats: Repeats, session: int, p: int, i: int) -> list[str]:
        """The same of the levels of one session by number."""
        known = np.isfinite(repeats.levels.level_db[:, p, i]) & (repeats.session == session)
        names = [run.run for run, used in zip(repeats.runs, known, strict=True) if used]
        return inherited_doubt(self.cube, names, p, i)

    @cached_property
    def pools(self) -> RepeatPools:
        """The repeats of all cells."""
        rows = {
            (session, condition, point): rows_of(found.of_session(number))
            for condition, point, found in self.all_repeats()
            for number, session in enumerate(found.sessions)
        }
        shape = len(self.cube.positions), len(self.cube.items)
        return RepeatPools(rows, self.cube.near_items, shape, self.needs.repeats_pooled)

    def all_repeats(self) -> Iterator[tuple[str, Point, Repeats]]:
        """Every condition and operating point with its levels."""
        for condition, points in self.cells.items():
            for point, runs in points.items():
                yield condition, point, self.repeats(runs)

    def mount(self, session: str, position: str) -> str | None:
        """The mount of a position in a session; None where it is not stated."""
        return self._mounts.get((session, position))

    @cached_property
    def _mounts(self) -> dict[tuple[str, str], str | None]:
        return {(session, position): mount for session, position, mount in self.needs.mounts}


def _session_less(
    background_source: NDArray[np.integer], found: RunLevels, session: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Sessions from which less could be subtracted than from another that has levels, (sessions, positions, items).

    `background_source` (runs, positions, items) is -1 where there is no level.
    """
    subtracted = (background_source >= 0) & (found.state >= background.CORRECTED)
    parts = [session == j for j in range(int(session.max()) + 1)]
    most = np.stack([background_source[own].max(axis=0) for own in parts])
    there = most >= 0
    return less_along_first(most, there, np.stack([subtracted[own].any(axis=0) for own in parts])) & there
