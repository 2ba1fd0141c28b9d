"""Runs without a background in the flow, and why: none was recorded, or what was recorded must not be subtracted."""

from __future__ import annotations

from collections.abc import Sequence

from tapeline.report.attention_item import Attention
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.view_names import run_anchor
from tapeline.report.wording import counted, listed, printable

MOST_REASONS = 3
RECORD = "record a background run at the same speed and yaw"


def without_background(tables: FinishedTables, used_states: Sequence[Row]) -> list[Attention]:
    """One line a session for runs that have no background run in the flow, one for each reason of a refusal."""
    return [_line(*key, runs) for key, runs in runs_without_background(tables, used_states).items()]


def runs_without_background(
    tables: FinishedTables, used_states: Sequence[Row]
) -> dict[tuple[str, str, tuple[str, ...]], list[str]]:
    """Runs that have no background run in the flow, by session, what is subtracted instead, and reasons of refusals.

    `used_states` counts the states of the measurements that are used, see `FinishedTables.band_states`. Backgrounds
    that were chosen and given up by the levels themselves are said with the marks of bands.
    """
    states: dict[tuple[str, str], set[str]] = {}
    for row in used_states:
        states.setdefault((row["session"], row["run"]), set()).add(row["state"])
    alike: dict[tuple[str, str, tuple[str, ...]], list[str]] = {}
    for (session, run), found in sorted(states.items()):
        row = tables.run_by_name[run]
        kind = row["background_kind"]
        still = kind == "electrical" and bool(row["speed_mps"])
        # With reference sensors something is subtracted without any background run.
        if still or (kind is None and found == {"none"}):
            reasons = tuple(row["background_refused"] or ())
            alike.setdefault((session, "electrical" if still else "nothing", reasons), []).append(run)
    return dict(sorted(alike.items()))


def _line(session: str, background_source: str, reasons: tuple[str, ...], runs: list[str]) -> Attention:
    where = f"session {session}, {counted(len(runs), 'run')}: {listed(runs, 4)}"
    told = "only the wind-off level is subtracted" if background_source == "electrical" else "nothing is subtracted"
    if reasons:
        found = f"{told}, because of background runs refused: {'; '.join(reasons[:MOST_REASONS])}"
        action = "record a background run with the same gain, mount, speed and yaw, near in time"
        return Attention("doubtful", where, printable(found), action, f"#{run_anchor(runs[0])}")
    return Attention(
        "doubtful",
        where,
        f"no background run in the flow. {told[0].upper()}{told[1:]}, so the levels may hold any amount of background",
        RECORD,
        f"#{run_anchor(runs[0])}",
    )
