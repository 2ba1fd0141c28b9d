"""Look-ups over a campaign's used measurements: which runs give levels where, which conditions meet."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from functools import cached_property

from tapeline.campaign.coverage_cells import (
    ENOUGH_RUNS,
    ComparedPoint,
    CoverageCell,
    FewerRuns,
    Point,
    Pooled,
    session_pairs,
)
from tapeline.campaign.coverage_results import UNUSABLE, Measured, view_of
from tapeline.campaign.model import Campaign
from tapeline.campaign.settings import Comparison
from tapeline.campaign.tables import Run


class Survey:
    """Look-ups over the used measurements of a campaign."""

    def __init__(self, campaign: Campaign, measured: Measured | None) -> None:
        self.campaign, self._measured = campaign, measured
        self.runs = tuple(run for run in campaign.used_runs() if run.kind == "measurement" and self._point(run))
        mounts: dict[str, dict[str, str | None]] = {}
        for fitting in campaign.fittings:
            mounts.setdefault(fitting.session, {})[fitting.position] = fitting.mount
        self.fitted = mounts
        self._by_place: dict[tuple[str, Point, str], list[Run]] = {}
        for run in self.runs:
            self._by_place.setdefault((run.condition or "", self.point_of(run), run.session), []).append(run)

    def _point(self, run: Run) -> Point | None:
        return self.campaign.operating_points.get(run.run)

    def point_of(self, run: Run) -> Point:
        """The operating point of a run that has one."""
        return self.campaign.operating_points[run.run]

    @cached_property
    def _by_hand(self) -> dict[tuple[str, str | None], str]:
        """Verdicts set by hand, of runs and positions, or None for all that have none of their own."""
        return {(row.run, row.position): row.verdict for row in self.campaign.overrides}

    @cached_property
    def points(self) -> tuple[Point, ...]:
        """All operating points of used measurements, sorted."""
        return tuple(sorted({self.point_of(run) for run in self.runs}))

    @cached_property
    def positions(self) -> tuple[str, ...]:
        """Positions fitted in a session that has measurements, in the order of the table of positions."""
        sessions = {run.session for run in self.runs}
        fitted = {position for session in sessions for position in self.fitted.get(session, {})}
        return tuple(name for name in self.campaign.positions if name in fitted)

    @cached_property
    def without_result(self) -> tuple[str, ...]:
        """Used measurements that results say nothing of."""
        if self._measured is None:
            return ()
        known = {run for run, _ in self._measured.usable}
        return tuple(run.run for run in self.runs if run.run not in known)

    def sessions(self, condition: str, point: Point) -> tuple[str, ...]:
        """The sessions in which a condition was run at a point, sorted."""
        return tuple(sorted({key[2] for key in self._by_place if key[:2] == (condition, point)}))

    def can_use(self, run: Run, position: str) -> bool:
        """Whether a run gives levels at a position."""
        if position not in self.fitted.get(run.session, {}):
            return False
        if self._measured is None:
            return self._by_hand.get((run.run, position), self._by_hand.get((run.run, None))) != UNUSABLE
        return self._measured.usable.get((run.run, position), False)

    def usable_runs(self, condition: str, point: Point, session: str, position: str) -> list[Run]:
        """The runs of one place that give levels at a position."""
        return [run for run in self._by_place.get((condition, point, session), ()) if self.can_use(run, position)]

    def out_of_use(self, session: str) -> tuple[str, ...]:
        """Fitted positions that no run of a session can use, though there are runs with results."""
        runs = [run for run in self.runs if run.session == session and run.run not in self.without_result]
        if not runs:
            return ()
        return tuple(p for p in self.fitted.get(session, {}) if not any(self.can_use(run, p) for run in runs))

    def cells(self) -> Iterator[CoverageCell]:
        """Every cell of condition, point and position, in the order of the settings, speed, yaw, table of positions."""
        every: dict[tuple[str, Point], list[Run]] = {}
        for run in self.campaign.runs.values():
            point = self._point(run)
            if run.kind == "measurement" and point:
                every.setdefault((run.condition or "", point), []).append(run)
        for condition in self.campaign.settings.conditions:
            for point in self.points:
                used = [run for s in self.sessions(condition, point) for run in self._by_place[condition, point, s]]
                there_are = every.get((condition, point), [])
                for position in self.positions:
                    usable = [run for run in used if self.can_use(run, position)]
                    yield CoverageCell(
                        condition,
                        point,
                        position,
                        tuple(run.run for run in usable),
                        tuple(run.run for run in there_are if position in self.fitted.get(run.session, {})),
                        tuple(sorted({run.session for run in usable})),
                    )

    def compared(self, name: str, comparison: Comparison) -> Iterator[ComparedPoint]:
        """One comparison at every point where one of its conditions was run."""
        for point in self.points:
            reference, treatment = (self.sessions(c, point) for c in (comparison.reference, comparison.treatment))
            if not reference and not treatment:
                continue
            for pair in session_pairs(reference, treatment) or [(None, None)]:
                yield self._compared(name, comparison, point, pair)

    def _compared(
        self, name: str, comparison: Comparison, point: Point, pair: tuple[str | None, str | None]
    ) -> ComparedPoint:
        conditions = (comparison.reference, comparison.treatment)
        where = [self.sessions(condition, point) for condition in conditions]
        absent = tuple(condition for condition, found in zip(conditions, where, strict=True) if not found)
        sessions = sorted({*where[0], *where[1]} if absent else {session for session in pair if session})
        references = self.campaign.settings.background.references
        wanted = [position for position in self.positions if position not in references]
        enough = any if absent else all
        kept = [p for p in wanted if enough(p in self.fitted.get(session, {}) for session in sessions)]
        counts = [
            {p: len(self.usable_runs(condition, point, session, p)) if session else 0 for p in kept}
            for condition, session in zip(conditions, pair, strict=True)
        ]
        elsewhere = [
            (condition, session)
            for condition, found in zip(conditions, where, strict=True)
            for session in found
            if not (session in where[0] and session in where[1]) and session not in pair
        ]
        return ComparedPoint(
            comparison=name,
            reference=comparison.reference,
            treatment=comparison.treatment,
            point=point,
            reference_session=pair[0],
            treatment_session=pair[1],
            reference_runs=counts[0],
            treatment_runs=counts[1],
            not_fitted=tuple(position for position in wanted if position not in kept),
            absent=absent,
            elsewhere=tuple(elsewhere),
            same_mount=frozenset(p for p in kept if self._same_mount(p, pair)),
            pooled=self._pooled(sessions),
            sessions_measured=frozenset(p for p in kept if self._sessions_measured(p, self._same_mount(p, pair))),
            fewer=tuple(self._fewer(name, conditions, point, pair)),
        )

    def _fewer(
        self, name: str, conditions: tuple[str, str], point: Point, pair: tuple[str | None, str | None]
    ) -> Iterator[FewerRuns]:
        """Bands that rest on fewer runs than can be used at their position, as finished comparisons have them."""
        if self._measured is None or pair[0] is None or pair[1] is None:
            return
        bands = self._measured.bands.get(view_of(name, (pair[0], pair[1]), point), {})
        of = sum(bands.values())
        for side, (condition, session) in enumerate(zip(conditions, (pair[0], pair[1]), strict=True)):
            found: dict[tuple[str, ...], list[tuple[int, tuple[str, ...]]]] = {}
            for (position, *runs), count in bands.items():
                every = (run.run for run in self.usable_runs(condition, point, session, position))
                usable = [run for run in every if self._measured.knows(run, position)]
                without = tuple(run for run in usable if run not in runs[side])
                if without:
                    left = tuple(run for run in usable if run in runs[side])
                    found.setdefault(without, []).append((count, left))
            for without, parts in sorted(found.items()):
                left_over = {left for _, left in parts}
                rest_on = next(iter(left_over)) if len(left_over) == 1 else ()
                yield FewerRuns(condition, without, rest_on, sum(count for count, _ in parts), of)

    def _same_mount(self, position: str, pair: tuple[str | None, str | None]) -> bool:
        mounts = [self.fitted.get(session or "", {}).get(position) for session in pair]
        return pair[0] != pair[1] and mounts[0] is not None and mounts[0] == mounts[1]

    def _sessions_measured(self, position: str, stayed: bool) -> bool:
        """Whether some pair of sessions shows what sessions change at a position.

        For a mount made anew one whose mounts differ, for one that stayed any: the former stands in for the latter.
        """
        return any(stayed or not same for same in self._sessions_in_common.get(position, ()))

    @cached_property
    def _sessions_in_common(self) -> dict[str, frozenset[bool]]:
        """By position, whether the mount stayed between two sessions with usable runs of one condition at a point."""
        sessions: dict[tuple[str, Point], list[str]] = {}
        for condition, point, session in self._by_place:
            sessions.setdefault((condition, point), []).append(session)
        found: dict[str, set[bool]] = {}
        for (condition, point), names in sessions.items():
            for position in self.positions if len(names) > 1 else ():
                has = [name for name in names if self.usable_runs(condition, point, name, position)]
                pairs = itertools.combinations(has, 2)
                found.setdefault(position, set()).update(self._same_mount(position, pair) for pair in pairs)
        return {position: frozenset(kinds) for position, kinds in found.items()}

    def _pooled(self, sessions: Iterable[str]) -> Pooled:
        if not self.campaign.settings.compare.repeats_pooled:
            return "nothing"
        if all(session in self._sessions_with_repeats for session in sessions):
            return "session"
        return "all sessions" if self._sessions_with_repeats else "nothing"

    @cached_property
    def _sessions_with_repeats(self) -> frozenset[str]:
        """Sessions with a position that has repeats of some condition at some point."""
        found = set()
        for (condition, point, session), runs in self._by_place.items():
            if len(runs) >= ENOUGH_RUNS and session not in found:
                at = (len(self.usable_runs(condition, point, session, p)) for p in self.fitted.get(session, {}))
                found |= {session} if max(at, default=0) >= ENOUGH_RUNS else set()
        return frozenset(found)
