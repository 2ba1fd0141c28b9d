"""What each figure says, in words: the alternative text for those who cannot see it."""

from __future__ import annotations

from collections.abc import Sequence

from tapeline.report.comparison_views import SHOWN
from tapeline.report.finished_tables import Row
from tapeline.report.map_marks import Mark
from tapeline.report.wording import counted, frequency, listed, number


def differences_message(rows: Sequence[Row], what: str) -> str:
    """How many differences are shown in each direction, and the largest one."""
    counts = {finding: sum(row["finding"] == finding for row in rows) for finding in ("lower", "higher", "bound")}
    text = (
        f"{what}: of {counted(len(rows), 'band difference')}, {counts['lower']} shown lower, {counts['higher']} shown "
        f"higher, {counts['bound']} one-sided or unknown because of bounds."
    )
    shown = [row for row in rows if row["finding"] in SHOWN and row["difference_db"] is not None]
    if not shown:
        return text
    largest = max(shown, key=lambda row: (abs(row["difference_db"]), row["position"], row["band_hz"]))
    return (
        f"{text} Largest shown: {number(largest['difference_db'], signed=True)} dB at {largest['position']} in the "
        f"{frequency(largest['band_hz'])} band, picked as the largest.{expected_words(largest)}"
    )


def expected_words(row: Row) -> str:
    """What is to be expected of a difference that was picked as the largest, chance taken off; nothing if unknown."""
    value = row["shrunken_db"]
    if value is None:
        return ""
    if abs(value) < 0.05:
        return " Allowing for chance, expect no difference."
    return f" Allowing for chance, expect {number(abs(value))} dB {'less' if value < 0.0 else 'more'}."


def map_message(rows: Sequence[Row], unlocated: Sequence[str]) -> str:
    """How many positions there are, by area."""
    areas: dict[str, int] = {}
    for row in rows:
        areas[row["area"] or "no area"] = areas.get(row["area"] or "no area", 0) + 1
    text = f"Map of {counted(len(rows), 'position')}: " + ", ".join(f"{count} {area}" for area, count in areas.items())
    return f"{text}. Without coordinates: {listed(unlocated)}." if unlocated else f"{text}."


def mark_map_message(marks: Sequence[Mark], what: str) -> str:
    """How many differences are shown in each direction on the body, and the largest one."""
    shown = [(mark.value_db, mark) for mark in marks if mark.status == "shown" and mark.value_db is not None]
    lower = sum(value < 0 for value, _ in shown)
    text = (
        f"Map of {what}: of {counted(len(marks), 'position')}, {lower} shown lower, {len(shown) - lower} shown higher, "
        f"{_counts(marks, 'equivalent', 'not shown', 'bound', 'unusable', 'not measured')}."
    )
    if not shown:
        return text
    value, largest = min(shown, key=lambda each: (-abs(each[0]), each[1].position))
    return f"{text} Largest shown: {number(value, signed=True)} dB at {largest.position}, picked as the largest."


def level_map_message(marks: Sequence[Mark], what: str) -> str:
    """Which positions are loudest and quietest, and how many have no value."""
    known = sorted((mark.value_db, mark.position) for mark in marks if mark.value_db is not None)
    text = f"Map of levels: {what}. {len(known)} values, {_counts(marks, 'bound', 'unusable', 'not measured')}."
    if not known:
        return text
    (low, quietest), (high, loudest) = known[0], known[-1]
    return f"{text} Loudest: {number(high)} dB at {loudest}; quietest: {number(low)} dB at {quietest}."


def _counts(marks: Sequence[Mark], *statuses: str) -> str:
    words = {"bound": "known by bounds only", "not shown": "not shown to differ"}
    return ", ".join(f"{sum(mark.status == name for mark in marks)} {words.get(name, name)}" for name in statuses)
