"""What the page tells because it is the largest, or the narrowest: its interval after that choice, and words for it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import numpy as np

from tapeline.report.finished_tables import Row
from tapeline.report.wording import number
from tapeline.statistics.selection_intervals import miss_rate, selected_ends

ENDS = ("lower", "upper")


def tests_of(rows: Iterable[Row]) -> Counter[str]:
    """How many differences of all comparisons are tested, by `quantity`: from so many a row is picked."""
    return Counter(row["quantity"] for row in rows if row["p_value"] is not None)


def after_picking(row: Row, tests: int, confidence: float) -> Row:
    """A row of the comparisons with the interval that holds although it alone was picked from `tests`.

    At least as wide as the table has it after selection within the family. What it would be without the run that widens
    it most is known of the plain interval alone: that is told apart, by `plain_width_words`.
    """
    if tests < 2 or row["standard_error_db"] is None:
        return row
    ends = np.array([np.nan if row[f"{end}_db"] is None else row[f"{end}_db"] for end in ENDS])
    degrees_of_freedom = np.inf if row["degrees_of_freedom"] is None else row["degrees_of_freedom"]
    error, missed = np.array(row["standard_error_db"]), miss_rate(1, tests, confidence)
    lower, upper = selected_ends((ends[0], ends[1]), error, np.array(degrees_of_freedom), confidence, missed)
    of_family = [np.nan if row[f"selected_{end}_db"] is None else row[f"selected_{end}_db"] for end in ENDS]
    wider = np.fmin(lower, of_family[0]), np.fmax(upper, of_family[1])
    held = {f"{end}_db": float(at) if np.isfinite(at) else None for end, at in zip(ENDS, wider, strict=True)}
    return {**row, **held, "widest_run": None, "plain_width": plain_width_words(row)}


def plain_width_words(row: Row) -> str:
    """How wide the plain interval is, and would be without the run that makes it so wide; nothing where none does."""
    if not row["widest_run"] or row["lower_db"] is None or row["upper_db"] is None:
        return ""
    half, without = number((row["upper_db"] - row["lower_db"]) / 2.0), number(row["half_width_without_db"])
    return f" Its plain half-width is {half} dB, and would be {without} dB without run {row['widest_run']}."


def holds_words(tests: int, as_what: str) -> str:
    """That an interval holds although it was picked: " The interval holds although ...", nothing where it was not."""
    return f" The interval holds although this one was picked from {tests:,} as {as_what}." if tests > 1 else ""


def expected_words(row: Row) -> str:
    """What is to be expected of a difference that was picked as the largest, chance taken off; nothing if unknown."""
    value = row["shrunken_db"]
    if value is None:
        return ""
    if abs(value) < 0.05:
        return " Allowing for chance, expect no difference."
    return f" Allowing for chance, expect {number(abs(value))} dB {'less' if value < 0.0 else 'more'}."


def contribution_words(row: Row) -> str:
    """That the interval of a contribution holds although it was picked, and what is to be expected of it."""
    expected = "" if row["expected_db"] is None else f" Allowing for chance, expect {number(row['expected_db'])} dB."
    return f" The interval holds although this one was picked as the largest.{expected}"
