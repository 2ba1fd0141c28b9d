"""Subtraction of a background in power, with the state that the margin decides and the interval of what is left."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import ArrayLike, NDArray

from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER
from tapeline.acoustics.selection_by_margin import ONE_SIDED_95, SelectionByMargin, needed_margin_db
from tapeline.arrays import Reals
from tapeline.limits import CERTAIN_DOF, CHI_SQUARE_DOF, LOUDER_THAN_BACKGROUND_P
from tapeline.statistics.significance import chi_square_quantile

NONE, CLEAR, CORRECTED, LIMITED, BOUND = range(5)
"""Codes of the states in rising order of doubt, but for NONE: no background run."""


@dataclass(frozen=True)
class MarginLimits:
    """Margins in dB that separate the states (form of ISO 3744: correct between 6 and 15 dB).

    `most_removed_db` is how far the part coherent with references may be taken down before a bound is left.
    """

    no_correction_above_db: float
    enough_margin_db: float
    least_margin_db: float
    bound_factor: float
    most_removed_db: float = 10.0

    @property
    def bound_probability(self) -> float:
        """One-sided probability of the normal law that `bound_factor` stands for."""
        return float(scipy.special.ndtr(self.bound_factor))


@dataclass(frozen=True)
class Subtraction:
    """Result of a subtraction, every field of the totals' shape.

    `kept` is the total less what is coherent with reference sensors (the total itself without any), `below` the
    background power (0 without any). `corrected` is NaN for bounds, `upper_bound` NaN for all else. `variance` (Pa^4)
    is that of `kept`, and `below_variance` that of the background; both are there whether or not it was subtracted.
    `neglected` is the power left in, relative to the corrected one, where the state is clear. `half_width` (Pa^2) is
    how far the background may be off without any chance in it, and `louder` says which bounds take the background for
    another one than the run's: they are the run's own upper end. `needed_margin_db` is the margin of what was kept from
    which a level is stated, NaN where no margin decides.
    """

    state: NDArray[np.uint8]
    total: Reals
    kept: Reals
    below: Reals
    corrected: Reals
    upper_bound: Reals
    variance: Reals
    below_variance: Reals
    neglected: Reals
    half_width: Reals
    louder: NDArray[np.bool_]
    needed_margin_db: Reals

    @property
    def margin_db(self) -> Reals:
        """Total above all that is subtracted, in dB; NaN without a background and where both powers are zero."""
        with np.errstate(divide="ignore", invalid="ignore"):
            margin = 10.0 * np.log10(self.total / self.removed)
        return np.where(self.state == NONE, np.nan, margin)

    @property
    def removed(self) -> Reals:
        """Power (Pa^2) that is subtracted, or would be where the state is clear: background and coherent part."""
        return np.asarray(self.total - self.kept + self.below)

    @property
    def chosen(self) -> SelectionByMargin:
        """The selection of levels by their margin, for the tails of their intervals."""
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            measured = self.kept / self.below
            dof = 2.0 * self.kept**2 / self.variance, 2.0 * self.below**2 / self.below_variance
        # Where the margin is enough and yet no level is stated, something else has decided.
        otherwise = (self.state == BOUND) & (measured >= 10.0 ** (self.needed_margin_db / 10.0))
        needed = np.where(otherwise, np.nan, self.needed_margin_db)
        return SelectionByMargin(measured, 10.0 ** (needed / 10.0), dof)

    @property
    def subtracted_variance(self) -> Reals:
        """What the background adds to the variance of the corrected power: nothing where it was not subtracted."""
        return np.where(self.state == CLEAR, 0.0, self.below_variance)


def correction_db(margin_db: Reals) -> Reals:
    """Background correction K1 in dB to subtract from a total level, of the shape of `margin_db`.

    K1 = -10 lg(1 - 10^(-0.1 margin)), the form of ISO 3744, 8.2.3.

    >>> round(float(correction_db(10.0)), 3)
    0.458
    """
    return np.asarray(-10.0 * np.log10(1.0 - 10.0 ** (-0.1 * np.asarray(margin_db, dtype=np.float64))))


def states_of(margin_db: Reals, limits: MarginLimits) -> NDArray[np.uint8]:
    """State of each margin; a NaN margin (both powers zero) counts as a bound."""
    return _states(np.asarray(margin_db), limits, limits.least_margin_db)


def _states(margin_db: Reals, limits: MarginLimits, least_db: Reals | float) -> NDArray[np.uint8]:
    state = np.full(np.shape(margin_db), BOUND, dtype=np.uint8)
    state[margin_db >= least_db] = LIMITED
    state[margin_db >= np.maximum(limits.enough_margin_db, least_db)] = CORRECTED
    # A margin beyond chance may have to be larger than the one from which on nothing is subtracted.
    state[margin_db >= np.maximum(limits.no_correction_above_db, np.where(np.isfinite(least_db), least_db, 0.0))] = (
        CLEAR
    )
    return state


def subtract(
    total: Reals,
    below: Reals,
    total_variance: Reals,
    below_variance: Reals,
    limits: MarginLimits,
    kept: Reals | None = None,
    half_width: Reals | None = None,
    *,
    scatter: Reals | float = 0.0,
    bounds: bool = True,
) -> Subtraction:
    """Subtract background powers (Pa^2) from totals of the same shape, with their variances (Pa^4).

    Where the margin is above the no-correction limit the total stays as it is. A level is stated from the least margin
    on, or from more where chance makes that much of it (`needed_margin_db`). A bound is max(0, total - background) +
    distance to the upper end of the interval of the difference, `bound_factor` standard uncertainties for many
    averages, and more towards the margin from which a level is stated: see `SelectionByMargin`. `kept`, where given, is
    what reference sensors do not explain of the total; `total_variance` is then its
    own, and `below` what is left of the background. The coherent part may be taken down by `most_removed_db`.
    `half_width` (Pa^2) is how far the background may be off for certain; it is added to each reach. Where the
    background is louder than the run beyond chance it was not the run's, and nothing is known but the run itself: the
    bound is the upper end of what was kept. `scatter` is the part of the background's variance that no averages made
    less, between its recordings: the margin that is needed does not rise with it. Without `bounds` their
    ends are left out (NaN).
    """
    total, below = np.asarray(total, dtype=np.float64), np.asarray(below, dtype=np.float64)
    kept = total if kept is None else np.asarray(kept, dtype=np.float64)
    variance, below_variance = (
        np.broadcast_to(np.asarray(each, dtype=np.float64), total.shape) for each in (total_variance, below_variance)
    )
    of_averages = np.maximum(below_variance - scatter, 0.0)
    needed_db = needed_margin_db(kept, below, variance, of_averages, limits.least_margin_db)
    with np.errstate(divide="ignore", invalid="ignore"):
        state = _states(10.0 * np.log10(kept / below), limits, needed_db)
        if kept is not total:
            least = float(correction_db(np.array(limits.most_removed_db)))
            coherent = _states(10.0 * np.log10(total / (total - kept)), limits, least)
            # A conditioned spectrum may lie above the total by its own scatter: then nothing is coherent.
            coherent[kept >= total] = CLEAR
            state = np.maximum(np.where((below == 0.0) & (kept > 0.0), CLEAR, state), coherent).astype(np.uint8)
    clear, bound = state == CLEAR, state == BOUND
    difference = kept - below
    half = np.zeros(total.shape) if half_width is None else np.asarray(half_width, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        neglected = np.where(clear, (total - kept + below) / total, 0.0)
    result = Subtraction(
        state=state,
        total=total,
        kept=kept,
        below=below,
        corrected=np.where(bound, np.nan, np.where(clear, total, difference)),
        upper_bound=np.full(total.shape, np.nan),
        variance=variance,
        below_variance=below_variance,
        neglected=neglected,
        half_width=half,
        louder=np.zeros(total.shape, dtype=bool),
        needed_margin_db=needed_db,
    )
    if not bounds:
        return result
    if bound.any():
        tail = result.chosen.tail_of_bound(1.0 - limits.bound_probability)
        reach = reach_above(kept, below, variance, below_variance, 1.0 - tail)
        result = dataclasses.replace(
            result, upper_bound=np.where(bound, np.maximum(difference, 0.0) + reach + half, np.nan)
        )
    return bounded_by_the_run(result, significantly_louder(result, ONE_SIDED_95), limits)


def bounded_by_the_run(result: Subtraction, louder: NDArray[np.bool_], limits: MarginLimits) -> Subtraction:
    """The same result with bounds that do not rely on a background where it is `louder` than the run.

    Such a bound is the upper end of the run's own power.
    """
    louder = result.louder | (louder & (result.state == BOUND))
    own = power_limit(result.kept, result.variance, 1.0 - limits.bound_probability)
    # Half the width is what tones of both may hide by phase: also a run that they left quieter.
    upper = np.where(louder, np.nan_to_num(own) + result.half_width, result.upper_bound)
    return dataclasses.replace(result, louder=louder, upper_bound=upper)


def louder_nearby(result: Subtraction, held: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Bounds (positions, bands) beside a background that is surely louder: it was another one there too.

    Surely louder is what chance alone makes anywhere in the `held` bands in 5 % of runs at most. It reaches over to the
    same band at other positions, which hear the same source, and at each position to the bands beside it, as far as
    they are bounds.
    """
    bound = result.state == BOUND
    if not (held & bound).any():
        return np.zeros(bound.shape, dtype=bool)
    factor = float(scipy.special.ndtri(1.0 - LOUDER_THAN_BACKGROUND_P / held.sum()))
    surely = held & bound & significantly_louder(result, max(factor, ONE_SIDED_95))
    reached: NDArray[np.bool_] = np.asarray(bound & surely.any(axis=0))
    for order in (range(1, bound.shape[1]), range(bound.shape[1] - 2, -1, -1)):
        for b in order:
            beside = b - 1 if order.step > 0 else b + 1
            reached[:, b] |= bound[:, b] & reached[:, beside]
    return reached


def without_background(total: Reals, total_variance: Reals) -> Subtraction:
    """The result for recordings without a background run: the total stands, and the state says so."""
    total = np.asarray(total, dtype=np.float64)
    return Subtraction(
        state=np.full(total.shape, NONE, dtype=np.uint8),
        total=total,
        kept=total,
        below=np.zeros(total.shape),
        corrected=total,
        upper_bound=np.full(total.shape, np.nan),
        variance=np.broadcast_to(np.asarray(total_variance, dtype=np.float64), total.shape),
        below_variance=np.zeros(total.shape),
        neglected=np.zeros(total.shape),
        half_width=np.zeros(total.shape),
        louder=np.zeros(total.shape, dtype=bool),
        needed_margin_db=np.full(total.shape, np.nan),
    )


def corrected_interval(result: Subtraction, confidence: float) -> tuple[Reals, Reals]:
    """Ends (Pa^2) of the interval of what is left after the subtraction; NaN for bounds, low ends below 0 are 0.

    Both powers are scaled chi-squares with the degrees of freedom of their variances, 2 P^2 / var. The ends of a
    difference of two such follow from the ends of each: low = T - B - sqrt((T - T_low)^2 + (B_high - B)^2), the upper
    end likewise (Ting et al., J. Stat. Comput. Simul. 35 (1990) 135; Zou and Donner, Stat. Med. 27 (2008) 1693; from
    memory). Where nothing was subtracted the interval is still that of the difference, widened to hold the total.
    `half_width` widens both ends by all of it: an error that no chance is in may lie at its very end. Towards the
    margin from which a level is stated the low end falls, since those that measured lower were not stated.
    """
    centre, tail, half, chosen = result.kept - result.below, 0.5 - confidence / 2.0, result.half_width, result.chosen
    low_at, high_at = 1.0 - chosen.low_tail(tail), 1.0 - chosen.high_tail(tail)
    low = centre - reach_above(result.below, result.kept, result.below_variance, result.variance, low_at) - half
    high = centre + reach_above(result.kept, result.below, result.variance, result.below_variance, high_at) + half
    gone = np.isnan(result.corrected)
    low = np.maximum(np.fmin(low, result.corrected), 0.0)
    return np.where(gone, np.nan, low), np.where(gone, np.nan, np.fmax(high, result.corrected))


def reach_above(
    rises: Reals, falls: Reals, rises_variance: Reals, falls_variance: Reals, probability: Reals | float
) -> Reals:
    """How far the difference `rises` - `falls` may truly lie above the measured one, at a one-sided probability.

    See `corrected_interval` for the form; powers in Pa^2, variances in Pa^4, of one shape.
    """
    above = power_limit(rises, rises_variance, 1.0 - probability) - rises
    below = falls - power_limit(falls, falls_variance, probability)
    return np.asarray(np.hypot(above, below))


def power_limit(power: Reals, variance: Reals, quantile: Reals | float) -> Reals:
    """The true power for which the measured one is the given quantile: nu P / chi2_q(nu) with nu = 2 P^2 / var.

    A power without variance is its own limit; below `CHI_SQUARE_DOF` degrees of freedom the normal distribution is
    used.
    """
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        dof = 2.0 * np.asarray(power) ** 2 / variance
        skewed = dof / chi_square_quantile(quantile, np.where(dof >= CHI_SQUARE_DOF, dof, 1.0)) * power
    normal = power - scipy.special.ndtri(quantile) * np.sqrt(variance)
    many = ~np.isfinite(dof) | (dof > CERTAIN_DOF)
    return np.asarray(np.where((dof >= CHI_SQUARE_DOF) & ~many, skewed, normal))


def random_uncertainty_db(result: Subtraction) -> Reals:
    """Standard uncertainty (dB) of the corrected level from the run's own averages; NaN for bounds.

    u(L) = 4.343 u(p^2)/p^2: in terms of the total level this is the factor 1/(1 - r) of a subtraction.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(DB_PER_RELATIVE_POWER * np.sqrt(result.variance) / result.corrected)


def background_uncertainty_db(result: Subtraction) -> Reals:
    """Standard uncertainty (dB) that the background leaves in the corrected level; NaN for bounds.

    Its own averages and scatter where it is subtracted (factor r/(1 - r)). Where it is neglected, the correction not
    made lies between nothing and K1: a rectangle from 0 to K1 about the uncorrected value has the rms K1 / sqrt(3).
    What the background may be off for certain is a rectangle too (GUM, 4.3.7). Towards the margin from which a level is
    stated those that measured low are missing; the distance to what is as likely too high as too low is in it.
    """
    high_by = np.sqrt(result.variance + result.below_variance) * -scipy.special.ndtri(result.chosen.low_tail(0.5))
    with np.errstate(divide="ignore", invalid="ignore"):
        subtracted = np.sqrt(result.subtracted_variance + result.half_width**2 / 3.0 + high_by**2) / result.corrected
    return np.asarray(DB_PER_RELATIVE_POWER * np.hypot(subtracted, result.neglected / np.sqrt(3.0)))


def significantly_louder(result: Subtraction, factor: float) -> NDArray[np.bool_]:
    """Flags where a background exceeds the run by more than `factor` standard uncertainties of their difference.

    `half_width`, an error of the background without chance in it, is added to that.
    """
    spread = np.sqrt(result.variance + result.below_variance)
    beyond = result.below - result.kept - result.half_width
    return np.asarray((result.state != NONE) & (beyond > factor * spread))


def as_db(relative_variance: ArrayLike) -> Reals:
    """Standard uncertainty in dB that belongs to a relative variance of power."""
    return np.asarray(DB_PER_RELATIVE_POWER * np.sqrt(np.asarray(relative_variance, dtype=np.float64)))
