"""Channels that hear nothing though a signal is there: noise of electronics far below what the flow must make."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence

from tapeline.limits import (
    FLOOR_MARGIN_DB,
    OUTLIER_AT_LEAST_RUNS,
    PATTERN_AT_LEAST_POSITIONS,
    PEERS_LIMIT_SHARE,
    SAME_SPEED_RATIO,
    USUAL_EXPONENT,
)
from tapeline.quality.level_table import (
    LevelTable,
    RunLevel,
    Shape,
    level_table,
    measurements_alike,
    round_step,
    shapes,
    wind_off_levels,
)
from tapeline.quality.verdicts import Finding


def silent_channels(levels: Sequence[RunLevel], limit_db: float) -> dict[tuple[str, str], Finding]:
    """Channels that hear nothing, by run and position, among usable `levels` of one session.

    Two kinds of evidence: the level lies `limit_db` below what the other runs of its condition and the other positions
    let expect, or below the channel's own background runs. A usual step of gain that leaves the spectrum's shape as it
    is is no silence, nor is a tone that stopped.
    """
    floors = wind_off_levels(levels)
    found: dict[tuple[str, str], Finding] = {}
    stepped: set[tuple[str, str]] = set()
    for group in measurements_alike(levels):
        _beside_repeats(group, levels, floors, limit_db, found, stepped)
    _below_background(levels, floors, limit_db, found, stepped)
    return found


def _beside_repeats(
    group: Sequence[RunLevel],
    levels: Sequence[RunLevel],
    floors: Mapping[str, float],
    limit_db: float,
    found: dict[tuple[str, str], Finding],
    stepped: set[tuple[str, str]],
) -> None:
    table = level_table(group, lambda level: level.level_db)
    if len(table.runs) < 2:
        return
    shape, floor_shapes = shapes(group), _floor_frequencies(levels)
    for r, p, level in table.present():
        deviation = float(table.deviation[r, p])
        if not deviation <= -limit_db or not _compared(table, r):
            continue
        at_floor = level.position in floors and level.level_db - floors[level.position] < FLOOR_MARGIN_DB
        own = shape.get(level.place)
        if round_step(deviation) is not None and _only_gain(level, own, at_floor, floor_shapes):
            stepped.add(level.place)
        elif not at_floor and own is not None and own.lost_a_tone(deviation):
            continue
        elif _lower_is_odd(table, r, level, levels, at_floor) and _below_itself(level, group, limit_db):
            words = f"{deviation:+.1f} dB from what its other runs and the other positions let expect"
            words += ", no more than without wind" if at_floor else ""
            found[level.place] = Finding("silent", f"position {level.position}: {words}: it hears nothing")


def _compared(table: LevelTable, r: int) -> bool:
    """Whether the rest of a run's cells says something; few positions have no pattern, only repeats at the speed."""
    return len(table.positions) >= PATTERN_AT_LEAST_POSITIONS or table.told[r]


def _only_gain(level: RunLevel, own: Shape | None, at_floor: bool, floor_hz: Mapping[str, float]) -> bool:
    """Whether nothing but a step of gain sets the channel apart; at its floor only where its shape is another."""
    if own is None:
        return not at_floor
    if not at_floor or level.position not in floor_hz or not level.frequency_hz:
        return own.same and not at_floor
    unlike_floor = abs(20.0 * math.log10(level.frequency_hz / floor_hz[level.position]))
    return own.same and not Shape(unlike_floor, white=False).same


def _floor_frequencies(levels: Sequence[RunLevel]) -> dict[str, float]:
    of_floor: dict[str, list[float]] = {}
    for level in levels:
        if level.kind == "background" and level.speed_mps == 0.0 and level.frequency_hz:
            of_floor.setdefault(level.position, []).append(level.frequency_hz)
    return {position: statistics.median(values) for position, values in of_floor.items()}


def _lower_is_odd(table: LevelTable, r: int, level: RunLevel, levels: Sequence[RunLevel], at_floor: bool) -> bool:
    """Of two runs that differ, whether the lower one is the faulty one: it is at its floor, or farther from all others.

    With more runs the medians have said so.
    """
    other = table.pairs.get(level.run)
    if len(table.runs) >= OUTLIER_AT_LEAST_RUNS and other is None:
        return True
    other = other or next(name for name in table.runs if name != level.run)
    if (
        len(table.runs) >= OUTLIER_AT_LEAST_RUNS
        and table.rest[r, table.positions.index(level.position)] <= table.off[r]
    ):
        return True
    if at_floor:
        return True
    upper = table.cells.get((other, level.position))
    rest = [
        _at_one_speed(x)
        for x in levels
        if x.kind == "measurement" and x.in_flow and x.position == level.position and x.run not in (level.run, other)
    ]
    if upper is None or not rest:
        return False
    usual = statistics.median(rest)
    return abs(_at_one_speed(level) - usual) > abs(_at_one_speed(upper) - usual)


def _at_one_speed(level: RunLevel) -> float:
    return level.level_db - 10.0 * USUAL_EXPONENT * math.log10(level.speed_mps or 1.0)


def _below_itself(level: RunLevel, group: Sequence[RunLevel], limit_db: float) -> bool:
    """Whether the channel lies far below its own level in runs of no more speed, where there are any.

    A shielded position that is mostly floor does not rise with the speed as the others do, and is not silent for it.
    """
    slower = [
        x.level_db
        for x in group
        if x.position == level.position
        and x.run != level.run
        and (x.speed_mps or 0.0) <= SAME_SPEED_RATIO * (level.speed_mps or 0.0)
    ]
    return not slower or level.level_db <= statistics.median(slower) - PEERS_LIMIT_SHARE * limit_db


def _below_background(
    levels: Sequence[RunLevel],
    floors: Mapping[str, float],
    limit_db: float,
    found: dict[tuple[str, str], Finding],
    stepped: set[tuple[str, str]],
) -> None:
    """Channels far below their own background runs, where the run's other channels or their other runs are not."""
    margins: dict[tuple[str, str], tuple[RunLevel, float]] = {}
    backgrounds: dict[str, list[RunLevel]] = {}
    for level in levels:
        if level.kind == "background" and level.in_flow:
            backgrounds.setdefault(level.position, []).append(level)
    for level in levels:
        reference = _background_db(level, backgrounds, floors)
        if level.in_flow and reference is not None:
            margins[level.place] = (level, level.level_db - reference)
    for place, (level, margin) in margins.items():
        if margin > -limit_db or place in found or place in stepped:
            continue
        beside = [x for x in margins.values() if x[0].run == level.run and x[0].position != level.position]
        before = [x for x in margins.values() if x[0].position == level.position and x[0].run != level.run]
        sound = -PEERS_LIMIT_SHARE * limit_db
        in_run = len(beside) >= PATTERN_AT_LEAST_POSITIONS - 1 and statistics.median(m for _, m in beside) > sound
        in_others = bool(before) and statistics.median(m for _, m in before) > sound
        if in_others or (in_run and _flow_is_odd(level, margin, beside)):
            words = f"{margin:+.1f} dB from its own background runs: it hears nothing"
            found[place] = Finding("silent", f"position {level.position}: {words}")


def _background_db(
    level: RunLevel, backgrounds: Mapping[str, Sequence[RunLevel]], floors: Mapping[str, float]
) -> float | None:
    """The level that the channel has without what is measured: without wind, or in background runs of no more speed."""
    known = [floors[level.position]] if level.position in floors else []
    if level.kind == "measurement":
        slower = [
            x.level_db
            for x in backgrounds.get(level.position, ())
            if (x.speed_mps or 0.0) <= SAME_SPEED_RATIO * (level.speed_mps or 0.0)
        ]
        known += [statistics.median(slower)] if slower else []
    return max(known, default=None)


def _flow_is_odd(level: RunLevel, margin: float, beside: Sequence[tuple[RunLevel, float]]) -> bool:
    """Whether the level in flow stands farther from the other positions than the channel's background does."""
    in_flow = level.level_db - statistics.median(x.level_db for x, _ in beside)
    without = level.level_db - margin - statistics.median(x.level_db - m for x, m in beside)
    return abs(in_flow) > abs(without)
