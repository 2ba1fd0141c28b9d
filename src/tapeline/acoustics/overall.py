"""Overall levels as sums of corrected bands, with the state that the sum deserves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits, Subtraction
from tapeline.acoustics.windows import Reals


@dataclass(frozen=True)
class OverallSum:
    """Sums over bands, every field of shape (positions,); see Subtraction for what is NaN where."""

    result: Subtraction
    bound_share: Reals


def sum_bands(
    total: Reals,
    below: Reals | None,
    bands: Subtraction,
    variances: tuple[Reals, Reals],
    limits: MarginLimits,
    bound_share: float,
) -> OverallSum:
    """Sum corrected bands (positions, bands) to one level a position.

    `total` and `below` are the weighted band powers of run and background, `bands` the subtraction made in each band
    and `variances` (positions,) those of the total's and the background's sum. Bands that are bounds enter with
    max(0, total - background); where their upper bounds carry more than `bound_share` of the sum, it is a bound itself.
    """
    whole = total.sum(axis=1)
    variance, background_variance = variances
    if below is None:
        return OverallSum(background.without_background(whole, variance), np.zeros(whole.shape))
    bound = bands.state == background.BOUND
    estimate = np.where(bound, np.maximum(total - below, 0.0), bands.corrected).sum(axis=1)
    certain = np.where(bound, 0.0, bands.corrected).sum(axis=1)
    upper_parts = np.where(bound, bands.upper_bound, 0.0).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = upper_parts / (certain + upper_parts)
        margin = 10.0 * np.log10(whole / below.sum(axis=1))
        neglected = np.where(bands.state == background.CLEAR, below, 0.0).sum(axis=1) / estimate
    state: NDArray[np.uint8] = background.states_of(margin, limits)
    state[state == background.BOUND] = background.LIMITED
    state[~(share <= bound_share)] = background.BOUND
    is_bound = state == background.BOUND
    spread = np.where(bound, bands.upper_bound / np.sqrt(12.0), 0.0)
    return OverallSum(
        result=Subtraction(
            state=state,
            margin_db=margin,
            corrected=np.where(is_bound, np.nan, estimate),
            upper_bound=np.where(is_bound, certain + upper_parts, np.nan),
            variance=variance,
            background_variance=background_variance + np.sum(spread**2, axis=1),
            neglected=neglected,
        ),
        bound_share=share,
    )
