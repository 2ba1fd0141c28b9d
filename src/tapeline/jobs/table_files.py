"""Where the tables for readers lie, relative to the results folder."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from tapeline.campaign.plan import Plan

LEVELS = ("bands", "overall", "narrowband")


def session_table(results: Path, table: str, session: str) -> Path:
    """One session's part of a table."""
    return results / "tables" / table / f"session={session}" / "part-0.parquet"


def campaign_table(results: Path, table: str) -> Path:
    """A table of the whole campaign."""
    return results / "tables" / f"{table}.parquet"


def campaign_tables(*names: str) -> Callable[[Plan, str], Sequence[Path]]:
    """What a job that writes tables of the whole campaign puts out."""
    return lambda plan, key: [campaign_table(plan.results, name) for name in names]


def session_levels(plan: Plan) -> list[Path]:
    """The levels of all sessions."""
    return [session_table(plan.results, name, session) for session in plan.measured_sessions for name in LEVELS]
