"""What only shows beside other runs and channels: odd levels, gain steps, levels that do not fit their speed."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tapeline.acoustics.odd_levels import median_polish, off_repeats
from tapeline.quality.verdicts import Finding

ROUND_STEPS_DB = (6.0, 10.0, 12.0, 20.0)
"""Usual steps of conditioners and recorders (6.02 and 12.04 dB rounded; common practice)."""

ROUND_WITHIN_DB = 0.8
"""So near to a usual step a difference looks like one (own choice: repeats scatter by some tenths)."""

LEAST_RUNS = 3
"""Of two runs that differ nobody can say which is odd."""

LEAST_POSITIONS = 3
"""Fewer positions have no pattern of their own."""

FLOOR_MARGIN_DB = 3.0
"""Nearer than this to the wind-off level a channel shows nothing of the flow (half of its power is floor)."""

FLOOR_OTHERS_DB = 10.0
"""Where most channels stand this far above their floors, one at its floor is suspect (own choice)."""


@dataclass(frozen=True)
class RunLevel:
    """The level of one channel in one run; `usable` says whether it counts as evidence for others."""

    run: str
    position: str
    kind: str
    condition: str | None
    speed_mps: float | None
    yaw_deg: float
    order: int
    level_db: float
    usable: bool


@dataclass(frozen=True)
class AcrossLimits:
    """From where on a level is odd; see the section `quality` of the settings."""

    odd_level_db: float
    area_level_db: float
    speed_level_db: float


def findings_across(
    levels: Sequence[RunLevel], areas: Mapping[str, str], limits: AcrossLimits
) -> dict[tuple[str, str], list[Finding]]:
    """Findings by (run, position) of one session; `areas` names the area of every position that has one.

    Levels in dB of the whole used part. Measurements of one condition and yaw are split into a part of each run, a part
    of each position and a rest by medians (Tukey's median polish): a large rest is one channel's fault in one run, a
    run's part that does not fit the others at its speed is the whole run's.
    """
    found: dict[tuple[str, str], list[Finding]] = {}
    usable = [level for level in levels if level.usable]
    groups: dict[tuple[str | None, float], list[RunLevel]] = {}
    for level in usable:
        if level.kind == "measurement" and level.speed_mps:
            groups.setdefault((level.condition, level.yaw_deg), []).append(level)
    for group in groups.values():
        _in_group(group, areas, limits, found)
    _at_floor(usable, found)
    return found


def _in_group(
    group: Sequence[RunLevel],
    areas: Mapping[str, str],
    limits: AcrossLimits,
    found: dict[tuple[str, str], list[Finding]],
) -> None:
    runs = sorted({level.run for level in group}, key=lambda name: min(x.order for x in group if x.run == name))
    positions = sorted({level.position for level in group})
    if len(positions) < LEAST_POSITIONS:
        return
    table = {(level.run, level.position): level.level_db for level in group}
    cells = [[table.get((run, position), math.nan) for position in positions] for run in runs]
    of_runs, of_positions, rest = median_polish(cells)
    if len(runs) >= LEAST_RUNS:
        for r, run in enumerate(runs):
            for p, position in enumerate(positions):
                if abs(rest[r][p]) >= limits.odd_level_db:
                    found.setdefault((run, position), []).append(_odd(position, float(rest[r][p])))
    _in_areas(runs, positions, table, of_positions.tolist(), areas, limits, found)
    speeds = [next(level.speed_mps or 0.0 for level in group if level.run == run) for run in runs]
    for r, off in enumerate(off_repeats(speeds, of_runs.tolist())):
        if abs(off) >= limits.speed_level_db:
            for position in positions:
                if (runs[r], position) in table:
                    finding = _off_speed(position, off, speeds[r])
                    found.setdefault((runs[r], position), []).append(finding)


def _round_step(decibels: float) -> float | None:
    nearest = min(ROUND_STEPS_DB, key=lambda step: abs(abs(decibels) - step))
    return nearest if abs(abs(decibels) - nearest) <= ROUND_WITHIN_DB else None


def _odd(position: str, rest_db: float) -> Finding:
    words = f"position {position}: {rest_db:+.1f} dB from what its other runs and the other positions let expect"
    step = _round_step(rest_db)
    if step is None:
        return Finding("odd-level", words)
    return Finding("gain-step", f"{words}: a range change of {step:g} dB that the tables do not name?")


def _off_speed(position: str, off_db: float, speed_mps: float) -> Finding:
    words = f"position {position}: the whole run is {off_db:+.1f} dB from its repeats at {3.6 * speed_mps:.0f} km/h"
    step = _round_step(off_db)
    if step is not None:
        return Finding("gain-step", f"{words}: a range change of {step:g} dB that the tables do not name?")
    return Finding("off-speed", f"{words}: is the row of the run log the right one?")


def _in_areas(
    runs: Sequence[str],
    positions: Sequence[str],
    table: Mapping[tuple[str, str], float],
    of_positions: Sequence[float],
    areas: Mapping[str, str],
    limits: AcrossLimits,
    found: dict[tuple[str, str], list[Finding]],
) -> None:
    """Positions that are far from the others of their area in all runs alike."""
    by_area: dict[str, list[tuple[str, float]]] = {}
    for position, value in zip(positions, of_positions, strict=True):
        if areas.get(position):
            by_area.setdefault(areas[position], []).append((position, value))
    for area, members in by_area.items():
        if len(members) < LEAST_POSITIONS:
            continue
        middle = statistics.median(value for _, value in members)
        for position, value in members:
            if abs(value - middle) >= limits.area_level_db:
                words = f"position {position}: {value - middle:+.1f} dB from the other positions of area {area}"
                for run in runs:
                    if (run, position) in table:
                        found.setdefault((run, position), []).append(Finding("odd-in-area", words))


def _at_floor(levels: Sequence[RunLevel], found: dict[tuple[str, str], list[Finding]]) -> None:
    """Channels that show in the wind no more than without it, where most others do."""
    floors: dict[str, list[float]] = {}
    for level in levels:
        if level.kind == "background" and level.speed_mps == 0.0:
            floors.setdefault(level.position, []).append(level.level_db)
    runs: dict[str, list[tuple[RunLevel, float]]] = {}
    for level in levels:
        if level.kind == "measurement" and level.speed_mps and level.position in floors:
            margin = level.level_db - statistics.median(floors[level.position])
            runs.setdefault(level.run, []).append((level, margin))
    for run, members in runs.items():
        if len(members) < LEAST_POSITIONS or statistics.median(margin for _, margin in members) < FLOOR_OTHERS_DB:
            continue
        for level, margin in members:
            if margin < FLOOR_MARGIN_DB:
                words = f"position {level.position}: {margin:+.1f} dB above its level without wind, the others far more"
                found.setdefault((run, level.position), []).append(Finding("at-floor", words))
