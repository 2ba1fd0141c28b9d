"""Levels of a session's runs as verdicts see them: tables by runs and positions split by medians, shapes of spectra."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tapeline.arrays import Reals
from tapeline.limits import (
    HIGH_FREQUENCIES_KEPT_DB,
    NEAR_GAIN_STEP_DB,
    OUTLIER_LINE_SPEEDS,
    SAME_SHAPE_DB,
    SAME_SPEED_RATIO,
    USUAL_GAIN_STEPS_DB,
    WHITE_SPECTRUM_HALF_RATE_SHARE,
)

POLISH_ROUNDS = 10
"""Rounds of the polish; it settles in two or three."""


@dataclass(frozen=True)
class RunLevel:
    """The level of one channel in one run; `usable` says whether it counts as evidence for others.

    `frequency_hz` is the root-mean-square frequency of its spectrum, `gain_db` the run's own gain and `fitted_gain_db`
    the fitting's, `logged_mps` the speed of the run log; None where nothing is known.
    """

    run: str
    position: str
    kind: str
    condition: str | None
    speed_mps: float | None
    yaw_deg: float
    order: int
    level_db: float
    usable: bool
    frequency_hz: float | None = None
    sample_rate_hz: float | None = None
    logged_mps: float | None = None
    gain_db: float | None = None
    fitted_gain_db: float | None = None

    @property
    def place(self) -> tuple[str, str]:
        return self.run, self.position

    @property
    def in_flow(self) -> bool:
        """Whether air moved."""
        return bool(self.speed_mps)


def measurements_alike(levels: Iterable[RunLevel]) -> list[list[RunLevel]]:
    """Measurements in flow by condition and yaw."""
    groups: dict[tuple[str | None, float], list[RunLevel]] = {}
    for level in levels:
        if level.kind == "measurement" and level.in_flow:
            groups.setdefault((level.condition, level.yaw_deg), []).append(level)
    return list(groups.values())


def wind_off_levels(levels: Iterable[RunLevel]) -> dict[str, float]:
    """The median level without wind of every position that has one."""
    floors: dict[str, list[float]] = {}
    for level in levels:
        if level.kind == "background" and level.speed_mps == 0.0:
            floors.setdefault(level.position, []).append(level.level_db)
    return {position: statistics.median(values) for position, values in floors.items()}


def round_step(decibels: float) -> float | None:
    """The usual step of gain that a difference looks like."""
    nearest = min(USUAL_GAIN_STEPS_DB, key=lambda step: abs(abs(decibels) - step))
    return nearest if abs(abs(decibels) - nearest) <= NEAR_GAIN_STEP_DB else None


@dataclass(frozen=True)
class LevelTable:
    """Runs (in order of time) by positions, split by medians (Tukey's median polish).

    `off` says how far each run is off its repeats and `rest` how far each cell is off what its run and position let
    expect, in dB; of two runs both are off each other, since nobody can say which is right. `told` says of which runs
    `off` is known, `pairs` which run is the only repeat of another at its speed. NaN cells are missing.
    """

    runs: tuple[str, ...]
    positions: tuple[str, ...]
    speeds: tuple[float, ...]
    cells: Mapping[tuple[str, str], RunLevel]
    of_positions: Reals
    off: Reals
    rest: Reals
    told: tuple[bool, ...]
    pairs: Mapping[str, str]

    def present(self) -> list[tuple[int, int, RunLevel]]:
        """All cells with their row and column."""
        places = ((r, p, (run, name)) for r, run in enumerate(self.runs) for p, name in enumerate(self.positions))
        return [(r, p, self.cells[place]) for r, p, place in places if place in self.cells]

    @property
    def deviation(self) -> Reals:
        """How far each cell is off its repeats, its run's part included."""
        return np.asarray(self.off[:, None] + self.rest)


def level_table(group: Sequence[RunLevel], value: Callable[[RunLevel], float]) -> LevelTable:
    """The table of one value of each channel and run."""
    cells = {level.place: level for level in group}
    runs = sorted({level.run for level in group}, key=lambda name: min(x.order for x in group if x.run == name))
    positions = sorted({level.position for level in group})
    speeds = [next(level.speed_mps or 0.0 for level in group if level.run == run) for run in runs]
    known = [[value(cells[r, p]) if (r, p) in cells else math.nan for p in positions] for r in runs]
    of_runs, of_positions, rest = median_polish(known)
    if len(runs) == 2:
        apart = np.subtract(*np.asarray(known, dtype=np.float64))
        apart = apart - np.nanmedian(apart) if np.isfinite(apart).any() else apart
        rest = np.array([apart, -apart])
    same = [[j for j in range(len(runs)) if j != i and _one_speed(speeds[i], speeds[j])] for i in range(len(runs))]
    off = off_repeats(speeds, of_runs.tolist())
    return LevelTable(
        tuple(runs),
        tuple(positions),
        tuple(speeds),
        cells,
        of_positions,
        off,
        rest,
        tuple(bool(others) or value != 0.0 for others, value in zip(same, off, strict=True)),
        {runs[i]: runs[others[0]] for i, others in enumerate(same) if len(others) == 1},
    )


def _one_speed(one_mps: float, other_mps: float) -> bool:
    return max(one_mps, other_mps) <= SAME_SPEED_RATIO * min(one_mps, other_mps)


@dataclass(frozen=True)
class Shape:
    """How far a channel's root-mean-square frequency is off its repeats (20 lg), and whether its spectrum is white."""

    off_db: float
    white: bool

    @property
    def same(self) -> bool:
        """Whether it is its repeats' shape."""
        return abs(self.off_db) <= SAME_SHAPE_DB

    def lost_a_tone(self, deviation_db: float) -> bool:
        """Whether the level fell by a strong tone or rumble that stopped while high frequencies stayed as they were."""
        return not self.white and deviation_db + self.off_db > -HIGH_FREQUENCIES_KEPT_DB


def shapes(group: Sequence[RunLevel]) -> dict[tuple[str, str], Shape]:
    """Shapes by run and position of runs alike, for the channels whose frequency is known."""
    known = [level for level in group if level.frequency_hz]
    if len({level.run for level in known}) < 2:
        return {}
    table = level_table(known, lambda level: 20.0 * math.log10(level.frequency_hz or 1.0))
    return {level.place: Shape(float(table.deviation[r, p]), _is_white(level)) for r, p, level in table.present()}


def _is_white(level: RunLevel) -> bool:
    if not level.frequency_hz or not level.sample_rate_hz:
        return True
    return level.frequency_hz >= WHITE_SPECTRUM_HALF_RATE_SHARE * level.sample_rate_hz / 2.0


def median_polish(cells: ArrayLike) -> tuple[Reals, Reals, Reals]:
    """Row effects, column effects and residuals of a table of levels, shapes (rows,), (columns,), (rows, columns).

    Row and column medians are removed in turn (Tukey, Exploratory Data Analysis, 1977), so that single outliers do not
    move the effects. Column effects have median 0. NaN cells are missing and stay NaN in the residuals.
    """
    rest = np.array(cells, dtype=np.float64)
    rows, columns = np.zeros(rest.shape[0]), np.zeros(rest.shape[1])
    for _ in range(POLISH_ROUNDS):
        step = _median(rest, 1)
        rest -= step[:, None]
        rows += step
        side = _median(rest, 0)
        rest -= side[None, :]
        columns += side
        if max(np.abs(step).max(initial=0.0), np.abs(side).max(initial=0.0)) < 1e-9:
            break
    middle = float(np.median(columns)) if columns.size else 0.0
    return rows + middle, columns - middle, rest


def _median(values: Reals, axis: int) -> Reals:
    known = np.isfinite(values).any(axis=axis)
    filled = np.where(np.isfinite(values), values, np.nan)
    result = np.zeros(known.shape)
    if axis == 1:
        result[known] = np.nanmedian(filled[known], axis=1)
    else:
        result[known] = np.nanmedian(filled[:, known], axis=0)
    return result


def off_repeats(speeds_mps: Sequence[float], levels_db: Sequence[float]) -> Reals:
    """Deviation in dB of each run's level from the runs at the same speed, shape (runs,); 0 where it is unknown.

    Of three or more runs at one speed: from their median. Of two: from each other, since nobody can say which is right.
    A run that is alone at its speed: from the line over lg speed whose slope is the median of the slopes between all
    pairs (Theil and Sen), where four or more speeds fix one.
    """
    level = np.asarray(levels_db, dtype=np.float64)
    place = np.round(10.0 * np.log10(np.maximum(np.asarray(speeds_mps, dtype=np.float64), 1e-9)), 2)
    off = np.zeros(level.shape)
    for value in np.unique(place):
        same = np.flatnonzero(place == value)
        if same.size == 2:
            off[same] = level[same] - level[same[::-1]]
        elif same.size > 2:
            off[same] = level[same] - np.median(level[same])
    alone = np.array([np.count_nonzero(place == value) == 1 for value in place], dtype=bool)
    if np.unique(place).size >= OUTLIER_LINE_SPEEDS and alone.any():
        i, j = np.triu_indices(level.size, 1)
        apart = place[i] != place[j]
        rest = level - float(np.median((level[i] - level[j])[apart] / (place[i] - place[j])[apart])) * place
        off[alone] = (rest - np.median(rest))[alone]
    return off
