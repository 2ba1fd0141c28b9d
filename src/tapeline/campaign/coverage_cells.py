"""One cell of a campaign's coverage, one point of a comparison, and which sessions meet there."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

Point = tuple[float, float]
"""Nominal speed in m/s and yaw in degrees."""

Usable = Mapping[tuple[str, str], bool]
"""By run and position, whether the channel can be used in that run; what is not in it has no result."""

Pooled = Literal["session", "all sessions", "nothing"]
"""What the scatter of single runs can be taken from: repeats of their sessions, of other sessions, or none."""

ENOUGH_RUNS = 2
"""Runs from which on a cell has repeats."""


@dataclass(frozen=True)
class CoverageCell:
    """The runs of one condition, operating point and position.

    `usable` are the runs that give levels; `there_are` holds those not used too (superseded, left out, unusable);
    `sessions` are those of the usable runs. Runs of sessions in which the position is not fitted are in neither.
    """

    condition: str
    point: Point
    position: str
    usable: tuple[str, ...]
    there_are: tuple[str, ...]
    sessions: tuple[str, ...]


@dataclass(frozen=True)
class FewerRuns:
    """Bands of a comparison that rest on fewer runs of a condition than can be used there.

    `without` are the runs that `bands` of all `of` bands do without, positions added up; `rest_on` are the runs left,
    where they are the same in all of these bands.
    """

    condition: str
    without: tuple[str, ...]
    rest_on: tuple[str, ...]
    bands: int
    of: int


@dataclass(frozen=True)
class ComparedPoint:
    """What one comparison can do at one operating point, with the runs of one session or of a pair of them.

    `reference_runs` and `treatment_runs` count usable runs by position, for the positions fitted in both sessions.
    `not_fitted` are the others. Where a condition was not run at the point, it is in `absent`, its session is None and
    the other one's sessions are in `elsewhere`. `elsewhere` else holds sessions that have one condition alone.
    `same_mount` are the positions whose attachment stayed on the body, where sessions differ, and `sessions_measured`
    those where some condition was run in two sessions with such a mount, so that what sessions change is measured.
    `fewer` says, once there are results, which bands rest on fewer runs.
    """

    comparison: str
    reference: str
    treatment: str
    point: Point
    reference_session: str | None
    treatment_session: str | None
    reference_runs: Mapping[str, int]
    treatment_runs: Mapping[str, int]
    not_fitted: tuple[str, ...]
    absent: tuple[str, ...]
    elsewhere: tuple[tuple[str, str], ...]
    same_mount: frozenset[str]
    pooled: Pooled
    sessions_measured: frozenset[str] = frozenset()
    fewer: tuple[FewerRuns, ...] = ()

    @property
    def repeated(self) -> tuple[str, ...]:
        """Positions with repeats of both conditions."""
        return tuple(name for name in self.comparable if self._least(name) >= ENOUGH_RUNS)

    @property
    def single(self) -> tuple[str, ...]:
        """Positions that can be compared, with one run of a condition."""
        return tuple(name for name in self.comparable if self._least(name) < ENOUGH_RUNS)

    @property
    def comparable(self) -> tuple[str, ...]:
        """Positions with a run of either condition."""
        return tuple(name for name in self.reference_runs if self._least(name) > 0)

    @property
    def not_at_all(self) -> tuple[str, ...]:
        """Positions that cannot be compared, though they are fitted."""
        return tuple(name for name in self.reference_runs if self._least(name) == 0)

    @property
    def across_sessions(self) -> bool:
        """Whether the two conditions were run in sessions of their own."""
        return not self.absent and self.reference_session != self.treatment_session

    def _least(self, position: str) -> int:
        return min(self.reference_runs[position], self.treatment_runs[position])


def session_pairs(reference: Iterable[str], treatment: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """Pairs (reference session, treatment session) of the sessions that each condition was run in.

    Each session that has both, by itself; where none has, each session of the one with each of the other. Sorted.
    """
    first, second = sorted(set(reference)), sorted(set(treatment))
    shared = [(session, session) for session in first if session in second]
    return tuple(shared or [(one, other) for one in first for other in second])
