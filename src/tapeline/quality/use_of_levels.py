"""What a level may be used for: decided once for every run, position and band, and stored beside the level."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Flags
from tapeline.quality.reasons import REASONS

Groups = NDArray[np.intp]

NOT_SUBTRACTED = frozenset({"background-refused", "background-unusable", "background-missing"})
"""Marks of a level from which nothing was subtracted although others of its session had a background subtracted."""

BACKGROUND_DOUBTS = NOT_SUBTRACTED | {
    "background-unsteady",
    "background-louder",
    "background-louder-here",
    "background-other-gain",
}
"""Marks of a band or overall level by which its background makes it doubtful."""

MARKS_OF_LEVEL = frozenset({"background-louder"}) | NOT_SUBTRACTED
"""Of these marks those that doubt the level itself: what is left of it holds a background that is not known."""


@dataclass(frozen=True)
class LevelUse:
    """What each level may be used for, every field (levels,).

    `usable`: there is a level or a bound, and nothing found says that it is wrong. `comparable`: it counts in means and
    comparisons of its condition. `pooled`: it also counts where levels of one place say something of another: scatter
    of repeats, repeatability, shifts of sessions, control limits, ranks.
    """

    usable: Flags
    comparable: Flags
    pooled: Flags


def level_use(
    usable: Flags,
    doubted: Flags,
    only_background: Flags,
    background_source: NDArray[np.integer],
    subtracted: Flags,
    cell: Groups,
    item: Groups,
) -> LevelUse:
    """What levels of one session may be used for; all arrays (levels,).

    `doubted` says that the level itself is in doubt, `only_background` that all that is doubted is a background that
    was not subtracted. `background_source` ranks what there was to subtract, `subtracted` says that something was.
    `cell` numbers the repeats of one condition, operating point, position and band, `item` the bands.

    What is doubted counts only where nothing sounder does, and so does a run from which less could be subtracted than
    from others. Neither is pooled; but where no band's repeats of the session are sound, those that lack their
    background alike are: what they lack says nothing of how they repeat.
    """
    sounder = _any(usable & ~doubted, cell)
    counted = usable & ~(doubted & sounder)
    comparable = counted & ~less_subtracted(background_source, counted, subtracted, cell)
    pooled = comparable & ~doubted
    without = comparable & doubted & only_background & ~_repeated(pooled, cell, item)
    return LevelUse(usable, comparable, pooled | without)


def less_subtracted(
    background_source: NDArray[np.integer], counted: Flags, subtracted: Flags, group: Groups
) -> NDArray[np.bool_]:
    """Levels from which less could be subtracted than from others that are counted in their group, (levels,).

    Only in groups where anything was subtracted of what counts: levels far above their background are alike without.
    """
    most = np.full(_size(group), -1, dtype=np.int64)
    np.maximum.at(most, group[counted], background_source[counted])
    return np.asarray((background_source < most[group]) & _any(counted & subtracted, group))


def less_along_first(background_source: NDArray[np.integer], counted: Flags, subtracted: Flags) -> NDArray[np.bool_]:
    """See `less_subtracted`: arrays of shape (levels, ...), held against each other along the first axis."""
    size = int(np.prod(counted.shape[1:]))
    group = np.broadcast_to(np.arange(size).reshape(counted.shape[1:]), counted.shape).ravel()
    taken, marked = (np.broadcast_to(each, counted.shape).ravel() for each in (background_source, subtracted))
    return less_subtracted(taken, counted.ravel(), marked, group).reshape(counted.shape)


def doubts_of(reasons: Collection[str]) -> list[str]:
    """Of the reasons of a channel those that make its levels doubtful, in their order."""
    return [code for code in reasons if code in REASONS and REASONS[code].verdict == "doubtful"]


def doubts_level(codes: Collection[str]) -> bool:
    """Whether any of some reason codes or marks doubts the level itself."""
    return any(code in MARKS_OF_LEVEL or (code in REASONS and REASONS[code].of_level) for code in codes)


def _repeated(pooled: Flags, cell: Groups, item: Groups) -> Flags:
    """Levels whose band has sound repeats somewhere, (levels,)."""
    count = np.bincount(cell[pooled], minlength=_size(cell))
    return _any(pooled & (count[cell] >= 2), item)


def _any(flags: Flags, group: Groups) -> Flags:
    """Whether any level of a level's group is flagged, (levels,)."""
    found = np.zeros(_size(group), dtype=bool)
    found[group[flags]] = True
    return np.asarray(found[group])


def _size(group: Groups) -> int:
    return int(group.max(initial=-1)) + 1
