"""Do single contributions add up to the whole? Powers of single treatments against that of all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.contribution import MeanLevel
from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER
from tapeline.arrays import Reals


@dataclass(frozen=True)
class Additivity:
    """Sum of single contributions and the whole one, powers over the reference pressure's square, any shape.

    `interaction_db` is 10 lg of sum over whole, NaN where one of them is not above zero, with its interval, NaN where
    an end is open. `word` says `interaction` (beyond the limit and beyond chance), `additive` (the interval lies within
    the limit) or `not shown`; None where a level is missing. `beyond_chance` is |sum - whole| in standard errors.
    """

    sum: Reals
    whole: Reals
    interaction_db: Reals
    lower_db: Reals
    upper_db: Reals
    beyond_chance: Reals
    word: NDArray[np.object_]


def additivity(
    common: MeanLevel, single: Sequence[MeanLevel], whole: MeanLevel, factor: Reals, limit_db: float
) -> Additivity:
    """The sum of single contributions compared with the contribution of the whole.

    `common` is the level that every change is counted from: of nothing applied where treatments are applied one at a
    time, of all applied where they are taken away one at a time; `single` are the levels with one of them, `whole` that
    with all. With P for powers, sum - whole = (k - 1) P_common - sum P_single + P_whole, up to a common sign; its
    variance follows from those of the means, which are independent (their common sensitivity cancels in the ratio).
    `factor` standard errors make the intervals.
    """
    power = [10.0 ** (level.level_db / 10.0) for level in (common, *single, whole)]
    variance = [
        (p * level.error_db / DB_PER_RELATIVE_POWER) ** 2
        for p, level in zip(power, (common, *single, whole), strict=True)
    ]
    count = len(single)
    sign = np.sign(power[0] - power[-1])
    total = sign * np.sum([power[0] - part for part in power[1:-1]], axis=0)
    all_ = sign * (power[0] - power[-1])
    of_singles = np.sum(variance[1:-1], axis=0)
    error = np.sqrt((count - 1) ** 2 * variance[0] + of_singles + variance[-1])
    beyond = total - all_
    valued = np.isfinite(beyond)
    has_ratio = valued & (total > 0.0) & (all_ > 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio_db = np.where(has_ratio, 10.0 * np.log10(total / all_), np.nan)
    ends = _ratio_interval(
        (total, all_), (count**2 * variance[0] + of_singles, variance[0] + variance[-1]), count * variance[0], factor
    )
    lower_db, upper_db = (_level(np.where(has_ratio, end, np.nan)) for end in ends)
    word = np.full(beyond.shape, None, dtype=object)
    word[valued] = "not shown"
    far = ~has_ratio | (np.abs(ratio_db) > limit_db)
    word[valued & far & (np.abs(beyond) > factor * error)] = "interaction"
    word[has_ratio & (lower_db > -limit_db) & (upper_db < limit_db)] = "additive"
    with np.errstate(divide="ignore", invalid="ignore"):
        beyond_chance = np.abs(beyond) / error
    return Additivity(total, all_, ratio_db, lower_db, upper_db, beyond_chance, word)


def _ratio_interval(
    parts: tuple[Reals, Reals], variances: tuple[Reals, Reals], covariance: Reals, factor: Reals
) -> tuple[Reals, Reals]:
    """Ends of the interval of a ratio of two normal values, NaN where it is not bounded.

    All r for which |a - r b| is at most `factor` standard errors of it (Fieller, J. R. Stat. Soc. B 16 (1954) 175).
    """
    a, b = parts
    square = factor**2
    over, mixed, rest = b**2 - square * variances[1], a * b - square * covariance, a**2 - square * variances[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(np.maximum(mixed**2 - over * rest, 0.0))
        low, high = (np.where(over > 0.0, (mixed + end) / over, np.nan) for end in (-root, root))
    return low, high


def _level(power: Reals) -> Reals:
    """10 lg, NaN where not above zero."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(power > 0.0, 10.0 * np.log10(power), np.nan)
