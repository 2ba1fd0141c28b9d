"""Which levels of several runs can be put together in a mean, and which are in doubt: as the comparisons have it."""

from __future__ import annotations

from collections.abc import Sequence

from tapeline.quality.use_of_levels import BACKGROUND_DOUBTS
from tapeline.report.finished_tables import Row
from tapeline.store.tables import TAKEN_OFF

SUBTRACTED = frozenset({"corrected", "limited", "bound"})
"""States in which the background makes a difference."""


def counted_rows(rows: Sequence[Row]) -> list[Row]:
    """Of the levels of one position and band, or overall level, in runs of one condition those that count together.

    Not what is unusable or has neither level nor bound; nor, where something was subtracted, a run of which less could
    be taken off than of another.
    """
    usable = [
        row
        for row in rows
        if "unusable" not in (row["quality"], row["calibration"])
        and (row["corrected_level_db"], row["upper_bound_db"]) != (None, None)
    ]
    if not any(row["state"] in SUBTRACTED for row in usable):
        return usable
    most = max(_place(row) for row in usable)
    return [row for row in usable if _place(row) == most]


def _place(row: Row) -> int:
    return TAKEN_OFF.index(row["taken_off"]) if row["taken_off"] in TAKEN_OFF else 0


def in_doubt(row: Row) -> bool:
    """Whether channel, calibration or background of a level is doubtful."""
    return "doubtful" in (row["quality"], row["calibration"]) or not BACKGROUND_DOUBTS.isdisjoint(row["marks"] or ())
