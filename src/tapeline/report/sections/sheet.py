"""The sheet: what a reader decides by, on one page of A4."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from textwrap import shorten

from tapeline.campaign.model import Campaign
from tapeline.report.attention import attention_lines
from tapeline.report.attention_item import Attention
from tapeline.report.blocks import Block, Bullets, FigureBlock, Group, Heading, Prose, Section
from tapeline.report.comparison_views import SHOWN, condition_title
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.headline import Headline, headline_of
from tapeline.report.page_table import Link, Marked, Words, plain
from tapeline.report.sections.calibration import order_words
from tapeline.report.sections.coverage import first_to_record
from tapeline.report.sections.gain_figures import gain_map, gain_matrix, gain_words
from tapeline.report.sections.repeatability import repeat_sentences
from tapeline.report.sections.tones import none_words, tone_sentences
from tapeline.report.sections.work_first import Spots, share_words, spots_of
from tapeline.report.wording import confidence_words, counted, interval, listed, number
from tapeline.store.tables import WITHOUT_DIFFERENCE
from tapeline.words.treatment_sentences import ENOUGH, NOT_ENOUGH, enough

MOST_CAVEATS = 3
CAVEAT_LETTERS = 100
"""A caveat is a line on paper; the whole of it stands in what needs attention."""

MOST_NAMED = 3
OTHER_FINDINGS = {"higher": "louder", "equivalent": "equivalent (within {})", "not shown": "not shown beyond chance"}


def sheet_sections(tables: FinishedTables, campaign: Campaign) -> list[Section]:
    """The sheet, or the sentence why there is none."""
    headline = headline_of(tables, campaign)
    if headline is None:
        alone = Group((_without(tables), *_caveats(tables, campaign)), role="sheet")
        return [Section("sheet", "The sheet", "decide", [alone])]
    figures: list[Block] = []
    if (on_body := gain_map(tables, campaign, headline)) is not None:
        figures.append(FigureBlock(on_body))
    spots = spots_of(tables, campaign)
    figures.append(FigureBlock(gain_matrix(campaign, headline, _ordered(headline, spots))))
    blocks: list[Block] = [
        Prose(_lead(tables, campaign, headline), "lead"),
        Bullets([_treatment(tables, campaign, headline, name, spots) for name in headline.conditions], role="say"),
        *figures,
        *_spots_blocks(campaign, spots),
        *_trust(tables, campaign),
        *_caveats(tables, campaign),
    ]
    return [Section("sheet", "The sheet", "decide", [Group(tuple(blocks), role="sheet")])]


def _spots_blocks(campaign: Campaign, spots: Spots) -> list[Block]:
    if not spots.groups:
        return []
    return [
        Heading("Where to work first, by share of the contributed pressure power"),
        Bullets([each.words for each in spots.groups]),
        Prose(share_words(campaign, spots.comparison), "note more"),
    ]


def _trust(tables: FinishedTables, campaign: Campaign) -> list[Block]:
    """A sentence each on tones, on how well levels repeat, and on the calibration; each leads to its section."""
    repeats = [words.partition(". ")[0].partition(": ")[0].rstrip(".") for words in repeat_sentences(tables, campaign)]
    said = {
        "tones": next(iter(tone_sentences(tables, campaign)), none_words(tables)),
        "repeatability": " ".join(f"{words}." for words in repeats),
        "calibration": f"{order_words(tables.calibration, campaign).partition(':')[0]}." if tables.calibration else "",
    }
    items: list[Words] = [(Link(key.capitalize(), f"#{key}"), f": {words}") for key, words in said.items() if words]
    first = first_to_record(tables, campaign)
    items += [(Link("Record next", "#coverage"), f": {plain(first)}")] if first else []
    return [Heading("Tones, repeatability, calibration, what to record"), Bullets(items)] if items else []


def sheet_sentences(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """What the sheet says, for the terminal."""
    headline = headline_of(tables, campaign)
    if headline is None:
        return [plain(_without(tables).words)]
    spots = spots_of(tables, campaign)
    said = [_treatment(tables, campaign, headline, name, spots) for name in headline.conditions]
    return [_lead(tables, campaign, headline), *map(plain, said), *(plain(each.words) for each in spots.groups)]


def _without(tables: FinishedTables) -> Prose:
    if not tables.used_measurements:
        return Prose("No run was used: see what needs attention.", "lead")
    rows = tables.treatments
    one = [row for row in rows if row["session"] == row["other_session"] and row["gain_why_not"]]
    if one:
        why = Counter(row["gain_why_not"] for row in one).most_common(1)[0][0]
        return Prose(f"Overall levels tell nothing of two conditions of one session: {why}.", "lead")
    if any(row["gain_finding"] not in (None, WITHOUT_DIFFERENCE) for row in rows):
        return Prose(
            "No two conditions have levels at one operating point of one session. Those of two sessions are held "
            "against each other in what each treatment gains and leaves.",
            "lead",
        )
    return Prose(
        "No two conditions have levels at one operating point of one session: see what can be compared.", "lead"
    )


def _lead(tables: FinishedTables, campaign: Campaign, headline: Headline) -> str:
    """Of which point and level the sheet speaks, and which conditions have gains at others only."""
    against = " or ".join(
        condition_title(campaign, name) for name in sorted({row["untreated"] for row in headline.rows})
    )
    confidence = confidence_words(campaign.settings.confidence)
    return (
        f"At {headline.point(campaign)}, session {headline.session}: {headline.level}, against {against}. "
        f"Brackets are {confidence} intervals.{_elsewhere(tables, campaign, headline)}"
    )


def _elsewhere(tables: FinishedTables, campaign: Campaign, headline: Headline) -> str:
    known = {row["condition"] for row in tables.treatments if row["gain_finding"] not in (None, WITHOUT_DIFFERENCE)}
    others = [name for name in campaign.settings.conditions if name in known.difference(headline.conditions)]
    titles = listed((condition_title(campaign, name) for name in others), MOST_NAMED)
    return f" Only in other sessions or at other points: {titles}." if others else ""


def _ordered(headline: Headline, spots: Spots) -> list[str]:
    """Positions as the spots rank them, then by name."""
    names = {row["position"] for row in headline.every}
    ranked = [name for name in spots.positions if name in names]
    return [*ranked, *sorted(names.difference(ranked))]


def _treatment(tables: FinishedTables, campaign: Campaign, headline: Headline, condition: str, spots: Spots) -> Words:
    """One condition: where it is quieter, by how much at the spots ranked first, and what it leaves."""
    rows = headline.by_position(condition)
    first = [rows[name] for name in (*spots.positions, *sorted(rows)) if name in rows][:2]
    first = list({row["position"]: row for row in first}.values())
    named = [f"at {row['position']} {gain_words(row, headline.unit)}{_doubt(row, 'gain')}" for row in first]
    largest = _largest(rows.values())
    if largest is not None and largest not in first:
        named.append(f"most at {largest['position']}, {gain_words(largest, headline.unit)}")
    several = len({row["untreated"] for row in headline.rows}) > 1
    against = f" against {condition_title(campaign, first[0]['untreated'])}" if several else ""
    title = Marked(f"{condition_title(campaign, condition)}{against}", "strong")
    sentences: list[str | Link | Marked] = [title, f": {'; '.join(named)}. ", _counts(campaign, rows.values())]
    elsewhere = _shown_over_sessions(tables, headline, rows.values())
    sentences += [f" Over all sessions it is shown at {listed(elsewhere, MOST_NAMED)} too."] if elsewhere else []
    left = _remainder(campaign, headline, rows, [row["position"] for row in first])
    if left:
        sentences.append(f" {left}")
    comparison = first[0]["gain_comparison"] if first else None
    if comparison:
        sentences += [" ", Marked("Bands and runs", "more", f"#comparison-{comparison}")]
    return tuple(sentences)


def _largest(rows: Iterable[Row]) -> Row | None:
    """The gain whose interval lies furthest from none, of those that are shown and in no doubt."""
    sure = [row for row in rows if not row["gain_doubtful"] and (row["gain_lower_db"] or 0.0) > 0.0]
    return max(sure, key=lambda row: (row["gain_lower_db"], row["position"]), default=None)


def _shown_over_sessions(tables: FinishedTables, headline: Headline, rows: Iterable[Row]) -> list[str]:
    """Positions where this session shows no gain and the mean over all sessions does, by the comparison of the two."""
    unsure = {row["position"]: row["gain_comparison"] for row in rows if row["gain_finding"] == "not shown"}
    wanted = (headline.weighting, *headline.range_hz, headline.speed_mps, headline.yaw_deg)
    names = ("weighting", "lowest_band_hz", "highest_band_hz", "speed_mps", "yaw_deg")
    return [
        row["position"]
        for row in tables.overall_rows("session_means")
        if unsure.get(row["position"]) == row["comparison"] and row["finding"] in SHOWN and not row["doubtful"]
        if tuple(row[name] for name in names) == wanted
    ]


def _doubt(row: Row, name: str) -> str:
    return ", doubtful" if row[f"{name}_doubtful"] else ""


def _counts(campaign: Campaign, rows: Iterable[Row]) -> str:
    """At how many positions it is quieter, and where it is louder, the same or not shown to differ."""
    every = list(rows)
    bounds = [row for row in every if row["gain_finding"] == "bound" and (row["gain_lower_db"] or 0.0) > 0.0]
    quieter = sum(row["gain_finding"] == "lower" for row in every) + len(bounds)
    found = {name: [row["position"] for row in every if row["gain_finding"] == name] for name in OTHER_FINDINGS}
    threshold = f"±{number(campaign.settings.compare.practical_threshold_db)} dB"
    doubtful = sum(bool(row["gain_doubtful"]) for row in every if row["gain_finding"] == "lower" or row in bounds)
    doubt = f" ({doubtful} doubtful)" if doubtful else ""
    said = [f"quieter at {quieter or 'none'} of {counted(len(every), 'position')}{doubt}"]
    said += [
        f"{words.format(threshold)} at {listed(found[name], MOST_NAMED)}"
        for name, words in OTHER_FINDINGS.items()
        if found[name]
    ]
    return f"It is {', '.join(said)}."


def _remainder(campaign: Campaign, headline: Headline, rows: Mapping[str, Row], first: Sequence[str]) -> str:
    """What a condition leaves of what the one with most applied gains, and where it is not enough by itself."""
    known = {name: row for name, row in rows.items() if row["remainder_finding"] not in (None, WITHOUT_DIFFERENCE)}
    if not known or not all(row["applied"] for row in known.values()):
        return ""  # a body measured bare once more is no treatment that could be enough
    name_of_best = next(iter(known.values()))["best"]
    best, of_best = condition_title(campaign, name_of_best), headline.by_position(name_of_best)
    here = [name for name in first if name in known]
    left = [name for name in here if _leaves(known[name], of_best.get(name))]
    said = [f"{_left_words(known[name], headline.unit)} at {name}" for name in left]
    beside = [f"{_beside(known[name], headline.unit)} at {name}" for name in here if name not in left]
    parts = [f"of what {best} gains it leaves {'; '.join(said)}"] if said else []
    parts += [f"against {best} it is {'; '.join(beside)}"] if beside else []
    words = "; ".join(parts) or f"it is held against {best} elsewhere"
    words = f"{words[0].upper()}{words[1:]}"
    threshold = campaign.settings.compare.practical_threshold_db
    limit = f"{number(threshold)} dB"
    judged = {
        name: enough(row["remainder_lower_db"], row["remainder_upper_db"], threshold) for name, row in known.items()
    }
    short = sorted(
        (name for name, words in judged.items() if words == NOT_ENOUGH and not known[name]["remainder_doubtful"]),
        key=lambda name: (-(known[name]["remainder_lower_db"] or 0.0), name),
    )
    if not short:
        untold = any(row["gain_finding"] == "higher" or row["remainder_doubtful"] for row in known.values())
        return (
            f"{words}: {ENOUGH} (less than {limit})."
            if set(judged.values()) == {ENOUGH} and not untold
            else f"{words}."
        )
    others = [
        name if name in left else f"{name} ({_left_words(known[name], headline.unit)} left)"
        for name in short
        if beside or name not in first
    ]
    more = f" and {len(others) - MOST_NAMED} more" if len(others) > MOST_NAMED else ""
    where = f"{'; '.join(others[:MOST_NAMED])}{more}"
    if not beside and any(name in first for name in short):
        return f"{words}: {NOT_ENOUGH} ({limit} or more).{f' Nor at {where}.' if others else ''}"
    return f"{words}. It is {NOT_ENOUGH} ({limit} or more) at {where}."


def _leaves(row: Row, best: Row | None) -> bool:
    """Whether a remainder is a part of a gain: that of a best condition that is quieter, and no further gain."""
    gains = best is None or best["gain_finding"] == "lower" or (best["gain_lower_db"] or 0.0) > 0.0
    return gains and row["remainder_finding"] != "lower"


def _beside(row: Row, unit: str) -> str:
    """A remainder as what the condition is against the best one."""
    ends = row["remainder_db"], row["remainder_upper_db"], row["remainder_lower_db"]
    value, lower, upper = (None if each is None else 0.0 - each for each in ends)
    turned = {"gain_db": value, "gain_lower_db": lower, "gain_upper_db": upper}
    doubt = _doubt(row, "remainder")
    return f"{gain_words({**row, **turned, 'gain_finding': row['remainder_finding']}, unit)}{doubt}"


def _left_words(row: Row, unit: str) -> str:
    value, lower, upper = row["remainder_db"], row["remainder_lower_db"], row["remainder_upper_db"]
    if value is None:
        return f"{interval(lower, upper)} {unit}"
    doubt = ", doubtful" if row["remainder_doubtful"] else ""
    if row["remainder_finding"] not in SHOWN:
        return f"nothing shown ({interval(lower, upper)} {unit}){doubt}"
    return f"{number(value)} {unit} ({interval(lower, upper)}){doubt}"


def _caveats(tables: FinishedTables, campaign: Campaign) -> list[Block]:
    """At most three doubts that would change a decision; all stand in what needs attention."""
    found = [line for line in attention_lines(tables, campaign) if line.severity != "note"]
    # What is left out changes nothing any more; what is in doubt still counts.
    lines = sorted(found, key=lambda line: line.severity != "doubtful")
    if not lines:
        return [Prose("No recording, channel or calibration is in doubt.", "note")]
    items: list[Words] = [_caveat(line) for line in lines[:MOST_CAVEATS]]
    more = len(lines) - len(items)
    items += [(Link(f"{counted(more, 'further doubt')}", "#attention"),)] if more > 0 else []
    return [Heading("What could change this"), Bullets(items)]


def _caveat(line: Attention) -> Words:
    """Where and what, a line on paper; it leads to what it is about."""
    first = line.found.partition("; ")[0]
    found = shorten(first, max(CAVEAT_LETTERS - len(line.where), 30), placeholder=" …")
    return (Link(line.where, line.href) if line.href else line.where, f": {found}")
