"""The doubts of the levels that a mean or a difference is made of, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from tapeline.jobs.levels.level_array import LevelArray

if TYPE_CHECKING:
    from tapeline.store.rows import DoubtColumns

MOST_NAMED = 6
"""More runs than these are counted and not named."""


def inherited_doubt(cube: LevelArray, runs: Sequence[str], p: int, i: int) -> list[str]:
    """Each code with the runs that bring it, as in 'hum: x12, x13', in the order in which the runs bring them."""
    by_code: dict[str, list[str]] = {}
    for name, r in zip(runs, cube.places(runs), strict=True):
        for code in cube.doubt[r, p, i]:
            by_code.setdefault(code, []).append(name)
    return [f"{code}: {_named(found, len(runs))}" for code, found in by_code.items()]


def doubt_columns(cube: LevelArray, runs: Sequence[str], p: int, i: int) -> DoubtColumns:
    """The columns that say whether a mean or difference is doubtful, why, and by which runs."""
    doubt = inherited_doubt(cube, runs, p, i)
    return {"doubtful": bool(doubt), "doubt": doubt}


def _named(found: Sequence[str], of: int) -> str:
    if len(found) == of and of > 1:
        return "all runs"
    return ", ".join(found) if len(found) <= MOST_NAMED else f"{len(found)} runs"
