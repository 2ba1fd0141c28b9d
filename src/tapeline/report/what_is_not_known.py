"""What the campaign leaves open: comparisons without runs, bounds, differences that prove nothing, doubted channels."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

from tapeline.campaign.coverage import coverage
from tapeline.campaign.coverage_cells import ComparedPoint
from tapeline.campaign.model import Campaign
from tapeline.report.attention_repeats import measured_twice
from tapeline.report.comparison_views import SHOWN, condition_title
from tapeline.report.coverage_rows import points_words
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.usable_runs import measured_by
from tapeline.report.wording import counted, frequency, listed, number, percent
from tapeline.store.tables import WITHOUT_DIFFERENCE

MOST_NAMED = 4


def open_questions(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """Sentences, the gravest gap first; each says how much is missing and where."""
    return [
        *_without_runs(tables, campaign),
        *_bounds(tables, campaign),
        *_undecided(tables, campaign),
        *_channels(tables),
        *_between_sessions(tables),
        _outside(tables, campaign),
    ]


def _without_runs(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """Comparisons that lack runs altogether, and those that lack them at some points or positions."""
    found = coverage(campaign, measured_by(tables, campaign))
    by_name: dict[str, list[ComparedPoint]] = {name: [] for name in campaign.settings.comparisons}
    for point in found.points:
        by_name.setdefault(point.comparison, []).append(point)
    sentences = []
    unit = campaign.settings.report.speed_unit
    for name, points in by_name.items():
        pair = campaign.settings.comparisons.get(name)
        titles = "" if pair is None else (
            f" ({condition_title(campaign, pair.treatment)} against {condition_title(campaign, pair.reference)})"
        )  # fmt: skip
        if not any(point.comparable for point in points):
            sentences.append(f"{name}{titles}: no answer, no operating point has usable runs of both conditions.")
            continue
        gaps = [point for point in points if not point.comparable]
        if gaps:
            where = points_words((point.point for point in gaps), unit)
            sentences.append(f"{name}: no answer at {where}, where usable runs of both conditions are missing.")
        partly = sorted({place for point in points if point.comparable for place in point.not_at_all})
        if partly:
            sentences.append(f"{name}: no answer at {listed(partly, MOST_NAMED)} at some operating points.")
    return sentences


def _bounds(tables: FinishedTables, campaign: Campaign) -> list[str]:
    """Levels that the background hides."""
    used = {row["run"] for row in tables.used_measurements}
    references = campaign.settings.background.references
    states = [row for row in tables.band_states if row["run"] in used and row["position"] not in references]
    every, hidden = sum(row["bands"] for row in states), _sum_by(states, "bound")
    if not hidden:
        return []
    count = sum(hidden.values())
    return [
        f"{count:,} of {every:,} band levels ({percent(count / every)}) are hidden by the background and stand as "
        f"upper bounds: {_with_counts(hidden)}."
    ]


def _sum_by(states: Iterable[Row], state: str) -> dict[str, int]:
    sums: dict[str, int] = {}
    for row in states:
        if row["state"] == state:
            sums[row["position"]] = sums.get(row["position"], 0) + row["bands"]
    return sums


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
        shown = sum(counts[word] for word in SHOWN)
        parts = [f"{shown:,} {'is' if shown == 1 else 'are'} shown"]
        if counts["equivalent"]:
            parts.append(f"{counts['equivalent']:,} shown to be within ±{threshold} dB")
        if counts["not shown"]:
            ends = [max(abs(row["lower_db"]), abs(row["upper_db"])) for row in rows if _is_open(row)]
            reach = f" (their intervals reach to ±{number(max(ends))} dB at most)" if ends else ""
            parts.append(f"{counts['not shown']:,} not shown to differ, which does not prove them equal{reach}")
        if counts["bound"]:
            parts.append(f"{counts['bound']:,} one-sided because of bounds")
        if unknown:
            parts.append(f"{unknown:,} cannot be given ({_reasons(rows)})")
        values = sum(row["difference_db"] is not None for row in rows)
        sentences.append(f"Of {len(rows):,} {quantity} differences {values:,} have a value: {'; '.join(parts)}.")
    return sentences


def _reasons(rows: Iterable[Row]) -> str:
    """Why differences cannot be given, the most frequent reasons first."""
    why = Counter(row["why_not"] for row in rows if row["why_not"])
    ordered = sorted(why, key=lambda reason: (-why[reason], reason))
    return "; ".join(
        [*(f"{why[reason]:,}: {reason}" for reason in ordered[:MOST_NAMED]), *(["…"] if ordered[MOST_NAMED:] else [])]
    )


def _is_open(row: Row) -> bool:
    return row["finding"] == "not shown" and row["lower_db"] is not None and row["upper_db"] is not None


def _channels(tables: FinishedTables) -> list[str]:
    """Channels of measurements whose levels are not used, or are in doubt."""
    kinds = {row["run"]: row["kind"] for row in tables.runs}
    rows = [row for row in tables.quality if kinds.get(row["run"]) in ("measurement", "background")]
    sentences = []
    for verdict, words in (("unusable", "unusable and left out"), ("doubtful", "in doubt and marked so")):
        bad = [row for row in rows if row["verdict"] == verdict]
        if bad:
            places = Counter(row["position"] for row in bad)
            share = f"{len(bad):,} of {counted(len(rows), 'channel')} of runs {'is' if len(bad) == 1 else 'are'}"
            sentences.append(f"{share} {words}: {_with_counts(places)}.")
    return sentences


def _with_counts(counts: Mapping[str, int]) -> str:
    """Places with how many each, the most first."""
    ordered = sorted(counts, key=lambda name: (-counts[name], name))
    shown = [f"{name} ({counts[name]:,})" for name in ordered[:MOST_NAMED]]
    rest = sum(counts[name] for name in ordered[MOST_NAMED:])
    return ", ".join([*shown, *([f"{len(ordered) - MOST_NAMED} more ({rest:,})"] if rest else [])])


def _between_sessions(tables: FinishedTables) -> list[str]:
    if measured_twice(tables.runs):
        return []
    return [
        "No condition was measured in two sessions at one operating point: whether a later session would find the same "
        "is not known."
    ]


def _outside(tables: FinishedTables, campaign: Campaign) -> str:
    low, high = campaign.settings.bands.range_hz
    return (
        f"There are no band levels below {frequency(low)} and above {frequency(high)}. Pressure on the surface is not "
        "sound inside."
    )
