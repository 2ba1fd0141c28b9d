"""Control charts of individual values and their moving ranges, and the shift that many series have in common."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapeline.arrays import Reals
from tapeline.limits import (
    COMMON_SHIFT_SENSORS,
    CONTROL_TREND_VALUES,
    MEAN_RANGE_OF_TWO_SD,
    MOVING_RANGE_LIMIT_MEAN_RANGES,
    SAME_VALUE_UNITS,
)

INDIVIDUALS_FACTOR = 3.0 / MEAN_RANGE_OF_TWO_SD
"""2.66: limits of individuals about their mean in mean moving ranges, three standard deviations (same sources)."""


@dataclass(frozen=True)
class ControlLimits:
    """Limits of one control chart, all in the unit of the values; the lower limit of moving ranges of two is zero."""

    centre: float
    lower: float
    upper: float
    mean_moving_range: float
    upper_moving_range: float


def moving_ranges(values: ArrayLike) -> Reals:
    """Absolute differences of neighbouring values, shape (values - 1,), in their unit; (0,) for fewer than two.

    Raises ValueError for values that are not one row of finite numbers.
    """
    return np.abs(np.diff(_one_row(values)))


def control_limits(values: ArrayLike) -> ControlLimits:
    """Limits of individuals, mean ± 3/d2 x mean moving range, and of moving ranges, D4 x mean moving range.

    `values` has shape (values,), in order of time. NIST/SEMATECH e-Handbook 6.3.2.2; ISO 7870-2 (from memory).
    Raises ValueError for fewer than two values or values that are not finite.
    """
    row = _one_row(values)
    if row.size < 2:
        raise ValueError(f"limits need two values at least, not {row.size}")
    centre, mean_range = float(np.mean(row)), float(np.mean(moving_ranges(row)))
    reach = INDIVIDUALS_FACTOR * mean_range
    return ControlLimits(
        centre, centre - reach, centre + reach, mean_range, MOVING_RANGE_LIMIT_MEAN_RANGES * mean_range
    )


def outside(values: ArrayLike, limits: ControlLimits) -> NDArray[np.bool_]:
    """Which individuals lie beyond the limits, same shape as `values`; a value on a limit is inside."""
    row = np.asarray(values, dtype=np.float64)
    return np.asarray((row > limits.upper + SAME_VALUE_UNITS) | (row < limits.lower - SAME_VALUE_UNITS))


def trends(values: ArrayLike, least: int = CONTROL_TREND_VALUES) -> tuple[tuple[int, int], ...]:
    """First and last index of every longest stretch of `least` or more values that only rise or only fall.

    `values` has shape (values,), in order of time; an equal neighbour ends a stretch. Source: see TREND_VALUES.
    Raises ValueError for `least` below two or values that are not finite.
    """
    if least < 2:
        raise ValueError(f"a trend needs two values at least, not {least}")
    change = np.diff(_one_row(values))
    signs = np.where(np.abs(change) > SAME_VALUE_UNITS, np.sign(change), 0.0)
    found: list[tuple[int, int]] = []
    start = 0
    for index in range(1, signs.size + 1):
        if index == signs.size or signs[index] != signs[start]:
            if signs[start] != 0.0 and index - start + 1 >= least:
                found.append((start, index))
            start = index
    return tuple(found)


def stages(values: ArrayLike, largest_change: float) -> NDArray[np.int64]:
    """Number of the stage, from 0, that each value belongs to, shape (values,); -1 for a single deviating value.

    A change beyond `largest_change` begins a new stage, since limits hold for one state of a process only and are
    computed anew after a known change (common practice). Where the value after it is back within `largest_change` of
    the one before it, the value in between stands alone (-1) and the stage goes on.
    Raises ValueError for values that are not finite or `largest_change` not above zero.
    """
    row = _one_row(values)
    if not largest_change > 0.0:
        raise ValueError(f"the largest change must be above zero, not {largest_change}")
    stage = np.zeros(row.size, dtype=np.int64)
    current, last = 0, 0
    for index in range(1, row.size):
        if not _changed(row[last], row[index], largest_change):
            stage[index], last = current, index
        elif index + 1 < row.size and not _changed(row[last], row[index + 1], largest_change):
            stage[index] = -1
        else:
            current += 1
            stage[index], last = current, index
    return stage


def common_shift(earlier: ArrayLike, later: ArrayLike, least: int = COMMON_SHIFT_SENSORS) -> float | None:
    """Median change of series known at both times, in the unit of the values; None for fewer than `least` of them.

    `earlier` and `later` have shape (series,); NaN where a series has no value. The median is not moved by a minority
    of series that changed on their own.
    Raises ValueError for arrays of different shapes.
    """
    before, after = np.asarray(earlier, dtype=np.float64), np.asarray(later, dtype=np.float64)
    if before.shape != after.shape or before.ndim != 1:
        raise ValueError(f"two rows of the same series are needed, not shapes {before.shape} and {after.shape}")
    change = (after - before)[np.isfinite(after - before)]
    return float(np.median(change)) if change.size >= least else None


def _changed(earlier: float, later: float, limit: float) -> bool:
    return bool(abs(later - earlier) > limit + SAME_VALUE_UNITS)


def _one_row(values: ArrayLike) -> Reals:
    row = np.asarray(values, dtype=np.float64)
    if row.ndim != 1 or not np.all(np.isfinite(row)):
        raise ValueError("values must be one row of finite numbers")
    return row
