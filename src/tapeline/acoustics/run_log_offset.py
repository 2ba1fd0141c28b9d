"""A run log whose rows are offset against the recordings: levels that fit the speeds of the rows before or after."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.limits import (
    SAME_SPEED_DB,
    SLIPPED_LOG_CHANGED_ROWS,
    SLIPPED_LOG_EXPONENTS,
    SLIPPED_LOG_PART_RUNS,
    SLIPPED_LOG_RESIDUAL_RATIO,
    SLIPPED_LOG_SPARE_RUNS,
)

Places = NDArray[np.int64]


@dataclass(frozen=True)
class RunLogOffset:
    """An offset of the run log: runs `start` to `stop` (not included) belong to the row `rows` (1 or -1) further on.

    `changed` are those of them whose speed this alters; the rms residuals are in dB, with the log as it is and offset.
    """

    start: int
    stop: int
    rows: int
    changed: tuple[int, ...]
    rest_db: float
    slipped_rest_db: float


def run_log_offset(
    levels_db: Sequence[float], speeds_mps: Sequence[float], groups: Sequence[str], limit_db: float
) -> RunLogOffset | None:
    """The offset by one row, of the whole log or of a contiguous part, that explains levels which contradict the log.

    `levels_db`, `speeds_mps` and `groups` (condition and what else has a level of its own) stand in the order of
    recording, one a run, shape (runs,). Levels are fitted by an offset a group and one exponent of speed. A row offset
    is reported only where repeats of one group and speed are `limit_db` apart, three runs and more lie beyond half of
    it from the fit, and the log with the offset leaves no run beyond half of it and a third of the rms. Whole rows are
    offset, or their speeds alone. Without repeats nothing contradicts the log but the fit, which is not enough.
    """
    level = np.asarray(levels_db, dtype=np.float64)
    speed = 10.0 * np.log10(np.asarray(speeds_mps, dtype=np.float64))
    _, group = np.unique(np.asarray(groups, dtype=str), return_inverse=True)
    every = np.arange(level.size)
    if level.size - group.max(initial=0) - 2 < SLIPPED_LOG_SPARE_RUNS:
        return None
    rest = _rest(level, speed, group)
    first, second = _contradictions(level, speed, group, limit_db)
    if not first.size or np.count_nonzero(np.abs(rest) > limit_db / 2.0) < SLIPPED_LOG_CHANGED_ROWS:
        return None
    best: tuple[float, int, RunLogOffset] | None = None
    before = float(np.sqrt(np.mean(rest**2)))
    for start, stop, rows in _parts(level.size):
        if ((second < start) | (first >= stop) | ((first < start) & (second >= stop))).any():
            continue
        row = every.copy()
        row[start:stop] += rows
        known = (every < start) | (every >= stop) | ((row >= start) & (row < stop))
        row, held = row[known], every[known]
        moved = np.abs(speed[row] - speed[held]) > SAME_SPEED_DB
        if np.count_nonzero(moved) < SLIPPED_LOG_CHANGED_ROWS:
            continue
        for of_group in (group[row], group[held]):
            left = _rest(level[held], speed[row], of_group)
            after = float(np.sqrt(np.mean(left**2)))
            if after > before / SLIPPED_LOG_RESIDUAL_RATIO or np.abs(left).max() > limit_db / 2.0:
                continue
            # The run at the end of the part has no row left: nothing says what it was.
            changed = (*held[moved].tolist(), *every[~known].tolist())
            if best is None or (round(after, 6), len(changed)) < best[:2]:
                found = RunLogOffset(start, stop, rows, tuple(sorted(changed)), before, after)
                best = (round(after, 6), len(changed), found)
    return best[2] if best else None


def _parts(count: int) -> Iterator[tuple[int, int, int]]:
    for start in range(count - SLIPPED_LOG_PART_RUNS + 1):
        for stop in range(start + SLIPPED_LOG_PART_RUNS, count + 1):
            yield start, stop, 1
            yield start, stop, -1


def _contradictions(level: Reals, speed: Reals, group: Places, limit_db: float) -> tuple[Places, Places]:
    """Pairs of runs of one group and speed, the earlier one first, whose levels are `limit_db` apart or more."""
    first, second = np.triu_indices(level.size, 1)
    alike = (group[first] == group[second]) & (np.abs(speed[first] - speed[second]) < SAME_SPEED_DB)
    apart = alike & (np.abs(level[first] - level[second]) >= limit_db)
    return first[apart], second[apart]


def _rest(level: Reals, speed: Reals, group: Places) -> Reals:
    """Rest of the levels after an offset a group and an exponent common to all, within `SLIPPED_LOG_EXPONENTS`."""
    count = np.maximum(np.bincount(group), 1)
    own = level - (np.bincount(group, level) / count)[group]
    along = speed - (np.bincount(group, speed) / count)[group]
    square = float(along @ along)
    exponent = (
        float(np.clip((own @ along) / square, *SLIPPED_LOG_EXPONENTS)) if square > 0.0 else SLIPPED_LOG_EXPONENTS[0]
    )
    return np.asarray(own - exponent * along)
