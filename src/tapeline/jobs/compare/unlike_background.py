"""Where more background was subtracted from one side of a comparison than from the other, and it makes a difference."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Flags, Reals
from tapeline.jobs.levels.level_array import LevelArray
from tapeline.statistics.comparison import ConditionMean

Side = tuple[Sequence[str], Flags]
"""Names of some runs, and which of their levels count, (runs, positions, items)."""


def lacking(cube: LevelArray, first: Side, second: Side, no_correction_above_db: float) -> tuple[Flags, Flags]:
    """For each of two sides where less was subtracted from it than from the other and it matters, (positions, items).

    It matters where what was subtracted from the other side is less than `no_correction_above_db` below this side's
    level: the level then holds a background that the other side's does not.
    """
    places = list(range(len(cube.positions)))
    return _held_against(_of_side(cube, *first, places), _of_side(cube, *second, places), no_correction_above_db)


def lacking_at(
    cube: LevelArray,
    first: tuple[Sequence[str], Flags, int],
    second: tuple[Sequence[str], Flags, int],
    no_correction_above_db: float,
) -> tuple[Flags, Flags]:
    """The same for two single positions by their places; flags and results are (…, 1, items)."""
    sides = [_of_side(cube, names, used, [place]) for names, used, place in (first, second)]
    return _held_against(sides[0], sides[1], no_correction_above_db)


@dataclasses.dataclass(frozen=True)
class _Taken:
    """What there was to subtract, -1 without levels; the mean level; the most subtracted, minus infinity: nothing."""

    rank: NDArray[np.int64]
    level_db: Reals
    removed_db: Reals


def _held_against(one: _Taken, other: _Taken, no_correction_above_db: float) -> tuple[Flags, Flags]:
    def lacks(own: _Taken, than: _Taken) -> Flags:
        with np.errstate(invalid="ignore"):
            near = own.level_db - than.removed_db < no_correction_above_db
        return np.asarray((own.rank >= 0) & (own.rank < than.rank) & near)

    return lacks(one, other), lacks(other, one)


def _of_side(cube: LevelArray, names: Sequence[str], used: Flags, places: list[int]) -> _Taken:
    at = np.ix_(cube.places(names), places)
    level = np.where(used, cube.values["level_db"][at], np.nan)
    off = level - cube.values["margin_db"][at]
    known = np.isfinite(level)
    with np.errstate(invalid="ignore"):
        mean = np.where(known, level, 0.0).sum(axis=0) / np.where(known.any(axis=0), known.sum(axis=0), np.nan)
    return _Taken(
        np.where(used, cube.background_source[at], -1).max(axis=0, initial=-1).astype(np.int64),
        mean,
        np.where(np.isfinite(off), off, -np.inf).max(axis=0, initial=-np.inf),
    )


def as_bound(cell: ConditionMean, where: Flags) -> ConditionMean:
    """A cell whose levels are upper bounds where a background is still in them."""
    value = where & np.isfinite(cell.mean_db)
    return dataclasses.replace(
        cell,
        mean_db=np.where(value, np.nan, cell.mean_db),
        upper_db=np.where(value, cell.mean_db, cell.upper_db),
        bound=cell.bound | value,
    )
