"""A difference between two conditions in words: what, where, how large, how sure."""

from __future__ import annotations

from tapeline.campaign.model import Campaign
from tapeline.quality.reasons import REASONS
from tapeline.report.comparison_views import condition_title
from tapeline.report.finished_tables import Row
from tapeline.report.wording import (
    confidence_words,
    frequency,
    interval,
    listed,
    number,
    operating_point,
    pairing,
    run_count,
)

MOST_DOUBTS = 3
"""So many doubts are named in a sentence."""


def quantity_words(row: Row, summed: str) -> str:
    """What level a row of the comparisons or overall table holds: "A-weighted level 25 Hz to 8 kHz".

    `summed` are the words for the range of an overall level; see `summed_words`.
    """
    if row.get("quantity", "overall") == "band":
        return f"{frequency(row['band_hz'])} band"
    weighted = "unweighted level" if row["weighting"] == "Z" else f"{row['weighting']}-weighted level"
    return f"{weighted} {summed}"


def short_quantity(row: Row, summed: str) -> str:
    """The level of a row for a narrow table: "A, 25 Hz to 8 kHz", "1.25 kHz"; `summed` as in `quantity_words`.

    What was asked for beside what was summed is left to the sentence.
    """
    if row.get("quantity", "overall") == "band":
        return frequency(row["band_hz"])
    return f"{row['weighting']}, {summed.partition(' (')[0]}"


def place_of(campaign: Campaign, row: Row, word: str = "session ") -> str:
    point = operating_point(row["speed_mps"], row["yaw_deg"], campaign.settings.report.speed_unit)
    return f"{row['position']}, {point}, {word}{row['session_label']}"


def conditions_of(campaign: Campaign, row: Row) -> str:
    return f"{condition_title(campaign, row['treatment'])} against {condition_title(campaign, row['reference'])}"


def _basis(campaign: Campaign, row: Row) -> str:
    """The bracket of a sentence without the interval's numbers: runs and pairing."""
    parts = [run_count(len(row["reference_runs"] or ()), len(row["treatment_runs"] or ())), pairing(row["pairing"])]
    parts += [
        f"{condition_title(campaign, row[side])} rests on {row[f'{side}_runs'][0]} alone"
        for side in ("reference", "treatment")
        if len(row[f"{side}_runs"] or ()) == 1
    ]
    parts += background_words(row["state"])
    if row.get("widest_run"):
        half = number(row["half_width_without_db"])
        parts.append(f"without run {row['widest_run']} the half-width would be {half} dB")
    return ", ".join([*parts, *doubt_words(row)])


def background_words(state: str | None) -> list[str]:
    """That no background was subtracted from the levels of a difference, for the end of a finding; else nothing."""
    return ["no background subtracted"] if state == "none" else []


def doubt_words(row: Row) -> list[str]:
    """What makes a row doubtful, for the end of a sentence; nothing where nothing does."""
    return [f"doubtful: {listed(map(_plain, row['doubt']), MOST_DOUBTS)}"] if row["doubt"] else []


def _plain(doubt: str) -> str:
    """A doubt with the meaning of its reason code in place of the code."""
    return ": ".join(REASONS[part].meaning if part in REASONS else part for part in doubt.split(": "))


def difference_words(campaign: Campaign, row: Row) -> str:
    """A difference as practice wants it worded: size, interval, runs and pairing."""
    confidence = f"{confidence_words(campaign.settings.confidence)} CI"
    basis = _basis(campaign, row)
    lower, upper, difference = row["lower_db"], row["upper_db"], row["difference_db"]
    if row["finding"] == "lower" and difference is not None:
        turned = interval(None if upper is None else -upper, None if lower is None else -lower)
        return f"reduced by {number(-difference)} dB ({confidence} {turned}, {basis})"
    if row["finding"] == "higher" and difference is not None:
        return f"raised by {number(difference)} dB ({confidence} {interval(lower, upper)}, {basis})"
    if row["finding"] == "equivalent":
        threshold = number(campaign.settings.compare.practical_threshold_db)
        return f"within {threshold} dB of each other ({confidence} {interval(lower, upper)}, {basis})"
    if row["finding"] == "bound":
        return f"difference {interval(lower, upper)} dB (background-limited, {basis})"
    return f"not shown to differ ({confidence} {interval(lower, upper)}, {basis})"
