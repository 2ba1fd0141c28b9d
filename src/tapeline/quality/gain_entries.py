"""Gains in the run table that a run's repeats contradict and the fittings' gains explain."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from tapeline.limits import GAIN_EXPLAINS_LIMIT_SHARE, NEAR_GAIN_STEP_DB
from tapeline.quality.level_table import LevelTable, RunLevel, level_table
from tapeline.quality.shape_of_spectra import shapes
from tapeline.quality.verdicts import Finding


def entry_step_db(level: RunLevel) -> float:
    """What the level would rise by with the fitting's gain in place of the run's own; 0 without an own gain."""
    if level.gain_db is None or level.fitted_gain_db is None:
        return 0.0
    return level.gain_db - level.fitted_gain_db


def with_fitted_gain(level: RunLevel) -> RunLevel:
    """The level as the fitting's gain makes it."""
    return dataclasses.replace(level, level_db=level.level_db + entry_step_db(level), gain_db=None)


def contradicted_gains(
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
            [with_fitted_gain(level) if level.run == run else level for level in group], lambda level: level.level_db
        )
        whole = _explained(table, mended, row, speed_level_db)
        for r, p, level in table.present():
            if level.run != run or abs(entry_step_db(level)) < NEAR_GAIN_STEP_DB:
                continue
            own = (
                abs(table.rest[r, p]) >= odd_level_db
                and abs(mended.rest[r, p]) <= GAIN_EXPLAINS_LIMIT_SHARE * odd_level_db
            )
            another_shape = level.place in shape and not shape[level.place].same
            if (own or (whole and abs(mended.rest[r, p]) <= odd_level_db)) and not another_shape:
                found[level.place] = Finding("gain-contradicted", _sentence(level))
    return found


def _has_step(group: Sequence[RunLevel], run: str) -> bool:
    return any(level.run == run and abs(entry_step_db(level)) >= NEAR_GAIN_STEP_DB for level in group)


def _explained(table: LevelTable, mended: LevelTable, r: int, limit_db: float) -> bool:
    return bool(abs(table.off[r]) >= limit_db and abs(mended.off[r]) <= GAIN_EXPLAINS_LIMIT_SHARE * limit_db)


def _sentence(level: RunLevel) -> str:
    own, fitted = f"{level.gain_db:g} dB", f"{level.fitted_gain_db:g} dB"
    return (
        f"position {level.position}: the run's row says {own}, the fitting {fitted}; with {fitted} it agrees with its "
        "repeats"
    )


def rows_of_repeats(group: Sequence[RunLevel], table: LevelTable, r: int, limit_db: float) -> list[RunLevel]:
    """Levels of the repeats whose own gains alone set run `r` apart, which has none; empty where that is not so."""
    run = table.runs[r]
    repeats = [level for level in group if level.run != run and entry_step_db(level)]
    if not repeats or any(entry_step_db(level) for level in group if level.run == run):
        return []
    mended = level_table([with_fitted_gain(level) for level in group], lambda level: level.level_db)
    return repeats if _explained(table, mended, r, limit_db) else []
