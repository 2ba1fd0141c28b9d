"""Coverage as rows of words, for the terminal and the page: points with equal words share a row."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from tapeline.campaign.coverage import Coverage, MissingRuns
from tapeline.campaign.coverage_cells import ENOUGH_RUNS, ComparedPoint, CoverageCell, FewerRuns, Point
from tapeline.report.wording import NO_VALUE, counted, listed, number, speed

MOST_VALUES = 6
NAMED = 4
"""Positions that are named; of more, how many more there are."""

CAUTION = (
    "A level below its background gives a bound, however many runs there are. A run without a level in a band does not "
    "count there, nor does one with less background to subtract than its repeats. The remarks name such bands once "
    "there are results."
)
BETWEEN_SESSIONS = (
    "between sessions an interval rests on what sessions change, measured where a condition was run in two sessions, "
    "else assumed; repeats do not make that part smaller"
)

COUNT_WORDS = {1: "one run", 2: "two runs"}
Row = tuple[str, ...]


def points_words(points: Iterable[Point], unit: str) -> str:
    """Operating points in words, those with the same speeds together: "100, 130 km/h, yaw 0°, 5°"."""
    by_yaw: dict[float, list[float]] = {}
    for speed_mps, yaw_deg in points:
        by_yaw.setdefault(yaw_deg, []).append(speed_mps)
    by_speeds: dict[tuple[float, ...], list[float]] = {}
    for yaw, speeds in sorted(by_yaw.items()):
        by_speeds.setdefault(tuple(sorted(speeds)), []).append(yaw)
    words = []
    for speeds_mps, yaws in by_speeds.items():
        each = _values([speed(value, unit).removesuffix(f" {unit}") for value in speeds_mps], "speeds")
        words.append(f"{each} {unit}, yaw {_values([f'{round(yaw, 1) + 0.0:g}°' for yaw in yaws], 'angles')}")
    return "; ".join(words)


def _values(words: Sequence[str], noun: str) -> str:
    """Values in a row; of many, how many there are between the first and the last."""
    return ", ".join(words) if len(words) <= MOST_VALUES else f"{len(words)} {noun} from {words[0]} to {words[-1]}"


def _shared(rows: Iterable[tuple[Point, Row, Row]], unit: str) -> list[Row]:
    """Rows of a point between words before and after it; points with equal words in one row."""
    gathered: dict[tuple[Row, Row], list[Point]] = {}
    for point, before, after in rows:
        gathered.setdefault((before, after), []).append(point)
    return [(*before, points_words(points, unit), *after) for (before, after), points in gathered.items()]


def cell_rows(found: Coverage, unit: str, titles: Mapping[str, str]) -> list[Row]:
    """Condition, points, sessions, positions with no, one and more usable runs, and those with fewer than others."""
    by_place: dict[tuple[str, Point], list[CoverageCell]] = {}
    for cell in found.cells:
        by_place.setdefault((cell.condition, cell.point), []).append(cell)
    rows: list[tuple[Point, Row, Row]] = []
    for (condition, point), cells in by_place.items():
        sessions = sorted({session for cell in cells for session in cell.sessions})
        counts = [sum(_bucket(cell) == n for cell in cells) for n in range(ENOUGH_RUNS + 1)]
        named = " ".join(_session_words(session, cells) for session in sessions)
        after = (named or NO_VALUE, *map(str, counts), _fewer(cells))
        rows.append((point, (titles.get(condition, condition),), after))
    return _shared(rows, unit)


def _session_words(session: str, cells: Sequence[CoverageCell]) -> str:
    """A session; with how many positions where it does not have all."""
    own = sum(session in cell.sessions for cell in cells)
    return session if own == len(cells) else f"{session} ({own} of {counted(len(cells), 'position')})"


def _bucket(cell: CoverageCell) -> int:
    return min(len(cell.usable), ENOUGH_RUNS)


def _fewer(cells: Sequence[CoverageCell]) -> str:
    """Positions with fewer runs than most others."""
    counts = Counter(len(cell.usable) for cell in cells)
    usual = max(counts, key=lambda count: (counts[count], count), default=0)
    return listed((f"{c.position} ({len(c.usable)})" for c in cells if len(c.usable) < usual), NAMED) or NO_VALUE


def compared_rows(found: Coverage, unit: str) -> list[Row]:
    """Comparison, points, sessions, pairing, positions with repeats, with single runs, without; interval; remarks."""
    rows = []
    for point in found.points:
        counts = (len(point.repeated), len(point.single), len(point.not_at_all))
        after = (_sessions(point), _pairing(point), *map(str, counts), _interval(point), _remarks(point) or NO_VALUE)
        rows.append((point.point, (point.comparison,), after))
    return _shared(rows, unit)


def _sessions(point: ComparedPoint) -> str:
    if point.reference_session is None or point.treatment_session is None:
        return NO_VALUE
    return " + ".join(dict.fromkeys((point.reference_session, point.treatment_session)))


def _pairing(point: ComparedPoint) -> str:
    if point.absent:
        return NO_VALUE
    if not point.across_sessions:
        return "same session"
    kept = sum(position in point.same_mount for position in point.comparable)
    parts = ((kept, "same mount"), (len(point.comparable) - kept, "remounted"))
    return ", ".join(f"{count} {word}" for count, word in parts if count) or NO_VALUE


def _interval(point: ComparedPoint) -> str:
    """What the intervals rest on; of single runs, where their scatter is taken from."""
    if not point.comparable:
        return NO_VALUE
    if point.across_sessions:
        return _session_interval(point)
    if not point.single:
        return "repeats" if point.pooled != "nothing" else "own repeats"
    words = {"session": "repeats of the session", "all sessions": "repeats of all sessions", "nothing": "an assumption"}
    return words[point.pooled]


def _session_interval(point: ComparedPoint) -> str:
    """Whether what sessions change is measured, at which positions."""
    known = sum(position in point.sessions_measured for position in point.comparable)
    parts = ((known, "measured"), (len(point.comparable) - known, "assumed"))
    if not all(count for count, _ in parts):
        return f"sessions ({next(word for count, word in parts if count)})"
    return f"sessions ({', '.join(f'{count} {word}' for count, word in parts)})"


def _remarks(point: ComparedPoint) -> str:
    if point.absent:
        [missing] = point.absent
        where = listed((session for _, session in point.elsewhere), NAMED)
        other = point.treatment if missing == point.reference else point.reference
        return f"no {missing} run ({other} in {where})"
    remarks = [f"{side}: {listed(names, NAMED)}" for side, names in _without(point).items()]
    if point.single and point.repeated:
        remarks.append(f"single runs: {listed(point.single, NAMED)}")
    remarks += [_fewer_runs(fewer) for fewer in point.fewer]
    if point.not_fitted:
        remarks.append(f"not fitted: {listed(point.not_fitted, NAMED)}")
    alone: dict[str, list[str]] = {}
    for condition, session in point.elsewhere:
        alone.setdefault(session, []).append(condition)
    remarks += [f"{session} has {' '.join(conditions)} alone" for session, conditions in alone.items()]
    return "; ".join(remarks)


def _fewer_runs(fewer: FewerRuns) -> str:
    """Bands with fewer runs than counted: "sealed: 43 of 109 band levels without a16, on a09 alone"."""
    rest = f", on {listed(fewer.rest_on, NAMED)} alone" if len(fewer.rest_on) == 1 else ""
    return f"{fewer.condition}: {fewer.bands} of {fewer.of} band levels without {listed(fewer.without, NAMED)}{rest}"


def _without(point: ComparedPoint) -> dict[str, list[str]]:
    """Positions that cannot be compared by what they lack."""
    found: dict[str, list[str]] = {}
    for position in point.not_at_all:
        sides = ((point.reference, point.reference_runs), (point.treatment, point.treatment_runs))
        lacks = " and ".join(name for name, runs in sides if not runs[position])
        found.setdefault(f"no usable {lacks} run", []).append(position)
    return found


def missing_sentences(found: Coverage, unit: str) -> list[str]:
    """What would complete the comparisons, one sentence each."""
    return [_sentence(each, points_words(points, unit), never=never) for each, points, never in missing_runs(found)]


def missing_runs(found: Coverage) -> list[tuple[MissingRuns, list[Point], bool]]:
    """What would complete the comparisons, at which points, and whether the condition was never run there."""
    gathered: dict[MissingRuns, list[Point]] = {}
    for each in found.missing:
        gathered.setdefault(replace(each, point=(0.0, 0.0)), []).append(each.point)
    absent = {(point.absent, point.point) for point in found.points if point.absent}
    return [(each, points, ((each.condition,), points[0]) in absent) for each, points in gathered.items()]


def _sentence(each: MissingRuns, at: str, *, never: bool) -> str:
    sessions = f"session {' or '.join(each.sessions)}"
    if each.joined:
        others = [f"{condition}, session {' or '.join(names)}" for condition, names in each.instead]
        makes = f"makes it same-session ({listed(each.joined, NAMED)})"
        makes += ", two with repeats on both sides" if each.completed else ""
        return f"{each.condition} at {at}, {sessions}, or {', or '.join(others)}: one run {makes}"
    where = f" at {listed(each.positions, NAMED)}" if each.positions else ""
    sides = ((each.completed, "both sides"), (each.helped, "one side"))
    gives = "repeats on " + " and on ".join(f"{side} ({listed(names, NAMED)})" for names, side in sides if names)
    if never:
        return f"{each.condition} at {at}, {sessions}: one run makes the comparison, two give {gives}"
    verb = "gives" if each.runs == 1 else "give"
    return f"{each.condition} at {at}, {sessions}: {COUNT_WORDS[each.runs]} more{where} {verb} {gives}"


def coverage_notes(found: Coverage) -> list[str]:
    """What to know of these counts."""
    conditions = {cell.condition for cell in found.cells if cell.usable}
    never = [name for name in found.campaign.settings.conditions if name not in conditions]
    made = {point.comparison for point in found.points}
    notes = [f"no usable run of {name}" for name in never]
    notes += [
        f"{name}: neither of its conditions was run" for name in found.campaign.settings.comparisons if name not in made
    ]
    notes += [
        f"{listed(names, NAMED)}: no run of session {session} can be used"
        for session, names in found.out_of_use.items()
    ]
    if found.without_result:
        runs = f"{counted(len(found.without_result), 'run')} without a result ({listed(found.without_result, NAMED)})"
        notes.append(f"the results are older than the run table: {runs}, not counted; run `tapeline run`")
    return [
        *notes,
        *_older_results(found),
        *([BETWEEN_SESSIONS] if any(p.across_sessions for p in found.points) else []),
    ]


def _older_results(found: Coverage) -> list[str]:
    """Where the campaign's files say another thing than when the results were made."""
    if found.measured is None:
        return []
    notes = []
    if found.measured.changed_runs:
        names = listed(found.measured.changed_runs, NAMED)
        notes.append(f"the results are older than the run table, which has these runs otherwise or not at all: {names}")
    if found.measured.changed_verdicts:
        names = listed((f"{run} {position}" for run, position in found.measured.changed_verdicts), NAMED)
        file = found.campaign.settings.tables.overrides
        notes.append(f"the results are older than {file}, whose verdicts are counted: {names}")
    return [f"{note}; run `tapeline run`" for note in notes]


def csv_rows(found: Coverage) -> Iterator[Row]:
    """One row a condition, point and position."""
    yield "condition", "speed_mps", "yaw_deg", "position", "usable_runs", "runs", "sessions", "usable", "there_are"
    for cell in found.cells:
        yield (
            cell.condition,
            number(cell.point[0], 4),
            number(cell.point[1], 2),
            cell.position,
            str(len(cell.usable)),
            str(len(cell.there_are)),
            " ".join(cell.sessions),
            " ".join(cell.usable),
            " ".join(cell.there_are),
        )
