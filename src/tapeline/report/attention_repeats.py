"""Repeats that are not the same, control values outside of their limits, and what no session tells of the others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from tapeline.campaign.model import Campaign
from tapeline.report.attention_item import REPEATABILITY, Attention
from tapeline.report.comparison_views import condition_title
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.wording import counted, frequency, listed, number, operating_point, printable
from tapeline.store.tables_of_repeats import LESS_TAKEN_OFF

MOST_PLACES, MOST_SIZES = 4, 2


def repeat_lines(tables: FinishedTables, campaign: Campaign) -> list[Attention]:
    """A line a session with repeats that changed, one with control values outside, one where nothing is shared."""
    return [*_changed(tables, campaign), *_outside(tables), *_nothing_shared(tables), *_left_out(tables)]


def _changed(tables: FinishedTables, campaign: Campaign) -> list[Attention]:
    sessions: dict[str, list[Row]] = {}
    for row in tables.repeat_tests:
        sessions.setdefault(row["session"], []).append(row)
    lines = []
    for session, rows in sorted(sessions.items()):
        # Where repeats of the campaign tell what is usual, random error alone is no measure.
        told = [row for row in rows if row["as_usual"] is not None]
        if unusual := [row for row in told if unlike_other_repeats(row, campaign.settings.repeatability.excess_db)]:
            lines.append(_unusual_line(campaign, session, rows, unusual))
        elif not told and any(row["changed"] for row in rows):
            lines.append(_changed_line(campaign, session, rows))
    return lines


def unlike_other_repeats(row: Row, least_db: float) -> bool:
    """Whether a pair differs more than repeats of the campaign usually do, by so much that it matters."""
    sizes = [abs(row[name] or 0.0) for name in ("level_median_db", "pair_level_db", "shape_difference_db")]
    return row["as_usual"] is False and max(sizes) >= least_db


def _unusual_line(campaign: Campaign, session: str, rows: Sequence[Row], unusual: Sequence[Row]) -> Attention:
    """The pairs of one session that differ more than usual; the one with most positions in full."""
    pairs: dict[tuple[str, str], list[Row]] = {}
    for row in unusual:
        pairs.setdefault((row["run_a"], row["run_b"]), []).append(row)
    every = {(row["run_a"], row["run_b"]) for row in rows}
    worst = max(sorted(pairs), key=lambda pair: (len(pairs[pair]), -min(r["usual_p_value"] for r in pairs[pair])))
    own = sorted(pairs[worst], key=lambda row: (row["usual_p_value"], row["position"]))
    point = operating_point(own[0]["speed_mps"], own[0]["yaw_deg"], campaign.settings.report.speed_unit)
    tested = sum((row["run_a"], row["run_b"]) == worst for row in rows)
    found = (
        f"{len(pairs)} of {counted(len(every), 'pair')} of repeats differ more than this campaign's repeats usually "
        f"do. Most do {worst[0]} and {worst[1]} ({condition_title(campaign, own[0]['condition'])}, {point}), at "
        f"{len(own)} of {counted(tested, 'position')}: "
        f"{listed([unusual_words(row, 1.0 - campaign.settings.confidence) for row in own], MOST_SIZES)}"
    )
    return Attention(
        "note",
        f"session {session}",
        printable(found),
        "see the pair's speed, mounts and remarks; repeat the run",
        REPEATABILITY,
    )


def unusual_words(row: Row, level_of_test: float) -> str:
    """By what a pair differs at a position: "seam-left +2.1 dB in level (usually 0.4 dB)".

    Where neither level nor shape is unusual at the position by itself, all positions together made it so: the larger of
    the two stands with these words.
    """
    together = min(row["level_usual_p_value"], row["shape_usual_p_value"]) > level_of_test
    is_level = row["level_usual_p_value"] <= row["shape_usual_p_value"]
    if together:
        is_level = abs(row["level_median_db"]) >= abs(row["shape_difference_db"])
    if is_level:
        size, usual, of = row["level_median_db"], row["usual_level_sd_db"], "in level"
    else:
        size, usual, of = row["shape_difference_db"], row["usual_shape_sd_db"], f"at {frequency(row['shape_band_hz'])}"
    alone = ", unusual only with all positions together" if together else ""
    return f"{row['position']} {number(size, signed=True)} dB {of} (usually {number(usual)} dB{alone})"


def _changed_line(campaign: Campaign, session: str, rows: Sequence[Row]) -> Attention:
    """The pairs of one session; the one with most positions, then the largest excess, in full."""
    pairs: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        pairs.setdefault((row["run_a"], row["run_b"]), []).append(row)
    changed = {pair: own for pair, found in pairs.items() if (own := [row for row in found if row["changed"]])}
    worst = max(sorted(changed), key=lambda pair: (len(changed[pair]), max(r["excess_db"] for r in changed[pair])))
    own = sorted(changed[worst], key=lambda row: (-row["excess_db"], row["position"]))
    first = own[0]
    point = operating_point(first["speed_mps"], first["yaw_deg"], campaign.settings.report.speed_unit)
    found = (
        f"{len(changed)} of {counted(len(pairs), 'pair')} of repeats differ at some position. Most do {worst[0]} and "
        f"{worst[1]} ({condition_title(campaign, first['condition'])}, {point}), at {len(own)} of "
        f"{counted(len(pairs[worst]), 'position')}. {first['position']} differs by "
        f"{number(first['level_difference_db'], signed=True)} dB, {number(first['excess_db'])} dB rms beyond random "
        "error"
    )
    return Attention(
        "note",
        f"session {session}",
        printable(found),
        "see the pair's speed, mounts and remarks; repeat the run",
        REPEATABILITY,
    )


def _outside(tables: FinishedTables) -> list[Attention]:
    sessions: dict[str, list[Row]] = {}
    for row in tables.control_values:
        if row["outside"]:
            sessions.setdefault(row["session"], []).append(row)
    lines = []
    for session, rows in sorted(sessions.items()):
        places = sorted({row["position"] for row in rows})
        common = [row["common_change_db"] for row in rows if row["common_change_db"] is not None]
        largest = max(common, key=abs, default=None)
        moved = "" if largest is None else f"; all positions together moved by up to {number(largest, signed=True)} dB"
        found = f"overall levels of the reference condition outside of their control limits at {listed(places)}{moved}"
        lines.append(
            Attention(
                "doubtful",
                f"session {session}",
                printable(found),
                "see mounts, calibration, speed and air",
                REPEATABILITY,
            )
        )
    return lines


def _nothing_shared(tables: FinishedTables) -> list[Attention]:
    """Several sessions, of which no two have a condition in common: nothing tells how they differ."""
    sessions = {row["session"] for row in tables.runs if row["kind"] == "measurement" and row["status"] == "used"}
    rows = tables.repeatability("overall") if len(sessions) > 1 else []
    if not rows or any(row["session_count"] > 1 for row in rows) or any(_sessions_left_out(row) for row in rows):
        return []
    shared = measured_twice(tables.runs)
    return [
        Attention(
            "note",
            counted(len(sessions), "session"),
            (
                "no level of a condition counts in two sessions"
                if shared
                else "no condition was measured in two sessions"
            )
            + " at one operating point: what sessions and remounting change is not known, and comparisons across "
            "sessions assume it",
            "see the channels' verdicts and the bands of the overall levels"
            if shared
            else "measure the reference condition in every session",
            REPEATABILITY,
        )
    ]


def measured_twice(runs: Sequence[Row]) -> bool:
    """Whether any condition was measured in two sessions at one operating point."""
    seen: dict[tuple[Any, ...], set[str]] = {}
    for row in runs:
        if row["kind"] == "measurement" and row["status"] == "used":
            seen.setdefault((row["condition"], row["speed_mps"], row["yaw_deg"]), set()).add(row["session"])
    return any(len(sessions) > 1 for sessions in seen.values())


def _left_out(tables: FinishedTables) -> list[Attention]:
    """A line a session whose overall levels do not count beside those of others."""
    found: dict[str, dict[str, set[str]]] = {}
    for row in tables.repeatability("overall"):
        for session, why in _sessions_left_out(row):
            kind = why if why == LESS_TAKEN_OFF else "bounds"
            found.setdefault(session, {}).setdefault(kind, set()).add(row["position"])
    return [
        Attention(
            "note",
            f"session {session}",
            printable(
                "overall levels are not in the scatter between sessions: "
                + "; ".join(f"{why} at {listed(sorted(places), MOST_PLACES)}" for why, places in sorted(whys.items()))
            ),
            "measure the same backgrounds in every session; see left_out in tables/repeatability.parquet",
            REPEATABILITY,
        )
        for session, whys in sorted(found.items())
    ]


def _sessions_left_out(row: Row) -> list[tuple[str, str]]:
    """Sessions that a row leaves out as a whole, and why."""
    texts = [text.removeprefix("session ") for text in row["left_out"] or () if text.startswith("session ")]
    return [(session, why) for session, _, why in (text.rpartition(": ") for text in texts)]
