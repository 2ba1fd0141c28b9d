"""What the opened state adds to the closed one: the contribution of a gap, with its interval and state."""

from __future__ import annotations

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
