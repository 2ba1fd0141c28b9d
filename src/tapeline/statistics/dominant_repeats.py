"""Single runs without which the scatter of a position would be much smaller, and the interval without them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Flags, Reals
from tapeline.limits import DOMINANT_RUN_RATIO
from tapeline.statistics.comparison import Difference
from tapeline.statistics.repeat_scatter import RepeatRows
from tapeline.statistics.significance import student_factor
from tapeline.statistics.uncertainty_terms import RANDOM_ERROR, REPEATS


@dataclass(frozen=True)
class DominantRepeats:
    """The runs that make most of the squares of each position and item, and what would be left without one of them.

    `largest` has shape (runs, positions, items), runs of all conditions one after the other: of two repeats nothing
    tells which is the odd one, so that both are flagged. `variance_share_left` (positions, items) is the scatter's
    variance without one of them over that with it; `is_tested` says where degrees of freedom are left to tell.
    """

    largest: Flags
    variance_share_left: Reals
    is_tested: Flags


def dominant_repeats(conditions: Sequence[RepeatRows], near: NDArray[np.bool_]) -> DominantRepeats:
    """Of the repeats of one or more conditions whose scatter is pooled, and of the items `near` each (items, items)."""
    weight = near.astype(np.float64)
    squares = [part.squares_of_runs_db2 for part in conditions]
    shape = squares[0].shape[1:]
    total, degrees, most, degrees_of_run = (np.zeros(shape) for _ in range(4))
    largest = np.zeros((sum(len(part) for part in squares), *shape), dtype=bool)
    run = 0
    for part, of_runs in zip(conditions, squares, strict=True):
        spare = part.degrees_of_freedom
        degrees = degrees + spare @ weight
        # Each run's own part is n/(n - 1) of its square, so that all of them together hold n/(n - 1) of the sum.
        total = total + (of_runs.sum(axis=0) * spare / np.maximum(spare + 1, 1)) @ weight
        counted = (spare > 0).astype(np.float64) @ weight
        for own in of_runs @ weight:
            alike = (own > 0.0) & np.isclose(own, most, rtol=1e-6, atol=0.0)
            more = ~alike & (own > most)
            largest[:run, more] = False
            largest[run] = alike | more
            most[more], degrees_of_run[more] = own[more], counted[more]
            run += 1
    with np.errstate(divide="ignore", invalid="ignore"):
        left = np.clip((total - most) / (degrees - degrees_of_run) / (total / degrees), 0.0, 1.0)
    return DominantRepeats(largest, left, degrees > degrees_of_run)


def half_width_without(result: Difference, found: DominantRepeats, confidence: float) -> Reals:
    """Half-width (dB) of each interval without its dominant run, (positions, items).

    NaN where no run makes the interval `DOMINANT_RUN_RATIO` times wider, and where there is no difference.
    """
    repeats = result.terms[REPEATS.name][0]
    of_repeats = repeats + result.terms[RANDOM_ERROR.name][0]
    factor = student_factor(result.degrees_of_freedom, confidence)
    with np.errstate(divide="ignore", invalid="ignore"):
        saved = np.minimum(of_repeats * (1.0 - found.variance_share_left), repeats)
        without = factor * np.sqrt(np.maximum(result.standard_error_db**2 - saved, 0.0))
        dominated = found.is_tested & (factor * result.standard_error_db >= DOMINANT_RUN_RATIO * without)
    return np.where(dominated & np.isfinite(result.difference_db), without, np.nan)
