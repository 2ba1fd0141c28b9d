"""The short list of what to work on first: a line for what is told apart, with the reason and the next action."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.levels import level_db
from tapeline.campaign.model import Campaign
from tapeline.report.comparison_views import condition_title
from tapeline.report.difference_words import doubt_words
from tapeline.report.finished_tables import Row
from tapeline.report.summed_range import ranked_range
from tapeline.report.wording import counted, frequency, listed, number, percent

MOST_LINES = 5
"""A list to act on is short; the table below it holds the rest."""

MOST_BANDS = 3
"""So many bands are named one by one; of more the first and the last."""

MOST_NAMED = 4
"""So many positions of a line are named."""

BEHIND = {
    "check the closed state": "closed is louder here: look for tape that whistles or makes a new step, or for "
    "flow that went elsewhere",
    "repeat": "not shown yet: about {runs} a side would show a difference as large as found",
    "quieter": "hidden by the background: measure with less background, or at a higher speed",
    "mend": "a channel, check or background is in doubt here: mend that (see what needs attention), then measure again",
}
"""What to do about entries without a rank, by their next step, in this order."""

ALWAYS = ("check the closed state", "mend")
"""What is said of entries without a rank where others have one."""


@dataclass(frozen=True)
class WorkLine:
    """Where to work, why, and what to do next; `where` says the positions with their area and bands."""

    positions: tuple[str, ...]
    where: str
    reason: str
    action: str
    ranked: bool


def work_lines(campaign: Campaign, rows: Sequence[Row]) -> list[WorkLine]:
    """At most five lines from one comparison's ranking: what has a rank, then what else there is to do.

    What is tied is one line. So are neighbours in the list that are about the same positions: one works at a position,
    not at a band. `rows` stand in the order of the list.
    """
    ranked = [row for row in rows if row["rank"] is not None]
    groups = [list(group) for _, group in itertools.groupby(ranked, key=lambda row: row["tied_group"] or -row["place"])]
    joined: list[list[list[Row]]] = []
    for group in groups:
        if joined and _positions(group) == _positions(joined[-1][0]):
            joined[-1].append(group)
        else:
            joined.append([group])
    lines = [_ranked_line(campaign, part, place) for place, part in enumerate(joined[:MOST_LINES])]
    for step, words in BEHIND.items():
        own = [row for row in rows if row["rank"] is None and row["next_step"] == step]
        if own and (not ranked or step in ALWAYS) and len(lines) < MOST_LINES:
            lines.append(_line_behind(own, words))
    return lines


def list_words(campaign: Campaign, comparison: str, rows: Sequence[Row]) -> str:
    """What the list of a comparison ranks, over which operating points, and that nothing is shown where nothing is."""
    weighting = (
        "" if campaign.settings.ranking.weighting == "Z" else f", {campaign.settings.ranking.weighting}-weighted"
    )
    bands = f"Bands from {ranked_range(campaign)}{weighting}."
    said = [opened_words(campaign, comparison), bands, _points_words(campaign)]
    if rows and all(row["rank"] is None for row in rows):
        threshold = f"{campaign.settings.compare.practical_threshold_db:g} dB"
        done = "change" if rows[0]["ranked_by"] == "change" else "be louder opened than closed"
        said.append(f"No band at any position is shown to {done} by {threshold} or more, so that none has a rank.")
    return " ".join(words for words in said if words)


def opened_words(campaign: Campaign, comparison: str) -> str:
    """Which condition of a comparison is the opened one, whose gap contributes; or that both ways count."""
    pair, conditions = campaign.settings.comparisons.get(comparison), campaign.settings.conditions
    if pair is None or pair.reference not in conditions or pair.treatment not in conditions:
        return ""
    reference, treatment = set(conditions[pair.reference].applied), set(conditions[pair.treatment].applied)
    titles = [condition_title(campaign, name) for name in (pair.reference, pair.treatment)]
    if treatment > reference or reference > treatment:
        opened, closed = titles if treatment > reference else titles[::-1]
        return f"Opened: {opened}; closed: {closed}. Ranked is what the opened state adds."
    return (
        f"{titles[1]} against {titles[0]}: nothing says which of them is opened (neither `applied` holds the other). "
        "Ranked is how much the power changed, louder and quieter alike."
    )


def _points_words(campaign: Campaign) -> str:
    chosen, unit = campaign.settings.ranking.operating_points, campaign.settings.report.speed_unit
    if not chosen:
        return ""
    points = "; ".join(f"{speed:g} {unit}, yaw {yaw:g}°" for speed, yaw in chosen)
    return f"Over the operating points chosen in the settings: {points}."


def _positions(rows: Iterable[Row]) -> set[str]:
    return {row["position"] for row in rows}


def _by_position(rows: Iterable[Row]) -> list[list[Row]]:
    """The rows of each position, the most power first."""
    spots: dict[str, list[Row]] = {}
    for row in rows:
        spots.setdefault(row["position"], []).append(row)
    return sorted(spots.values(), key=lambda spot: (-_power(spot), spot[0]["position"]))


def _power(spot: Sequence[Row]) -> float:
    return float(sum(row["contribution_pa2"] or 0.0 for row in spot))


def _bands(rows: Iterable[Row]) -> str:
    bands = [frequency(band) for band in sorted({row["band_hz"] for row in rows})]
    return ", ".join(bands) if len(bands) <= MOST_BANDS else f"{bands[0]} to {bands[-1]}"


def _ranked_line(campaign: Campaign, groups: Sequence[Sequence[Row]], place: int) -> WorkLine:
    rows = [row for group in groups for row in group]
    spots = _by_position(rows)
    change = rows[0]["ranked_by"] == "change"
    shares = sum(row["share"] or 0.0 for row in rows)
    kinds = "is shown to change" if change else "is shown as contributed"
    weighted = "" if rows[0]["weighting"] == "Z" else f" {rows[0]['weighting']}-weighted"
    low, high = min(row["rank_lower"] for row in rows), max(row["rank_upper"] for row in rows)
    parts = [
        listed((_level_words(campaign, spot, alone=len(spots) == 1) for spot in spots), MOST_NAMED),
        f"{percent(shares)} of the{weighted} pressure power that {kinds} at the measured positions",
        f"rank {low}" if low == high else f"ranks {low} to {high}",
        *_beyond_the_list(groups[-1]),
        *dict.fromkeys(words for row in rows for words in doubt_words(row)),
    ]
    return WorkLine(
        positions=tuple(spot[0]["position"] for spot in spots),
        where=_where(spots),
        reason="; ".join(parts),
        action=_change_action(campaign, rows, spots) if change else _action(spots, place),
        ranked=True,
    )


def _where(spots: Sequence[Sequence[Row]]) -> str:
    """Positions with their areas and bands; bands once where they are the same for all."""
    areas = [spot[0]["area"] for spot in spots]
    names = [spot[0]["position"] + (f" ({area})" if area else "") for spot, area in zip(spots, areas, strict=True)]
    bands = [_bands(spot) for spot in spots]
    if len(set(bands)) == 1:
        return f"{_and(names)}, {bands[0]}"
    return _and([f"{name} {band}" for name, band in zip(names, bands, strict=True)])


def _and(names: Sequence[str]) -> str:
    """Names in a row with "and" before the last one, or the number of those left out."""
    if len(names) > MOST_NAMED or len(names) == 1:
        return listed(names, MOST_NAMED)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def _level_words(campaign: Campaign, spot: Sequence[Row], *, alone: bool) -> str:
    """The power of one position, summed over its bands, and which way it differs."""
    level = number(float(level_db(_power(spot), campaign.settings.reference_pressure_pa)))
    weighting = "" if spot[0]["weighting"] == "Z" else f" {spot[0]['weighting']}-weighted"
    place = "" if alone else f"{spot[0]['position']} "
    text = f"{place}{level} dB{weighting} in {counted(len(spot), 'band')}"
    rises = [row["difference_db"] for row in spot if row["difference_db"] is not None]
    if rises:
        median = float(np.median(rises))
        way = "louder" if median > 0.0 else "quieter"
        text += f" ({number(abs(median))} dB {way}{', median' if len(rises) > 1 else ''})"
    return text


def _beyond_the_list(group: Sequence[Row]) -> list[str]:
    more = (group[0]["tied_spots"] or len(group)) - len(group)
    return [f"{counted(more, 'more tied spot')} beyond this list"] if more > 0 else []


def _action(spots: Sequence[Sequence[Row]], place: int) -> str:
    if len(spots) > 1:
        return "tied: treat together, or repeat runs to tell them apart"
    return f"treat this {'first' if place == 0 else 'next'}, then measure again without touching the mounts"


def _change_action(campaign: Campaign, rows: Sequence[Row], spots: Sequence[Sequence[Row]]) -> str:
    tied = "tied; " if len(spots) > 1 else ""
    pair = campaign.settings.comparisons.get(rows[0]["comparison"])
    treatment = condition_title(campaign, pair.treatment) if pair else "the treatment"
    steps = {row["next_step"] for row in rows}
    if steps == {"find the cause"}:
        return f"{tied}{treatment} is louder here; find the cause"
    if steps == {"keep"}:
        return f"{tied}{treatment} is quieter here; keep what it changes"
    return f"{tied}louder at some and quieter at others; look at each in the table"


def _line_behind(rows: Sequence[Row], words: str) -> WorkLine:
    spots = _by_position(rows)
    runs = max((row["runs_needed"] or 0 for row in rows), default=0)
    doubts = dict.fromkeys(words for row in rows for words in doubt_words(row))
    return WorkLine(
        positions=tuple(spot[0]["position"] for spot in spots),
        where=_where(spots),
        reason="; ".join(["no rank", *doubts]),
        action=words.format(runs=counted(runs, "run")),
        ranked=False,
    )
