"""Energy mean of levels over places, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapeline.arrays import Reals


@dataclass(frozen=True)
class AreaMean:
    """Mean level over the positions of an area, fields of shape (items,); NaN where no position has a level.

    `own_variance_db2` comes from the independent errors of the positions' levels, `shared_variance_db2` from errors
    that act on all alike; `spread_db` is the standard deviation of the levels over the positions, NaN for a single one.
    """

    level_db: Reals
    own_variance_db2: Reals
    shared_variance_db2: Reals
    spread_db: Reals


def energy_mean(levels_db: Reals, own_variance_db2: Reals, correlation: float, shared_variance_db2: Reals) -> AreaMean:
    """Energy mean of levels over positions, 10 lg of the mean of 10^(L/10), with its variance.

    All arguments have shape (positions, items), NaN where a position has no level. A position's error counts with its
    share w of the sum of powers (GUM 5.1.2): with the correlation rho of the errors the variance is rho (sum w s)^2 +
    (1 - rho) sum w^2 s^2, and (sum w s)^2 for what acts on all alike.
    """
    known = np.isfinite(levels_db)
    count = known.sum(axis=0)
    power = np.where(known, 10.0 ** (levels_db / 10.0), 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = power / power.sum(axis=0)
        level = 10.0 * np.log10(power.sum(axis=0) / count)
        mean = np.where(known, levels_db, 0.0).sum(axis=0) / count
        spread = np.sqrt(np.where(known, (levels_db - mean) ** 2, 0.0).sum(axis=0) / (count - 1))
    own, shared = (np.where(known, np.nan_to_num(part), 0.0) for part in (own_variance_db2, shared_variance_db2))
    together = (share * np.sqrt(own)).sum(axis=0) ** 2
    apart = (share**2 * own).sum(axis=0)
    return AreaMean(
        level_db=np.where(count > 0, level, np.nan),
        own_variance_db2=correlation * together + (1.0 - correlation) * apart,
        shared_variance_db2=(share * np.sqrt(shared)).sum(axis=0) ** 2,
        spread_db=np.where(count > 1, spread, np.nan),
    )
