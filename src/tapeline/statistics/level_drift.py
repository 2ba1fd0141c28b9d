"""A steady drift of one condition's levels within a session, from its repeats at known times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapeline.arrays import Reals
from tapeline.limits import ONE_TIME_HOURS2, SETTING_DOF
from tapeline.statistics.repeat_scatter import Scatter


@dataclass(frozen=True)
class Drift:
    """Slopes (dB per hour) and the variance that a variance of 1 dB^2 of each level gives them, (positions, items).

    NaN where no two levels of a group lie at different times. `residual_db2` is the sum of squares that the slope
    leaves about the groups' means, with its `degrees_of_freedom`, `explained_db2` what it takes from them.
    """

    slope_db_per_hour: Reals
    variance_per_db2: Reals
    residual_db2: Reals
    explained_db2: Reals
    degrees_of_freedom: Reals


def variance_about_slope(
    found: Drift, random_variance: Reals, scatter: Scatter, repeat_sd_db: float
) -> tuple[Reals, Reals]:
    """Variance (dB^2) of one level about the slope, and its degrees of freedom, (positions, items).

    That of random error and the scatter of repeats; the slope is taken out of it, where it is one of two degrees of
    freedom or more. Where nothing is pooled the levels' own about the slope; without either an assumed `repeat_sd_db`.
    """
    spare, left = scatter.degrees_of_freedom, found.degrees_of_freedom
    pooled, straight = spare > 0.0, spare >= 2.0
    assumed, whole = random_variance + repeat_sd_db**2, random_variance + scatter.excess
    with np.errstate(divide="ignore", invalid="ignore"):
        own = np.maximum(found.residual_db2 / left, random_variance)
        about = np.maximum((spare * whole - np.nan_to_num(found.explained_db2)) / (spare - 1.0), random_variance)
    variance = np.where(straight, about, np.where(pooled, whole, np.where(left > 0.0, own, assumed)))
    without_pool = np.where(left > 0.0, left, SETTING_DOF)
    degrees = np.where(straight, spare - 1.0, np.where(pooled, spare, without_pool))
    return variance, np.asarray(degrees, dtype=np.float64)


def level_drift(groups: Sequence[tuple[Reals, Reals]]) -> Drift:
    """Drift common to groups of repeats: levels (runs, positions, items) and their hours (runs,), group by group.

    Least squares about each group's own mean: sum (t - mean t) (L - mean L) / sum (t - mean t)^2, over all groups.
    Levels that are NaN are left out. Raises ValueError for no group.
    """
    if not groups:
        raise ValueError("a drift needs one group of levels at least")
    crossed, spread, squares, spare = (np.zeros(groups[0][0].shape[1:]) for _ in range(4))
    for levels, hours in groups:
        known = np.isfinite(levels)
        count = np.maximum(known.sum(axis=0), 1)
        times = np.where(known, hours[:, None, None], 0.0)
        from_mean = np.where(known, times - times.sum(axis=0) / count, 0.0)
        mean = np.where(known, levels, 0.0).sum(axis=0) / count
        above = np.where(known, levels - mean, 0.0)
        crossed += (from_mean * above).sum(axis=0)
        spread += (from_mean**2).sum(axis=0)
        squares += (above**2).sum(axis=0)
        spare += np.maximum(known.sum(axis=0) - 1, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope, variance = crossed / spread, 1.0 / spread
    apart = spread > ONE_TIME_HOURS2
    explained = np.where(apart, slope * crossed, 0.0)
    return Drift(
        slope_db_per_hour=np.where(apart, slope, np.nan),
        variance_per_db2=np.where(apart, variance, np.nan),
        residual_db2=np.maximum(squares - explained, 0.0),
        explained_db2=explained,
        degrees_of_freedom=np.maximum(spare - apart, 0.0),
    )
