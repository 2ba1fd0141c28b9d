"""Which runs to record next, and why, in the order of what they would give.

Comparisons without any answer come first. Then what casts doubt on answers that there are, by how many of them rest on
it; then further operating points, repeats, and what would be good to know.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from tapeline.campaign.coverage import Coverage, MissingRuns
from tapeline.campaign.coverage_cells import ENOUGH_RUNS, Point
from tapeline.campaign.model import Campaign
from tapeline.report.attention import action_of, meaning_of, sentence_of, severity_of, used_states, without_place
from tapeline.report.attention_background import runs_without_background
from tapeline.report.attention_item import CALIBRATION, comparison_place
from tapeline.report.attention_repeats import measured_twice
from tapeline.report.comparison_views import condition_title, is_given
from tapeline.report.coverage_rows import missing_runs, points_words
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import Link, Words
from tapeline.report.sections.calibration import resting_differences
from tapeline.report.view_names import run_anchor, run_file
from tapeline.report.wording import counted, listed

NO_ANSWER, DOUBT, NO_ANSWER_THERE, NO_REPEATS, NOT_SHOWN, LATER = range(6)
MOST_NAMED = 4
RUN_WORDS = {1: "one run", 2: "two runs"}


@dataclass(frozen=True)
class Recording:
    """Runs to record: `rank` orders them, then `resting` differences, the most first; `words` say which and why."""

    rank: int
    words: Words
    resting: int = 0


def recordings(tables: FinishedTables, campaign: Campaign, found: Coverage) -> list[Recording]:
    """What to record next: for comparisons without an answer, doubts, lost backgrounds, single runs, more repeats."""
    every = [
        *_missing(tables, campaign, found),
        *_backgrounds(tables, campaign),
        *_doubts(tables),
        *_more_repeats(tables),
        *_another_session(tables, campaign),
    ]
    return sorted(every, key=lambda one: (one.rank, -one.resting))


def _missing(tables: FinishedTables, campaign: Campaign, found: Coverage) -> Iterator[Recording]:
    answered = {row["comparison"] for row in tables.comparisons if is_given(row)}
    for each, points, never in missing_runs(found):
        words = _missing_words(campaign, each, points, never=never)
        elsewhere = answered.issuperset((*each.joined, *each.completed, *each.helped))
        rank = NO_REPEATS if not never else NO_ANSWER_THERE if elsewhere else NO_ANSWER
        yield Recording(rank, (words, *_lost(tables, campaign, each, points)))


def _missing_words(campaign: Campaign, each: MissingRuns, points: Iterable[Point], *, never: bool) -> str:
    at = points_words(points, campaign.settings.report.speed_unit)
    what = f"{condition_title(campaign, each.condition)} at {at}, session {' or '.join(each.sessions)}"
    names = listed(dict.fromkeys((*each.joined, *each.completed, *each.helped)), MOST_NAMED)
    many = len({*each.joined, *each.completed, *each.helped}) > 1
    if each.joined:
        others = [f"{condition_title(campaign, name)}, session {' or '.join(own)}" for name, own in each.instead]
        compare = "compare" if many else "compares"
        return f"{', or '.join((what, *others))}: {RUN_WORDS[each.runs]}. {names} {compare} different sessions without."
    if never:
        return f"{what}: {RUN_WORDS[each.runs]}. {names} {'have' if many else 'has'} no answer there without."
    where = f" at {listed(each.positions, MOST_NAMED)}" if each.positions else ""
    more = RUN_WORDS[each.runs].replace(" ", " more ")
    return f"{what}: {more}{where}. {names} {'lack' if many else 'lacks'} repeats there."


def _lost(
    tables: FinishedTables, campaign: Campaign, each: MissingRuns, points: Iterable[Point]
) -> Iterator[str | Link]:
    """Runs that were recorded for this and cannot be used at a position that needs them, and why."""
    wanted, places = set(points), set(each.positions)
    said: dict[str, str] = {}
    for row in tables.quality:
        run = campaign.runs.get(row["run"])
        here = run is not None and (run.condition, run.session in each.sessions) == (each.condition, True)
        lacking = not places or row["position"] in places
        if here and lacking and row["verdict"] == "unusable" and campaign.operating_points.get(row["run"]) in wanted:
            codes = row["reasons"] or ()
            said.setdefault(row["run"], f": {meaning_of(codes[0])}; {action_of(codes[0])}." if codes else ".")
    for name, why in list(said.items())[:MOST_NAMED]:
        yield " Lost: run "
        yield Link(name, run_file(name))
        yield why


def _backgrounds(tables: FinishedTables, campaign: Campaign) -> Iterator[Recording]:
    """Operating points of runs from which no background of the flow is subtracted."""
    unit = campaign.settings.report.speed_unit
    found = runs_without_background(tables, used_states(tables, campaign))
    for (session, _, refused), runs in found.items():
        points = {campaign.operating_points[run] for run in runs if run in campaign.operating_points}
        why = f"what was recorded was refused ({refused[0]})" if refused else "none was recorded"
        rests = sum(_rests_on(row, runs) for row in tables.comparisons if is_given(row))
        yield Recording(
            DOUBT,
            (
                f"Background at {points_words(sorted(points), unit)}, session {session}: {why}, so the levels of ",
                Link(counted(len(runs), "run"), f"#{run_anchor(runs[0])}"),
                f" may hold any amount of it.{_rest_words(rests, 'them')}",
            ),
            rests,
        )


def _rests_on(row: Row, runs: Iterable[str]) -> bool:
    return not {*(row["reference_runs"] or ()), *(row["treatment_runs"] or ())}.isdisjoint(runs)


def _rest_words(count: int, what: str) -> str:
    return f" {counted(count, 'difference')} {'rests' if count == 1 else 'rest'} on {what}." if count else ""


def _doubts(tables: FinishedTables) -> Iterator[Recording]:
    """Channels of a session whose calibration is doubtful or unusable for the same reason, with what to do."""
    alike: dict[tuple[bool, str, str, str], list[Row]] = {}
    for row in sorted(tables.calibration, key=lambda row: (row["verdict"] != "unusable", row["session"])):
        if row["verdict"] == "good":
            continue
        code = next((code for code in row["reasons"] or () if severity_of(code) != "note"), "")
        why = (
            without_place(sentence_of(row, code), position=row["position"])
            if code
            else f"its calibration is {row['verdict']}"
        )
        alike.setdefault((row["verdict"] != "unusable", row["session"], code, why), []).append(row)
    for (_, session, code, why), rows in alike.items():
        action = f" Next: {action_of(code)}." if code else ""
        rests = sum(resting_differences(tables, row) for row in rows)
        sensors = [row["sensor"] for row in rows if row["sensor"]]
        sensor = f", sensor{'s' if len(sensors) > 1 else ''} {listed(sensors, MOST_NAMED)}" if sensors else ""
        where = f"{listed((row['position'] for row in rows), MOST_NAMED)}, session {session}{sensor}"
        resting = _rest_words(rests, "it" if len(rows) == 1 else "them")
        yield Recording(DOUBT, (Link(where, CALIBRATION), f": {why}.{resting}{action}"), rests)


def _more_repeats(tables: FinishedTables) -> Iterator[Recording]:
    """Differences that more repeats would show, were they as large as found: one entry a comparison."""
    wanted: dict[str, list[Row]] = {}
    for row in tables.ranking:
        if row["next_step"] == "repeat" and row["runs_needed"]:
            wanted.setdefault(row["comparison"], []).append(row)
    for name, rows in sorted(wanted.items()):
        places = list(dict.fromkeys(row["position"] for row in rows))
        needed = sorted({int(row["runs_needed"]) for row in rows})
        runs = f"{needed[0]}" if len(needed) == 1 else f"{needed[0]} to {needed[-1]}"
        yield Recording(
            NOT_SHOWN,
            (Link(name, comparison_place(name)),
             f" at {listed(places, MOST_NAMED)}: about {runs} runs a side would show a difference as large as found."),
        )  # fmt: skip


def _another_session(tables: FinishedTables, campaign: Campaign) -> Iterator[Recording]:
    if tables.used_measurements and not measured_twice(tables.runs):
        reference = campaign.settings.reference_condition
        yield Recording(LATER, f"{reference} in a second session: how levels repeat after a month is not known yet.")


def not_needed(tables: FinishedTables, found: Coverage) -> list[str]:
    """Unusable recordings whose cells have repeats without them."""
    lost = {row["run"] for row in tables.runs if row["status"] == "unusable" and row["kind"] == "measurement"}
    short = {run for cell in found.cells if len(cell.usable) < ENOUGH_RUNS for run in cell.there_are}
    known = {run for cell in found.cells for run in cell.there_are}
    return sorted((lost & known) - short)
