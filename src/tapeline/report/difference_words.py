"""What the finding of a difference says besides: that no background was subtracted, and what makes it doubtful."""

from __future__ import annotations

from tapeline.quality.reasons import REASONS
from tapeline.report.finished_tables import Row
from tapeline.report.wording import listed

MOST_DOUBTS = 3
"""So many doubts are named in a sentence."""


def background_words(state: str | None) -> list[str]:
    """That no background was subtracted from the levels of a difference, for the end of a finding; else nothing."""
    return ["no background subtracted"] if state == "none" else []


def doubt_words(row: Row) -> list[str]:
    """What makes a row doubtful, for the end of a sentence; nothing where nothing does."""
    return [f"doubtful: {listed(map(_plain, row['doubt']), MOST_DOUBTS)}"] if row["doubt"] else []


def _plain(doubt: str) -> str:
    """A doubt with the meaning of its reason code in place of the code."""
    return ": ".join(REASONS[part].meaning if part in REASONS else part for part in doubt.split(": "))
