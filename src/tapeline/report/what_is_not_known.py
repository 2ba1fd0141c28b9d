"""What the campaign leaves open, in few sentences: no answer, bounds, differences not shown, assumptions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

from tapeline.campaign.coverage import coverage
from tapeline.campaign.coverage_cells import ComparedPoint
from tapeline.campaign.model import Campaign
from tapeline.report.attention_repeats import measured_twice
from tapeline.report.comparison_views import SHOWN, condition_title, is_given
from tapeline.report.coverage_rows import points_words
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.usable_runs import measured_by
from tapeline.report.wording import frequency, listed, number, pairing, percent
from tapeline.store.tables import WITHOUT_DIFFERENCE

MOST_NAMED = 4
ASSUMED = {"assumed sessions": "the scatter of sessions", "assumed repeats": "the scatter of repeats"}


def open_questions(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """Sentences, the gravest gap first; each says how much is missing and where."""
    return [
        *_without_runs(tables, campaign),
        *_undecided(tables, campaign),
        *_bounds(tables, campaign),
        *_doubted(tables),
        *_across(tables),
        *_assumed(tables),
        *_between_sessions(tables),
        _outside(campaign),
    ]


def _without_runs(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """Comparisons that lack runs altogether, and those that lack them at some points or positions."""
    by_name: dict[str, list[ComparedPoint]] = {name: [] for name in campaign.settings.comparisons}
    for point in coverage(campaign, measured_by(tables, campaign)).points:
        by_name.setdefault(point.comparison, []).append(point)
    sentences = []
    unit = campaign.settings.report.speed_unit
    for name, points in by_name.items():
        gaps = [point for point in points if not point.comparable]
        if len(gaps) == len(points):
            pair = campaign.settings.comparisons[name]
            titles = f"{condition_title(campaign, pair.treatment)} and {condition_title(campaign, pair.reference)}"
            sentences.append(f"{name}: no answer. {titles} have no usable runs at one operating point.")
            continue
        if gaps:
            where = points_words((point.point for point in gaps), unit)
            sentences.append(f"{name}: no answer at {where}, where usable runs of both conditions are missing.")
        partly = sorted({place for point in points if point.comparable for place in point.not_at_all})
        if partly:
            sentences.append(f"{name}: no answer at {listed(partly, MOST_NAMED)} at some operating points.")
    return sentences


def _undecided(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """What became of the differences: those not shown prove nothing, those with bounds say less or nothing."""
    threshold = number(campaign.settings.compare.practical_threshold_db)
    sentences = []
    for quantity in ("overall", "band"):
        rows = [row for row in tables.comparisons if row["quantity"] == quantity]
        counts = Counter(row["finding"] for row in rows)
        unknown = counts[WITHOUT_DIFFERENCE]
        if not counts["not shown"] + counts["bound"] + unknown:
            continue
        parts = [
            f"{sum(counts[word] for word in SHOWN):,} shown",
            f"{counts['equivalent']:,} equivalent (within ±{threshold} dB)",
            f"{counts['not shown']:,} not shown",
            f"{counts['bound']:,} one-sided",
            f"{unknown:,} not known",
        ]
        sentences.append(f"Of {len(rows):,} {quantity} differences: {', '.join(parts)}.{_reach(rows)}")
    return sentences


def _reach(rows: Iterable[Row]) -> str:
    """How far the intervals of what is not shown reach."""
    ends = [
        max(abs(row["lower_db"]), abs(row["upper_db"]))
        for row in rows
        if row["finding"] == "not shown" and row["lower_db"] is not None and row["upper_db"] is not None
    ]
    return f" Not shown does not prove equal: intervals reach to ±{number(max(ends))} dB." if ends else ""


def _bounds(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """Levels that the background hides."""
    used = {row["run"] for row in tables.used_measurements}
    references = campaign.settings.background.references
    states = [row for row in tables.band_states if row["run"] in used and row["position"] not in references]
    hidden: Counter[str] = Counter()
    for row in states:
        if row["state"] == "bound":
            hidden[row["position"]] += row["bands"]
    if not hidden:
        return []
    every, count = sum(row["bands"] for row in states), sum(hidden.values())
    return [
        f"{count:,} of {every:,} band levels ({percent(count / every)}) are upper bounds, hidden by the background: "
        f"{_with_counts(hidden)}."
    ]


def _with_counts(counts: Mapping[str, int]) -> str:
    """Places with how many each, the most first."""
    ordered = sorted(counts, key=lambda name: (-counts[name], name))
    shown = [f"{name} ({counts[name]:,})" for name in ordered[:MOST_NAMED]]
    rest = sum(counts[name] for name in ordered[MOST_NAMED:])
    return ", ".join([*shown, *([f"{len(ordered) - MOST_NAMED} more ({rest:,})"] if rest else [])])


def _doubted(tables: FinishedTables) -> list[str]:
    given = [row for row in tables.comparisons if is_given(row)]
    doubted = sum(bool(row["doubtful"]) for row in given)
    if not doubted:
        return []
    return [f"{doubted:,} of {len(given):,} differences rest on a doubtful channel, calibration or background."]


def _across(tables: FinishedTables) -> list[str]:
    """Comparisons between sessions."""
    found: dict[str, list[Row]] = {}
    for row in tables.comparisons:
        found.setdefault(row["comparison"], []).append(row)
    sentences = []
    for name, rows in sorted(found.items()):
        across = [row for row in rows if row["pairing"] != "same-session"]
        if across:
            words = listed(sorted({pairing(row["pairing"]) for row in across}))
            some = "" if len(across) == len(rows) else f" in {len(across):,} of {len(rows):,} differences"
            sentences.append(f"{name} compares different sessions{some} ({words}); its intervals hold that change.")
    return sentences


def _assumed(tables: FinishedTables) -> list[str]:
    """Intervals that rest on the settings and not on measurements."""
    sentences = []
    for basis, what in ASSUMED.items():
        names = sorted({row["comparison"] for row in tables.comparisons if row["interval_basis"] == basis})
        if names:
            sentences.append(f"Intervals of {listed(names, MOST_NAMED)} rest on an assumption for {what}.")
    return sentences


def _between_sessions(tables: FinishedTables) -> list[str]:
    if measured_twice(tables.runs):
        return []
    return ["No condition was measured in two sessions at one operating point: how levels repeat later is not known."]


def _outside(campaign: Campaign) -> str:
    low, high = campaign.settings.bands.range_hz
    return (
        f"There are no band levels below {frequency(low)} and above {frequency(high)}. Pressure on the surface is not "
        "sound inside."
    )
