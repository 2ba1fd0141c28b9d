"""What the opened state adds to the closed one, with interval and state, and whether single contributions add up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER
from tapeline.arrays import Reals


@dataclass(frozen=True)
class Contribution:
    """What the opened state adds to the other, every field of the inputs' shape; levels in dB, NaN where none."""

    level_db: Reals
    lower_db: Reals
    upper_db: Reals
    share: Reals
    state: NDArray[np.object_]


@dataclass(frozen=True)
class MeanLevel:
    """Mean levels (dB) of one condition with their standard errors (dB), of shape (positions, items).

    Where the condition is a bound the level is NaN and `upper_bound_db`, where given, says what it is at most.
    """

    level_db: Reals
    error_db: Reals
    upper_bound_db: Reals | None = None


def contribution(
    opened: MeanLevel,
    closed: MeanLevel,
    shared_db: Reals,
    reversed_: NDArray[np.bool_],
    factor: Reals,
    limits: background.MarginLimits,
) -> Contribution:
    """Power that opening a gap adds to the closed state, with an interval of `factor` standard uncertainties.

    Variance of the power difference: (P u / 4.343)^2 of both means, which are independent, and of the difference itself
    with `shared_db`, the uncertainty that both levels share (calibration). The closed state plays the part of a
    background, so the rise decides the state by the same margins; a bound's upper end is max(0, difference) + bound
    factor x u. `reversed_` says where the closed state is louder beyond doubt.
    """
    rise = opened.level_db - closed.level_db
    valid = np.isfinite(rise)
    names = {background.CLEAR: "clear", background.CORRECTED: "corrected", background.LIMITED: "limited"}
    state = np.full(rise.shape, None, dtype=object)
    state[valid] = [names.get(int(code), "bound") for code in background.states_of(rise, limits)[valid]]
    state[valid & reversed_] = "reversed"
    powers = [10.0 ** (level.level_db / 10.0) for level in (opened, closed)]
    parts = [p * level.error_db / DB_PER_RELATIVE_POWER for p, level in zip(powers, (opened, closed), strict=True)]
    gap_pa2 = powers[0] - powers[1]
    error = np.sqrt(parts[0] ** 2 + parts[1] ** 2 + (gap_pa2 * shared_db / DB_PER_RELATIVE_POWER) ** 2)
    has_value = valid & np.isin(state.astype(str), list(names.values()))
    highest = np.where(has_value, gap_pa2 + factor * error, np.maximum(gap_pa2, 0.0) + limits.bound_factor * error)
    lowest = gap_pa2 - factor * error
    if closed.upper_bound_db is not None:
        covered = np.isfinite(opened.level_db) & np.isfinite(closed.upper_bound_db)
        lowest = np.where(covered, powers[0] - 10.0 ** (closed.upper_bound_db / 10.0) - factor * parts[0], lowest)
        highest = np.where(covered, powers[0] + factor * parts[0], highest)
        state[covered] = "bound"
        valid = valid | covered
    return Contribution(
        level_db=np.where(has_value, _positive_db(gap_pa2), np.nan),
        lower_db=np.where(valid, _positive_db(lowest), np.nan),
        upper_db=np.where(valid, _positive_db(highest), np.nan),
        share=gap_pa2 / powers[0],
        state=state,
    )


def _positive_db(power: Reals) -> Reals:
    """10 lg of a power, NaN where it is not positive."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(power > 0.0, 10.0 * np.log10(power), np.nan)


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
    lower_db, upper_db = (_positive_db(np.where(has_ratio, end, np.nan)) for end in ends)
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
