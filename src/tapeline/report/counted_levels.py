"""Which levels of several runs are put together in a mean, as the tables say."""

from __future__ import annotations

from collections.abc import Sequence

from tapeline.report.finished_tables import Row


def counted_rows(rows: Sequence[Row]) -> list[Row]:
    """Of the levels of one position and band, or overall level, in runs of one condition those that count together."""
    return [row for row in rows if row["comparable"]]


def in_doubt(row: Row) -> bool:
    """Whether channel, calibration or background of a level is doubtful."""
    return bool(row["doubt"])
