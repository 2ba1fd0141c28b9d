"""The mean of several background runs, with how much they scatter beyond chance; and one between two speeds."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import scipy.special
from numpy.typing import NDArray

from tapeline.acoustics.band_levels import Powers
from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER
from tapeline.arrays import Reals
from tapeline.limits import BACKGROUND_PRIOR_DOF, BACKGROUND_SCATTER_P
from tapeline.statistics.combined_uncertainty import welch_satterthwaite


@dataclass(frozen=True)
class BackgroundScatter:
    """Run-to-run scatter of a background beyond its random error: relative variance of one run, (positions,)."""

    relative_variance: Reals
    degrees_of_freedom: Reals


def scatter_of(parts: list[Powers], used: NDArray[np.bool_], stated_db: float) -> BackgroundScatter:
    """Run-to-run scatter of background runs beyond random error, pooled over the bands of each position.

    `used` (runs, positions) leaves single runs out. The bands of one run share most of what varies, so that n runs give
    n - 1 degrees of freedom; the `stated_db` of the settings counts for `BACKGROUND_PRIOR_DOF` more. Bands weigh by how
    well they show a scatter of the stated size.
    """
    power, variance, chosen = _stacked(parts, used)
    count = chosen.sum(axis=0)
    stated = (stated_db / DB_PER_RELATIVE_POWER) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(chosen, power, 0.0).sum(axis=0) / count
        squares = np.where(chosen, (power / mean - 1.0) ** 2, 0.0).sum(axis=0)
        random = np.where(chosen, variance / mean**2, 0.0).sum(axis=0) / count
        excess = squares / (count - 1) - random
        weight = np.where((count > 1) & np.isfinite(excess), 1.0 / (random + stated + 1e-12) ** 2, 0.0)
        measured = np.where(weight > 0.0, excess * weight, 0.0).sum(axis=1) / weight.sum(axis=1)
    dof = np.where(weight.any(axis=1), np.maximum(used.sum(axis=0) - 1.0, 0.0), 0.0)
    found = np.maximum(np.nan_to_num(measured), 0.0)
    both = BACKGROUND_PRIOR_DOF + dof
    return BackgroundScatter((BACKGROUND_PRIOR_DOF * stated + dof * found) / both, both)


def _stacked(parts: list[Powers], used: NDArray[np.bool_]) -> tuple[Reals, Reals, NDArray[np.bool_]]:
    """Powers, variances and what counts of them, (runs, positions, bands)."""
    power, variance = (np.array([getattr(part, name) for part in parts]) for name in ("power", "variance"))
    return power, variance, used[:, :, None] & np.isfinite(power)


@dataclass(frozen=True)
class BackgroundMean:
    """Mean powers of background runs, their variances, and which scatter beyond the limit, (positions, bands).

    `degrees_of_freedom` are those of the variances as estimates (Welch-Satterthwaite of random error and scatter).
    `own_variance` is the part of the variances that the background during another run has of its own; the rest is
    shared by all runs that have these background runs. `half_width` (Pa^2) is how far the powers may be off for
    certain: see `electrical_change`.
    """

    powers: Powers
    own_variance: Reals
    degrees_of_freedom: Reals
    unsteady: NDArray[np.bool_]
    half_width: Reals | float = 0.0


def mean_background(
    parts: list[Powers], used: NDArray[np.bool_], scatter: BackgroundScatter, limit_db: float
) -> BackgroundMean:
    """Mean power of background runs with its variance; NaN where no run is left.

    `used` (runs, positions) leaves single runs out. The variance is that of a statement on the background during
    another run: random error / n of independent runs, and the scatter of their mean, 1/n, and of that other run itself.
    A band is unsteady where its runs scatter by more than `limit_db` beyond random error, and by more than chance
    gives.
    """
    power, variance, chosen = _stacked(parts, used)
    count = chosen.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(chosen, power, 0.0).sum(axis=0) / count
        random = np.where(chosen, variance, 0.0).sum(axis=0) / count
        squares = np.where(chosen, (power - mean) ** 2, 0.0).sum(axis=0)
        beyond = (squares / (count - 1) - random) / mean**2
        unsteady = (count > 1) & (beyond > (limit_db / DB_PER_RELATIVE_POWER) ** 2)
        # Few scatter beyond the limit, and the distribution is slow to compute.
        chance = scipy.special.chdtrc(count[unsteady] - 1, squares[unsteady] / random[unsteady])
        unsteady[unsteady] = chance < BACKGROUND_SCATTER_P
        own = scatter.relative_variance[:, None] * mean**2
        shares = np.stack([random / count, own * (1.0 + 1.0 / count)])
        chi_square = 2.0 * mean**2 / shares[0]
    total = shares.sum(axis=0)
    dof = np.broadcast_to(scatter.degrees_of_freedom[:, None], mean.shape)
    known = count > 0
    return BackgroundMean(
        Powers(np.where(known, mean, np.nan), np.where(known, total, np.nan)),
        np.where(known, own, np.nan),
        welch_satterthwaite(shares, np.stack([chi_square, dof])),
        unsteady,
    )


@dataclass(frozen=True)
class ElectricalChange:
    """What another gain changes of a background (Pa^2): within `half_width` of `power`, with its standard error.

    NaN where no wind-off level tells.
    """

    power: Reals
    half_width: Reals
    error: Reals


def electrical_change(at_background: Powers, at_run: Powers, more_db: Reals, below: Reals) -> ElectricalChange:
    """Electrical power at the run's gain less that at the gain of its background, `more_db` higher.

    Known where there are wind-off levels at both gains, NaN where there is none; all of shape (positions, bands).
    Referred to pascal, noise from before the gain stage is the same at every gain and noise from behind it falls with
    the gain: one wind-off level bounds the change by those two, of which neither is likelier. `below` is the
    background's power, of which no more can be electrical.
    """
    known = [np.isfinite(each.power) for each in (at_background, at_run)]
    ratio = 10.0 ** (more_db / 10.0)
    most = np.where(known[0], at_background.power * (ratio - 1.0), at_run.power * (1.0 - 1.0 / ratio))
    most = np.maximum(most, -below)
    both = known[0] & known[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        sizes = [np.nan_to_num(np.sqrt(each.variance)) for each in (at_background, at_run)]
        one = np.where(known[0], sizes[0] * np.abs(ratio - 1.0), sizes[1] * np.abs(1.0 - 1.0 / ratio)) / 2.0
    return ElectricalChange(
        np.where(both, at_run.power - at_background.power, most / 2.0),
        np.where(both, 0.0, np.abs(most) / 2.0),
        np.where(both, np.hypot(*sizes), one),
    )


def with_electrical_changes(
    mean: BackgroundMean, changes: list[ElectricalChange], used: NDArray[np.bool_], count: NDArray[np.intp]
) -> BackgroundMean:
    """The mean of `count` (positions,) background runs, corrected for the electrical noise of runs with another gain.

    `used` (changes, positions) says which change counts where. What one wind-off level leaves open is the same in all
    runs.
    """
    power, half, error = (np.zeros(mean.powers.power.shape) for _ in range(3))
    share = 1.0 / np.maximum(count, 1)[:, None]
    for change, chosen in zip(changes, used, strict=True):
        known = chosen[:, None] & np.isfinite(change.power)
        for sums, part in ((power, change.power), (half, change.half_width), (error, change.error)):
            np.add(sums, np.where(known, part * share, 0.0), out=sums)
    powers = Powers(np.maximum(mean.powers.power + power, 0.0), mean.powers.variance + error**2)
    return replace(mean, powers=powers, half_width=mean.half_width + half)


def between_speeds(
    lower: BackgroundMean, upper: BackgroundMean, speeds_mps: tuple[float, float], speed_mps: float, model_db: float
) -> BackgroundMean:
    """Background at a speed between two measured ones: a power law of speed through both, in each band.

    P = P1 (P2 / P1)^a, a = ln(U / U1) / ln(U2 / U1). `model_db` is the standard uncertainty of the law itself.
    Raises ValueError for a speed that does not lie between them.
    """
    first, second = speeds_mps
    if not 0.0 < first < speed_mps < second:
        raise ValueError(f"{speed_mps:g} m/s does not lie between {first:g} and {second:g} m/s")
    a = float(np.log(speed_mps / first) / np.log(second / first))
    p1, p2 = lower.powers, upper.powers
    with np.errstate(divide="ignore", invalid="ignore"):
        power = p1.power ** (1.0 - a) * p2.power**a
        shares = [(1.0 - a) ** 2 * p1.variance / p1.power**2, a**2 * p2.variance / p2.power**2]
        own = ((1.0 - a) ** 2 * lower.own_variance / p1.power**2 + a**2 * upper.own_variance / p2.power**2) * power**2
        law = np.full(power.shape, (model_db / DB_PER_RELATIVE_POWER) ** 2)
        variance = np.sum([*shares, law], axis=0) * power**2
    dof = [lower.degrees_of_freedom, upper.degrees_of_freedom, np.full(power.shape, np.inf)]
    degrees = welch_satterthwaite([*shares, law], dof)
    return BackgroundMean(Powers(power, variance), own, degrees, lower.unsteady | upper.unsteady)
