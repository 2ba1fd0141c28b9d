"""What only shows beside other runs and channels: silent ones, wrong gains, odd levels, a run log that slipped."""

from __future__ import annotations

import dataclasses
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.run_log_offset import RunLogOffset, run_log_offset
from tapeline.limits import (
    FLOOR_MARGIN_DB,
    GAIN_EXPLAINS_LIMIT_SHARE,
    NEAR_GAIN_STEP_DB,
    OTHERS_ABOVE_FLOOR_DB,
    OUTLIER_AT_LEAST_RUNS,
    PATTERN_AT_LEAST_POSITIONS,
)
from tapeline.quality.level_table import (
    LevelTable,
    RunLevel,
    level_table,
    measurements_alike,
    median_polish,
    round_step,
    shapes,
    wind_off_levels,
)
from tapeline.quality.silent_channels import silent_channels
from tapeline.quality.verdicts import Finding

Findings = dict[tuple[str, str], list[Finding]]


@dataclass(frozen=True)
class AcrossLimits:
    """From where on a level is odd; see the section `quality` of the settings."""

    odd_level_db: float
    area_level_db: float
    speed_level_db: float
    silent_level_db: float


def findings_across(levels: Sequence[RunLevel], areas: Mapping[str, str], limits: AcrossLimits) -> Findings:
    """Findings by (run, position) of one session; `areas` names the area of every position that has one.

    Levels in dB of the whole used part. Measurements of one condition and yaw are split into a part of each run, a part
    of each position and a rest by medians (Tukey's median polish): a large rest is one channel's fault in one run, a
    run's part that does not fit the others at its speed is the whole run's. Silent channels and gains that are
    contradicted are found first and are no evidence for the others, which are looked at again without them.
    """
    found: Findings = {}
    known = [level for level in levels if level.usable]
    while lost := _lost(known, limits):
        found.update({place: [finding] for place, finding in lost.items()})
        known = [level for level in known if level.place not in lost]
    for group in measurements_alike(known):
        _in_group(group, areas, limits, found)
    _at_floor(known, found)
    _slipped_log(known, limits, found)
    return found


def _lost(levels: Sequence[RunLevel], limits: AcrossLimits) -> dict[tuple[str, str], Finding]:
    lost = silent_channels(levels, limits.silent_level_db)
    for group in measurements_alike(levels):
        lost |= _contradicted_gains(group, limits.odd_level_db, limits.speed_level_db)
    return lost


def _in_group(group: Sequence[RunLevel], areas: Mapping[str, str], limits: AcrossLimits, found: Findings) -> None:
    table = level_table(group, lambda level: level.level_db)
    if len(table.positions) < PATTERN_AT_LEAST_POSITIONS:
        return
    if len(table.runs) >= OUTLIER_AT_LEAST_RUNS or table.pairs:
        for r, p, level in table.present():
            if abs(table.rest[r, p]) >= limits.odd_level_db:
                found.setdefault(level.place, []).append(_odd(level.position, float(table.rest[r, p])))
    _in_areas(table, areas, limits, found)
    for r, off in enumerate(table.off.tolist()):
        if abs(off) < limits.speed_level_db:
            continue
        for _, _, level in (cell for cell in table.present() if cell[0] == r):
            found.setdefault(level.place, []).append(_off_speed(level.position, off, table.speeds[r]))
        for repeat in _rows_of_repeats(group, table, r, limits.speed_level_db):
            doubts = found.setdefault(repeat.place, [])
            if not any(finding.code == "gain-step" for finding in doubts):
                doubts.append(_rows_differ(repeat, table.runs[r]))


def _odd(position: str, rest_db: float) -> Finding:
    words = f"position {position}: {rest_db:+.1f} dB from what its other runs and the other positions let expect"
    step = round_step(rest_db)
    if step is None:
        return Finding("outlier-level", words)
    return Finding("gain-step", f"{words}: a range change of {step:g} dB that the tables do not name?")


def _off_speed(position: str, off_db: float, speed_mps: float) -> Finding:
    words = f"position {position}: the whole run is {off_db:+.1f} dB from its repeats at {3.6 * speed_mps:.0f} km/h"
    step = round_step(off_db)
    if step is not None:
        return Finding("gain-step", f"{words}: a range change of {step:g} dB that the tables do not name?")
    return Finding("off-speed", f"{words}: is the row of the run log the right one?")


def _rows_differ(level: RunLevel, run: str) -> Finding:
    words = f"the run's row says {level.gain_db:g} dB, the fitting {level.fitted_gain_db:g} dB"
    step = abs(_entry_step_db(level))
    return Finding("gain-step", f"position {level.position}: {words}; run {run} has no row and is {step:g} dB off")


def _in_areas(table: LevelTable, areas: Mapping[str, str], limits: AcrossLimits, found: Findings) -> None:
    """Positions that are far from the others of their area in all runs alike."""
    by_area: dict[str, list[tuple[str, float]]] = {}
    for position, value in zip(table.positions, table.of_positions.tolist(), strict=True):
        if areas.get(position):
            by_area.setdefault(areas[position], []).append((position, value))
    for area, members in by_area.items():
        if len(members) < PATTERN_AT_LEAST_POSITIONS:
            continue
        middle = statistics.median(value for _, value in members)
        for position, value in members:
            if abs(value - middle) >= limits.area_level_db:
                words = f"position {position}: {value - middle:+.1f} dB from the other positions of area {area}"
                for run in table.runs:
                    if (run, position) in table.cells:
                        found.setdefault((run, position), []).append(Finding("outlier-in-area", words))


def _at_floor(levels: Sequence[RunLevel], found: Findings) -> None:
    """Channels that show in the wind no more than without it, where most others do."""
    floors = wind_off_levels(levels)
    runs: dict[str, list[tuple[RunLevel, float]]] = {}
    for level in levels:
        if level.kind == "measurement" and level.in_flow and level.position in floors:
            runs.setdefault(level.run, []).append((level, level.level_db - floors[level.position]))
    for members in runs.values():
        if (
            len(members) < PATTERN_AT_LEAST_POSITIONS
            or statistics.median(margin for _, margin in members) < OTHERS_ABOVE_FLOOR_DB
        ):
            continue
        for level, margin in members:
            if margin < FLOOR_MARGIN_DB:
                words = f"position {level.position}: {margin:+.1f} dB above its level without wind, the others far more"
                found.setdefault(level.place, []).append(Finding("at-floor", words))


def _slipped_log(levels: Sequence[RunLevel], limits: AcrossLimits, found: Findings) -> None:
    """Runs whose levels fit the row before or after theirs, over the whole log or a contiguous part of it."""
    flow = [level for level in levels if level.in_flow and level.logged_mps]
    runs = sorted({(level.order, level.run) for level in flow})
    table = {level.place: level for level in flow}
    positions = sorted({level.position for level in flow})
    if not runs:
        return
    names = [run for _, run in runs]
    cells = [[table[r, p].level_db if (r, p) in table else float("nan") for p in positions] for r in names]
    of_runs, _, _ = median_polish(cells)
    first = {run: next(level for level in flow if level.run == run) for run in names}
    speeds = [first[run].logged_mps or 0.0 for run in names]
    groups = [f"{first[run].kind} {first[run].condition} {first[run].yaw_deg:g}" for run in names]
    slip = run_log_offset(of_runs.tolist(), speeds, groups, limits.speed_level_db)
    if slip is None:
        return
    for index in slip.changed:
        for position in positions:
            if (names[index], position) in table:
                finding = Finding("log-shifted", _slip(position, slip, names))
                found.setdefault((names[index], position), []).append(finding)


def _slip(position: str, slip: RunLogOffset, names: Sequence[str]) -> str:
    part = f"from {names[slip.start]} to {names[slip.stop - 1]}"
    way = "after" if slip.rows > 0 else "before"
    return (
        f"position {position}: levels {part} fit the row of the run {way} each: the log is off by one row there "
        f"(rest {slip.slipped_rest_db:.1f} dB in place of {slip.rest_db:.1f} dB)"
    )


def _entry_step_db(level: RunLevel) -> float:
    """What the level would rise by with the fitting's gain in place of the run's own; 0 without an own gain."""
    if level.gain_db is None or level.fitted_gain_db is None:
        return 0.0
    return level.gain_db - level.fitted_gain_db


def _with_fitted_gain(level: RunLevel) -> RunLevel:
    """The level as the fitting's gain makes it."""
    return dataclasses.replace(level, level_db=level.level_db + _entry_step_db(level), gain_db=None)


def _contradicted_gains(
    group: Sequence[RunLevel], odd_level_db: float, speed_level_db: float
) -> dict[tuple[str, str], Finding]:
    """Channels of runs alike whose run names a gain that their repeats contradict, where the fitting's gain fits.

    One run after the other gets its fittings' gains: where it was off its repeats, or a channel off what its other runs
    and the other positions let expect, and now is not, the row of the run is wrong. Of two runs that differ, the one
    with a gain of its own is the suspect.
    """
    entered = [run for run in dict.fromkeys(x.run for x in group) if _has_step(group, run)]
    if not entered:
        return {}
    found: dict[tuple[str, str], Finding] = {}
    table, shape = level_table(group, lambda level: level.level_db), shapes(group)
    for run in entered:
        row = table.runs.index(run)
        odd = np.nan_to_num(np.abs(table.rest[row])).max(initial=0.0) >= odd_level_db
        if not odd and abs(table.off[row]) < speed_level_db:
            continue
        mended = level_table(
            [_with_fitted_gain(level) if level.run == run else level for level in group], lambda level: level.level_db
        )
        whole = _gain_explains(table, mended, row, speed_level_db)
        for r, p, level in table.present():
            if level.run != run or abs(_entry_step_db(level)) < NEAR_GAIN_STEP_DB:
                continue
            own = (
                abs(table.rest[r, p]) >= odd_level_db
                and abs(mended.rest[r, p]) <= GAIN_EXPLAINS_LIMIT_SHARE * odd_level_db
            )
            another_shape = level.place in shape and not shape[level.place].same
            if (own or (whole and abs(mended.rest[r, p]) <= odd_level_db)) and not another_shape:
                found[level.place] = Finding("gain-contradicted", _contradicted(level))
    return found


def _has_step(group: Sequence[RunLevel], run: str) -> bool:
    return any(level.run == run and abs(_entry_step_db(level)) >= NEAR_GAIN_STEP_DB for level in group)


def _gain_explains(table: LevelTable, mended: LevelTable, r: int, limit_db: float) -> bool:
    return bool(abs(table.off[r]) >= limit_db and abs(mended.off[r]) <= GAIN_EXPLAINS_LIMIT_SHARE * limit_db)


def _contradicted(level: RunLevel) -> str:
    own, fitted = f"{level.gain_db:g} dB", f"{level.fitted_gain_db:g} dB"
    return (
        f"position {level.position}: the run's row says {own}, the fitting {fitted}; with {fitted} it agrees with its "
        "repeats"
    )


def _rows_of_repeats(group: Sequence[RunLevel], table: LevelTable, r: int, limit_db: float) -> list[RunLevel]:
    """Levels of the repeats whose own gains alone set run `r` apart, which has none; empty where that is not so."""
    run = table.runs[r]
    repeats = [level for level in group if level.run != run and _entry_step_db(level)]
    if not repeats or any(_entry_step_db(level) for level in group if level.run == run):
        return []
    mended = level_table([_with_fitted_gain(level) for level in group], lambda level: level.level_db)
    return repeats if _gain_explains(table, mended, r, limit_db) else []
