"""How well a level repeats: within a session, and after a month."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from statistics import median

from tapeline.campaign.model import Campaign
from tapeline.limits import BETWEEN_SESSIONS_KNOWN_SESSIONS, OTHER_REPEATS_DIFFERENCES
from tapeline.report.attention_repeats import measured_twice, unlike_other_repeats
from tapeline.report.blocks import Block, FigureBlock, Fold, Prose, Section, TableBlock
from tapeline.report.comparison_views import condition_title
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.headline import Headline, headline_of
from tapeline.report.sections.repeatability_figures import control_figure, scatter_figure
from tapeline.report.sections.repeatability_tables import level_words, pairs_table, scatter_table, shift_table
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
        shift_table(campaign, [r for r in overall if r["condition"] == reference]),
    ]
    found += [pairs_table(campaign, tables.repeat_tests)] if tables.repeat_tests else []
    shown = tuple(TableBlock(table) for table in found if table.rows)
    blocks += [Fold("Scatter, shifts and repeats that differ, as tables", shown)] if shown else []
    return [Section("repeatability", "Repeatability", "trust", blocks)]


def repeat_sentences(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """How well the reference condition's overall level repeats, in a sentence or two; none where nothing is known."""
    reference = campaign.settings.reference_condition
    rows = [row for row in tables.repeatability("overall") if row["condition"] == reference]
    own = at_headline(rows, headline_of(tables, campaign))
    return headline_words(tables, campaign, own, twice=measured_twice(tables.runs))


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


def headline_words(tables: FinishedTables, campaign: Campaign, rows: Sequence[Row], *, twice: bool) -> list[str]:
    """How well the reference condition's overall level repeats within a session, and in a later one."""
    within = [row for row in rows if row["within_session_sd_db"] is not None]
    known = [row for row in rows if row["shift_db"] is not None]
    said = []
    if within:
        unit = _unit(within[0])
        title = condition_title(campaign, campaign.settings.reference_condition)
        point = operating_point(within[0]["speed_mps"], within[0]["yaw_deg"], campaign.settings.report.speed_unit)
        spread = median(row["within_session_sd_db"] for row in within)
        largest = max(within, key=lambda row: (row["within_session_sd_db"], row["position"]))
        said.append(
            f"Within a session, runs of {title} at {point} scatter by {number(spread, 2)} {unit}: standard deviation, "
            f"median of {counted(len(within), 'position')}. The largest is "
            f"{number(largest['within_session_sd_db'], 2)} dB at {largest['position']}."
        )
    else:
        said.append("No condition has repeats at the headline point: scatter within a session is not known there.")
    if known:
        said.append(_later_words(tables, rows, known))
    elif not twice or rows:
        said.append(not_between(rows, twice=twice))
    return said


def _later_words(tables: FinishedTables, rows: Sequence[Row], known: Sequence[Row]) -> str:
    """How far the level moved from the first session to the last, and how much a single run scatters over both."""
    largest = max(known, key=lambda row: (abs(row["shift_db"]), row["position"]))
    shifts = [row["shift_db"] for row in known]
    both = [row["reproducibility_sd_db"] for row in known if row["reproducibility_sd_db"] is not None]
    size = f"by {number(min(shifts), signed=True)} to {number(max(shifts), signed=True)} {_unit(largest)}"
    if abs(largest["shift_db"]) < HARDLY_DB:
        size = f"by less than {HARDLY_DB:g} {_unit(largest)}"
    where = f"at {counted(len(known), 'position')}, most at {largest['position']}"
    moved = f"{_apart(tables, largest)} levels moved {size} {where}."
    scatter = f" A single run of any session scatters by {number(median(both), 2)} dB (median)." if both else ""
    missing = sorted(row["position"] for row in rows if row["shift_db"] is None)
    gap = f" Not known at {listed(missing, MOST_NAMED)}, where one session counts." if missing else ""
    return f"{moved}{scatter}{gap}"


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
        said.append(
            f"Of {counted(len(tested), 'pair')} of repeats at one position {failed} differ beyond random error, "
            f"{changed} of them by {campaign.settings.repeatability.excess_db:g} dB rms or more."
            f"{_usual(campaign, tested)}"
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
        f" Repeats here usually differ by {number(levels, 2)} dB in level (standard deviation). {odd or 'None'} of "
        f"{len(told)} pairs {'differs' if odd < 2 else 'differ'} more."
    )
