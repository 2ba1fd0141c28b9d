"""The short list of what to work on first: a line a position, with the reason and the next action."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.levels import level_db
from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import condition_title
from tapeline.report.difference_words import doubt_words
from tapeline.report.finished_tables import Row
from tapeline.report.wording import counted, frequency, listed, number, percent

MOST_LINES = 5
"""A list to act on is short; the table below it holds the rest."""

MOST_BANDS = 3
"""So many bands are named one by one; of more the first and the last."""

NEAREST = 3
"""Entries that are put into the list where none is shown."""


@dataclass(frozen=True)
class WorkLine:
    """Where to work, why, and what to do next; `where` says the position with its area and bands."""

    position: str
    where: str
    reason: str
    action: str


def work_lines(campaign: Campaign, rows: Sequence[Row]) -> list[WorkLine]:
    """At most five lines from one comparison's ranking: what is shown, or, where nothing is, what comes nearest.

    Positions that are in doubt stand behind, where there is room.

    `rows` stand in the order of their ranks.
    """
    ranked = [row for row in rows if row["rank_low"] is not None]
    shown = [row for row in ranked if row["finding"] in ("shown", "tied")]
    lines = [
        _line(campaign, spot, _action(spot, shown, place))
        for place, spot in enumerate(_spots(shown or ranked[:NEAREST])[:MOST_LINES])
    ]
    in_doubt = _spots(row for row in rows if row["rank_low"] is None)[: MOST_LINES - len(lines)]
    return lines + [_line(campaign, spot, _action(spot, shown, len(lines))) for spot in in_doubt]


def _spots(rows: Iterable[Row]) -> list[list[Row]]:
    """The rows of each position, the largest contribution first."""
    spots: dict[str, list[Row]] = {}
    for row in rows:
        spots.setdefault(row["position"], []).append(row)
    return sorted(spots.values(), key=lambda spot: (-_power(spot), spot[0]["position"]))


def opened_words(campaign: Campaign, comparison: str) -> str:
    """Which condition of a comparison is the opened one, whose gap contributes, and why."""
    pair, conditions = campaign.settings.comparisons.get(comparison), campaign.settings.conditions
    if pair is None or pair.reference not in conditions or pair.treatment not in conditions:
        return ""
    reference, treatment = set(conditions[pair.reference].applied), set(conditions[pair.treatment].applied)
    opened, closed = (pair.reference, pair.treatment) if treatment > reference else (pair.treatment, pair.reference)
    said = f"Opened: {condition_title(campaign, opened)}; closed: {condition_title(campaign, closed)}."
    if not (treatment > reference or reference > treatment):
        said += " Neither list of what is applied holds the other, so that the treatment counts as opened."
    return said


def _power(spot: Sequence[Row]) -> float:
    return float(sum(row["contribution_pa2"] or 0.0 for row in spot))


def _line(campaign: Campaign, spot: Sequence[Row], action: str) -> WorkLine:
    bands = [frequency(band) for band in sorted(row["band_hz"] for row in spot)]
    where = ", ".join(bands) if len(bands) <= MOST_BANDS else f"{bands[0]} to {bands[-1]}"
    area = spot[0]["area"]
    return WorkLine(
        position=spot[0]["position"],
        where=f"{spot[0]['position']}{f' ({area})' if area else ''}, {where}",
        reason=_reason(campaign, spot),
        action=action,
    )


def _reason(campaign: Campaign, spot: Sequence[Row]) -> str:
    power, share = _power(spot), sum(row["share"] or 0.0 for row in spot)
    text = "contributes nothing above zero"
    if power > 0.0:
        level = number(float(level_db(power, campaign.settings.reference_pressure_pa)))
        weighting = "" if spot[0]["weighting"] == "Z" else f" {spot[0]['weighting']}-weighted"
        bands = counted(len(spot), "band")
        text = f"contributes {level} dB{weighting} in {bands}"
        if share > 0.0:
            text += f", {percent(share)} of the whole contribution"
    rises = [row["difference_db"] for row in spot if row["difference_db"] is not None]
    if rises:
        median = " (median)" if len(rises) > 1 else ""
        text += f"; opened minus closed {number(float(np.median(rises)), signed=True)} dB{median}"
    best = _best(spot)
    text = "; ".join([text, *doubt_words(best)])
    if best["rank_low"] is None:
        return f"{text}; not ranked"
    low, high = best["rank_low"], best["rank_high"]
    return f"{text}; its first band ranks {low} to {high}" if low != high else f"{text}; its first band ranks {low}"


def _action(spot: Sequence[Row], shown: Sequence[Row], place: int) -> str:
    steps = {row["next_step"] for row in spot}
    if "mend" in steps:
        return (
            "a channel, check or background is in doubt here: mend that (see what needs attention), then measure again"
        )
    if "quieter" in steps:
        return "hidden by the background: measure with less background, or at a higher speed"
    if "leave" in steps:
        return "too small to matter: leave it"
    if _power(spot) == 0.0:
        return "closed is no quieter here: look for tape that whistles or makes a new step, or flow that went elsewhere"
    if "repeat" in steps:
        needed = [row["runs_needed"] for row in spot if row["runs_needed"] is not None]
        if not needed:
            return "not shown, and too small for more runs to show it"
        return f"not shown yet: about {counted(max(needed), 'run')} a side would show it"
    rivals = _rivals(spot, shown)
    if rivals:
        return f"treat it together with {listed(rivals, 3)}, whose ranks overlap, or repeat runs to tell them apart"
    return f"treat this {'first' if place == 0 else 'next'}, then measure again without touching the mounts"


def _rivals(spot: Sequence[Row], shown: Sequence[Row]) -> list[str]:
    """Other positions whose first band's rank overlaps with that of the spot's, in order of their rank."""
    first: dict[str, Row] = {}
    for row in shown:
        first.setdefault(row["position"], row)
    own = _best(spot)
    return [
        position
        for position, row in first.items()
        if position != own["position"] and row["rank_low"] <= own["rank_high"] and own["rank_low"] <= row["rank_high"]
    ]


def _best(spot: Sequence[Row]) -> Row:
    return min(spot, key=lambda row: int(row["rank"]))
