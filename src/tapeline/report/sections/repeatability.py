"""How well a level repeats: within a session, and after a month."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from tapeline.campaign.model import Campaign
from tapeline.limits import BETWEEN_SESSIONS_KNOWN_SESSIONS, OTHER_REPEATS_DIFFERENCES
from tapeline.report.attention_repeats import measured_twice, unlike_other_repeats
from tapeline.report.blocks import Block, FigureBlock, Fold, Prose, Section, TableBlock
from tapeline.report.comparison_views import condition_title
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.headline import Headline, headline_of
from tapeline.report.sections.repeatability_figures import control_figure, scatter_figure
from tapeline.report.sections.repeatability_tables import (
    chance,
    level_words,
    other_sensor,
    pairs_table,
    scatter_table,
    shift_table,
)
from tapeline.report.wording import confidence_words, counted, listed, number, operating_point
from tapeline.statistics.significance import student_factor

WEIGHTING_ORDER = {"A": 0, "Z": 1, "C": 2}
MOST_NAMED = 4
HARDLY_DB = 0.05
"""Shifts below it would be written as 0.0 dB."""


def repeatability_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """The sentences, the figure of scatter, control charts where there are sessions enough, and the tables folded."""
    overall = tables.repeatability("overall")
    reference = campaign.settings.reference_condition
    bands = tables.repeatability("band", reference)
    if not overall and not bands:
        none = Prose("No run has a level: how well levels repeat is not known.", "none")
        return [Section("repeatability", "Repeatability", "trust", [none])]
    headline = headline_of(tables, campaign)
    blocks: list[Block] = [Prose(words, "lead") for words in repeat_sentences(tables, campaign)]
    blocks += [Prose(words) for words in _further_words(campaign, overall, tables.repeat_tests)]
    charted = [row for row in tables.control_values if row["centre_db"] is not None]
    at = at_headline(charted, headline)
    figures = [scatter_figure(campaign, bands), control_figure(campaign, at, level_words(at[0])) if at else None]
    blocks += [FigureBlock(figure) for figure in figures if figure is not None]
    found = [
        scatter_table(campaign, overall),
        shift_table(tables, campaign, [r for r in overall if r["condition"] == reference]),
    ]
    found += [pairs_table(campaign, tables.repeat_tests)] if tables.repeat_tests else []
    shown = tuple(TableBlock(table) for table in found if table.rows)
    blocks += [Fold("Scatter, shifts and repeats that differ, as tables", shown)] if shown else []
    return [Section("repeatability", "Repeatability", "trust", blocks)]


def repeat_sentences(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """How well the reference condition's overall level repeats, in a sentence or two; none where nothing is known."""
    reference = campaign.settings.reference_condition
    rows = [row for row in tables.repeatability("overall") if row["condition"] == reference]
    headline = headline_of(tables, campaign)
    own = at_headline(rows, headline)
    said = scatter_words(campaign, own, headline.session if headline is not None else None)
    known = [row for row in own if row["shift_db"] is not None]
    twice = measured_twice(tables.runs)
    if known:
        every = [row for row in rows if row["shift_db"] is not None and row["weighting"] == known[0]["weighting"]]
        said += [_later_words(tables, campaign, own, known), *_largest_shift(campaign, known, every)]
    elif not twice or own:
        said.append(not_between(own, twice=twice))
    return said


@dataclass(frozen=True)
class SessionScatter:
    """Standard deviations in dB of the repeats of one session by position, as the table of repeatability has them."""

    session: str
    sd_db: Mapping[str, float]
    restless: int
    """Positions where Cochran's test says that this session's repeats scatter more than those of the others."""

    @property
    def is_restless(self) -> bool:
        """Whether Cochran's test names it at half of its positions or more; one alone has a cause of its own."""
        return 2 * self.restless >= len(self.sd_db)


def session_scatters(rows: Sequence[Row]) -> dict[str, SessionScatter]:
    """The scatter of each session that has repeats, of rows of one level at one operating point."""
    found: dict[str, dict[str, float]] = {}
    named: Counter[str] = Counter()
    for row in rows:
        for session, sd in zip(row["sessions"] or (), row["session_sd_db"] or (), strict=False):
            if sd is not None:
                found.setdefault(session, {})[row["position"]] = sd
        named[(row["cochran"] or "").rpartition(": ")[0]] += 1
    return {name: SessionScatter(name, sds, named[name]) for name, sds in sorted(found.items())}


def scatter_words(campaign: Campaign, rows: Sequence[Row], session: str | None) -> list[str]:
    """How runs of one session scatter, where it has repeats, else those of any; and which other session is restless."""
    within = [row for row in rows if row["within_session_sd_db"] is not None]
    if not within:
        return ["No condition has repeats at the headline point: scatter within a session is not known there."]
    scatters = session_scatters(rows)
    own = scatters.get(session or "")
    sds = own.sd_db if own else {row["position"]: row["within_session_sd_db"] for row in within}
    unit = _unit(within[0])
    title = condition_title(campaign, campaign.settings.reference_condition)
    point = operating_point(within[0]["speed_mps"], within[0]["yaw_deg"], campaign.settings.report.speed_unit)
    largest = max(sds, key=lambda position: (sds[position], position))
    where = f"In session {own.session}" if own else "Within a session"
    said = [
        f"{where}, runs of {title} at {point} scatter by {number(median(sds.values()), 2)} {unit}: standard deviation, "
        f"median of {counted(len(sds), 'position')}. The largest is {number(sds[largest], 2)} dB at {largest}."
    ]
    said += [
        f"Session {name} is restless, with {number(median(other.sd_db.values()), 2)} {unit}: Cochran's test names it "
        f"at {other.restless} of {counted(len(other.sd_db), 'position')}."
        for name, other in scatters.items()
        if other.is_restless and len(scatters) > 1
    ]
    return said


def at_headline(rows: Sequence[Row], headline: Headline | None) -> list[Row]:
    """The rows of one overall level at one operating point: those of the sheet where there are any.

    Else A-weighted before others, the fastest point, straight flow.
    """
    if not rows:
        return []
    first = min(
        rows,
        key=lambda row: (
            headline is not None
            and (row["weighting"], (row["lowest_band_hz"], row["highest_band_hz"]))
            != (headline.weighting, headline.range_hz),
            headline is not None and (row["speed_mps"], row["yaw_deg"]) != (headline.speed_mps, headline.yaw_deg),
            WEIGHTING_ORDER.get(row["weighting"], len(WEIGHTING_ORDER)),
            row["lowest_band_hz"],
            row["highest_band_hz"],
            -row["speed_mps"],
            abs(row["yaw_deg"]),
            row["yaw_deg"],
        ),
    )
    names = ("weighting", "lowest_band_hz", "highest_band_hz", "speed_mps", "yaw_deg")
    return [row for row in rows if all(row[name] == first[name] for name in names)]


def _later_words(tables: FinishedTables, campaign: Campaign, rows: Sequence[Row], known: Sequence[Row]) -> str:
    """How far the level moved from the first session to the last, and how much a single run scatters over both."""
    largest = max(known, key=lambda row: (abs(row["shift_db"]), row["position"]))
    shifts = [row["shift_db"] for row in known]
    both = [row["reproducibility_sd_db"] for row in known if row["reproducibility_sd_db"] is not None]
    size = f"by {number(min(shifts), signed=True)} to {number(max(shifts), signed=True)} {_unit(largest)}"
    if abs(largest["shift_db"]) < HARDLY_DB:
        size = f"by less than {HARDLY_DB:g} {_unit(largest)}"
    where = f"at {counted(len(known), 'position')}, most at {largest['position']}"
    point = operating_point(largest["speed_mps"], largest["yaw_deg"], campaign.settings.report.speed_unit)
    moved = f"{_apart(tables, largest)} levels at {point} moved {size} {where}.{_fitting_words(tables, known)}"
    scatter = f" A single run of any session scatters by {number(median(both), 2)} dB (median)." if both else ""
    missing = sorted(row["position"] for row in rows if row["shift_db"] is None)
    gap = f" Not known at {listed(missing, MOST_NAMED)}, where one session counts." if missing else ""
    return f"{moved}{scatter}{gap}"


def _largest_shift(campaign: Campaign, known: Sequence[Row], every: Sequence[Row]) -> list[str]:
    """The largest shift of this level at any operating point, where it is at another point than those in `known`."""
    largest = max(every, key=lambda row: (abs(row["shift_db"]), row["position"]))
    if abs(largest["shift_db"]) <= max(abs(row["shift_db"]) for row in known):
        return []
    point = operating_point(largest["speed_mps"], largest["yaw_deg"], campaign.settings.report.speed_unit)
    p = chance(largest["shift_p_value"])
    return [
        f"At any operating point they moved most at {largest['position']}, {point}, by "
        f"{number(largest['shift_db'], signed=True)} {_unit(largest)}: the largest of {len(every)} shifts, "
        f"p {p if p.startswith('<') else f'= {p}'} by itself."
    ]


def _fitting_words(tables: FinishedTables, known: Sequence[Row]) -> str:
    """At how many positions mounts or sensors were changed between the sessions."""
    remounted = sum(row["shift_mount"] == "remounted" for row in known)
    exchanged = sum(bool(other_sensor(tables, row)) for row in known)
    of = counted(len(known), "position")
    said = [f"remounted at {remounted} of {of}"] if remounted else []
    said += [f"exchanged for another at {exchanged} of {of}"] if exchanged else []
    return f" In between, sensors were {' and '.join(said)}." if said else ""


def _apart(tables: FinishedTables, row: Row) -> str:
    """From when to when: "After 29 days (april to may)"; without the days where the run table has no dates."""
    first, last = row["sessions"][0], row["sessions"][-1]
    days = [_first_day(tables, session) for session in (first, last)]
    if days[0] is None or days[1] is None:
        return f"From {first} to {last}"
    return f"After {counted(abs((days[1] - days[0]).days), 'day')} ({first} to {last})"


def _first_day(tables: FinishedTables, session: str) -> datetime.date | None:
    times = [run["recorded_at"] or "" for run in tables.used_measurements if run["session"] == session]
    try:
        return min((datetime.datetime.fromisoformat(time).date() for time in times if time), default=None)
    except ValueError:
        return None


def _unit(row: Row) -> str:
    return f"dB({row['weighting']})" if row["weighting"] in ("A", "C") else "dB"


def not_between(overall: Sequence[Row], *, twice: bool) -> str:
    """Why nothing is known of scatter between sessions."""
    if not twice:
        cause = "No condition was measured in two sessions at one operating point"
    else:
        reasons = sorted({row["between_refused"] for row in overall} - {None, "one session"})
        cause = "No level of a condition counts in two sessions" + (f" ({', '.join(reasons)})" if reasons else "")
    return f"{cause}: how levels repeat in a later session is not known."


def _further_words(campaign: Campaign, overall: Sequence[Row], tests: Sequence[Row]) -> list[str]:
    """How much that can be relied on, and whether repeats differ more than they should."""
    said = []
    most = max((row["session_count"] for row in overall), default=0)
    if 1 < most < BETWEEN_SESSIONS_KNOWN_SESSIONS:
        factor = number(float(student_factor(most - 1, campaign.settings.confidence)))
        said.append(
            f"With {most} sessions the scatter between them is hardly known: {counted(most - 1, 'degree')} of freedom, "
            f"Student's t {factor} for {confidence_words(campaign.settings.confidence)}."
        )
    tested = [row for row in tests if row["same"] is not None]
    if tested:
        failed, changed = sum(not row["same"] for row in tested), sum(bool(row["changed"]) for row in tested)
        runs = {(row["session"], row["run_a"], row["run_b"]) for row in tested}
        least = f"{campaign.settings.repeatability.excess_db:g} dB"
        said.append(
            f"{counted(len(runs), 'pair')} of repeats give {counted(len(tested), 'test')}, each at one position. "
            f"{failed or 'None'} of these {'differs' if failed < 2 else 'differ'} beyond random error, {changed} by "
            f"{least} rms or more.{_usual(campaign, tested)}"
        )
    return said


def _usual(campaign: Campaign, tested: Sequence[Row]) -> str:
    """How repeats stand to what those of the campaign usually differ by."""
    told = [row for row in tested if row["as_usual"] is not None]
    if not told:
        return f" What is usual is not known: that takes {OTHER_REPEATS_DIFFERENCES} differences of other repeats."
    levels = median(row["usual_level_sd_db"] for row in told)
    odd = sum(unlike_other_repeats(row, campaign.settings.repeatability.excess_db) for row in told)
    return (
        f" Random error is not all: repeats here usually differ by {number(levels, 2)} dB in level (standard "
        f"deviation). Beyond that, {odd or 'none'} of {len(told)} {'differs' if odd < 2 else 'differ'}, in level or "
        f"in a third octave, by {campaign.settings.repeatability.excess_db:g} dB or more."
    )
