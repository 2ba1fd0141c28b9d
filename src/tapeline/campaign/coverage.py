"""What a campaign covers: usable runs, what can be compared of them, and which runs would complete comparisons."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from tapeline.campaign.coverage_cells import ENOUGH_RUNS, ComparedPoint, CoverageCell, Point
from tapeline.campaign.coverage_results import Measured
from tapeline.campaign.coverage_survey import Survey
from tapeline.campaign.model import Campaign


@dataclass(frozen=True)
class Coverage:
    """Coverage of a campaign; `measured` is what results were taken into account, None where it is the run table's.

    `without_result` are used runs of the run table that the results do not know. `out_of_use` are positions by session
    that no run of the session can use.
    """

    campaign: Campaign
    measured: Measured | None
    cells: tuple[CoverageCell, ...]
    points: tuple[ComparedPoint, ...]
    missing: tuple[MissingRuns, ...]
    without_result: tuple[str, ...]
    out_of_use: Mapping[str, tuple[str, ...]]


def coverage(campaign: Campaign, measured: Measured | None = None) -> Coverage:
    """The coverage by the campaign's files, or less what results say cannot be used.

    Counted are measurements that are used: not superseded, not left out. Background and calibration runs are not, nor
    are positions of reference sensors compared.
    """
    survey = Survey(campaign, measured)
    points = tuple(
        point for name, each in campaign.settings.comparisons.items() for point in survey.compared(name, each)
    )
    return Coverage(
        campaign=campaign,
        measured=measured,
        cells=tuple(survey.cells()),
        points=points,
        missing=_missing_runs(survey, points),
        without_result=survey.without_result,
        out_of_use={name: found for name in sorted(survey.fitted) if (found := survey.out_of_use(name))},
    )


@dataclass(frozen=True)
class MissingRuns:
    """Runs that would complete comparisons: `runs` more of a condition at a point, in one of the sessions.

    `positions` are those that need them, () where all do. `completed` are the comparisons that have repeats of both
    conditions then, `helped` those of which the other condition lacks runs too. `joined` are comparisons across
    sessions that are within one then; `instead` does as well: a condition and the sessions that it would be run in.
    """

    condition: str
    point: Point
    sessions: tuple[str, ...]
    runs: int
    positions: tuple[str, ...]
    completed: tuple[str, ...]
    helped: tuple[str, ...]
    joined: tuple[str, ...] = ()
    instead: tuple[tuple[str, tuple[str, ...]], ...] = ()


def _missing_runs(survey: Survey, points: Sequence[ComparedPoint]) -> tuple[MissingRuns, ...]:
    """What would give every comparison repeats on both sides; each condition, point and session once.

    What puts both conditions into one session comes before repeats: these leave the part between sessions as it is.
    """
    gathered: dict[tuple[str, Point, tuple[str, ...], bool], list[MissingRuns]] = {}
    found = [one for point in points if point.across_sessions for one in _one_session(survey, point)]
    for point in points:
        found += _one_side_missing(survey, point) if point.absent else _short_sides(survey, point)
    for one in found:
        gathered.setdefault((one.condition, one.point, one.sessions, bool(one.joined)), []).append(one)
    return tuple(_together(same) for same in gathered.values())


def _together(found: Sequence[MissingRuns]) -> MissingRuns:
    """What several comparisons miss at one place."""
    first = found[0]
    positions = tuple(dict.fromkeys(position for each in found for position in each.positions))
    return MissingRuns(
        first.condition,
        first.point,
        first.sessions,
        max(each.runs for each in found),
        () if any(not each.positions for each in found) else positions,
        tuple(dict.fromkeys(name for each in found for name in each.completed)),
        tuple(dict.fromkeys(name for each in found for name in each.helped)),
        tuple(dict.fromkeys(name for each in found for name in each.joined)),
        tuple(dict.fromkeys(other for each in found for other in each.instead)),
    )


def _one_session(survey: Survey, point: ComparedPoint) -> Iterator[MissingRuns]:
    """What makes a comparison across sessions one within a session: either condition in a session of the other."""
    reference, treatment = (survey.sessions(name, point.point) for name in (point.reference, point.treatment))
    instead = ((point.reference, treatment),)
    repeated = _most_runs(survey, point.reference, point, reference) >= ENOUGH_RUNS
    names = _parted(point.comparison, completed=repeated)
    yield MissingRuns(
        point.treatment, point.point, reference, ENOUGH_RUNS, (), *names, joined=(point.comparison,), instead=instead
    )


def _most_runs(survey: Survey, condition: str, point: ComparedPoint, sessions: Sequence[str]) -> int:
    """The most usable runs of a condition at any position of some sessions."""
    counts = (
        len(survey.usable_runs(condition, point.point, session, position))
        for session in sessions
        for position in survey.fitted.get(session, {})
    )
    return max(counts, default=0)


def _one_side_missing(survey: Survey, point: ComparedPoint) -> Iterator[MissingRuns]:
    """A condition that was not run at a point where the other was, in any session of the latter."""
    [condition] = point.absent
    other = point.treatment if condition == point.reference else point.reference
    sessions = tuple(session for _, session in point.elsewhere)
    names = _parted(point.comparison, completed=_most_runs(survey, other, point, sessions) >= ENOUGH_RUNS)
    yield MissingRuns(condition, point.point, sessions, ENOUGH_RUNS, (), *names)


def _short_sides(survey: Survey, point: ComparedPoint) -> Iterator[MissingRuns]:
    """A condition with fewer runs than repeats take; positions that no run of the session can use need mending."""
    sides = (
        (point.reference, point.reference_session, point.reference_runs),
        (point.treatment, point.treatment_session, point.treatment_runs),
    )
    dead = {position for _, session, _ in sides for position in survey.out_of_use(session or "")}
    short = [_short(runs, dead) for _, _, runs in sides]
    living = len([position for position in point.reference_runs if position not in dead])
    for place, (condition, session, _) in enumerate(sides):
        if session is not None and short[place]:
            positions = () if len(short[place]) == living else tuple(short[place])
            names = _parted(point.comparison, completed=not set(short[place]) & set(short[1 - place]))
            needed = max(short[place].values())
            yield MissingRuns(condition, point.point, (session,), needed, positions, *names)


def _parted(comparison: str, *, completed: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """A comparison as one that is completed, or as one that is helped."""
    return ((comparison,), ()) if completed else ((), (comparison,))


def _short(runs: Mapping[str, int], dead: set[str]) -> dict[str, int]:
    """How many runs each position lacks."""
    return {name: ENOUGH_RUNS - count for name, count in runs.items() if count < ENOUGH_RUNS and name not in dead}
