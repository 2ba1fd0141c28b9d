"""Overall levels as sums of corrected bands, with the state that the sum deserves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits, Subtraction
from tapeline.arrays import Reals


@dataclass(frozen=True)
class OverallSum:
    """Sums over bands, every field of shape (positions,); see Subtraction for what is NaN where."""

    result: Subtraction
    bound_share: Reals


def sum_bands(
    bands: Subtraction, variances: tuple[Reals, Reals], limits: MarginLimits, bound_share: float
) -> OverallSum:
    """Overall level of each position as the sum of its corrected bands (positions, bands).

    `bands` is the subtraction made in each weighted band, `variances` (positions,) those of the sum of what was kept
    of the totals and of the backgrounds' sum. Bands that are bounds enter with max(0, total - background); where their
    upper bounds carry more than `bound_share` of the sum, it is a bound itself: the sum plus the distance to the upper
    end of its interval, since the bands that have a value are not certain either. Where a band's background was not the
    run's (`louder`), all of the band's own power may be the source's, or none: it enters with half of its bound, and as
    far to either side for certain; a bound of the sum holds all of it. What bounds of bands have on top because they
    were selected by their margin (`SelectionByMargin`) raises the sum's bound by the root of the sum of squares. A sum
    that has a value needs no such width: every band enters with total - background, stated or not.
    """
    bound, open_ = bands.state == background.BOUND, bands.louder
    half, left = _left_of_bounds(bands)
    below_each = np.where(bound, bands.kept - left, bands.below)
    removed_each = np.nan_to_num(bands.total - bands.kept + below_each)
    total, kept, below, removed = (each.sum(axis=1) for each in (bands.total, bands.kept, below_each, removed_each))
    estimate = added_powers(bands).sum(axis=1)
    certain = np.where(bound, 0.0, bands.corrected).sum(axis=1)
    upper_parts = np.where(bound, bands.upper_bound, 0.0).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = upper_parts / (certain + upper_parts)
        margin = 10.0 * np.log10(total / removed)
        left_in = np.where(bands.state == background.CLEAR, bands.removed, 0.0).sum(axis=1) / estimate
    state: NDArray[np.uint8] = background.states_of(margin, limits)
    state[state == background.BOUND] = background.LIMITED
    # Conditioned spectra scatter about the total: what sums to nothing, or less, was not removed.
    state[(removed <= 0.0) & (total > 0.0)] = background.CLEAR
    state[~(share <= bound_share)] = background.BOUND
    state[(bands.state == background.NONE).all(axis=1)] = background.NONE
    is_bound = state == background.BOUND
    variance, below_variance = variances
    reach = background.reach_above(kept, below, variance, below_variance, limits.bound_probability)
    plain = background.reach_above(
        bands.kept, bands.below, bands.variance, bands.below_variance, limits.bound_probability
    )
    by_choice = np.where(bound & ~open_, bands.upper_bound - left - bands.half_width - plain, 0.0)
    reach += np.sqrt(np.sum(by_choice**2, axis=1))
    spread = np.where(bound & ~open_, bands.upper_bound / np.sqrt(12.0), 0.0)
    half_width = (half + np.where(open_, 0.0, bands.half_width)).sum(axis=1)
    return OverallSum(
        result=Subtraction(
            state=state,
            total=total,
            kept=kept,
            below=below,
            corrected=np.where(is_bound, np.nan, estimate),
            upper_bound=np.where(is_bound, estimate + half_width + reach, np.nan),
            variance=variance,
            below_variance=below_variance + np.sum(spread**2, axis=1),
            neglected=left_in,
            half_width=half_width,
            louder=np.asarray(is_bound & (half.sum(axis=1) > bound_share * estimate)),
            needed_margin_db=np.full(total.shape, np.nan),
        ),
        bound_share=share,
    )


def added_powers(bands: Subtraction) -> Reals:
    """What each band adds to the corrected sum (Pa^2), of the bands' shape: its corrected power, or that of a bound."""
    return np.where(bands.state == background.BOUND, _left_of_bounds(bands)[1], bands.corrected)


def _left_of_bounds(bands: Subtraction) -> tuple[Reals, Reals]:
    """Half of the bounds whose background was not the run's, 0 elsewhere; and with what a bound enters the sum."""
    half = np.where(bands.louder, bands.upper_bound / 2.0, 0.0)
    return half, np.where(bands.louder, half, np.maximum(bands.kept - bands.below, 0.0))
