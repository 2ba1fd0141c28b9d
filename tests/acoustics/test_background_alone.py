"""A source that ran in the background alone: what is said of the run must still hold. Synthetic draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits, Subtraction, corrected_interval
from tapeline.acoustics.background_mean import BackgroundScatter, mean_background
from tapeline.acoustics.band_levels import Powers
from tapeline.acoustics.overall import OverallSum, sum_bands

Reals = NDArray[np.float64]

LIMITS = MarginLimits(15.0, 6.0, 3.0, 1.96)
POSITIONS, BANDS, FAN = 4, 17, slice(5, 8)
SCATTER_DB = 0.2
SECONDS = 20.0
FREEDOM: Reals = 2.0 * SECONDS * 0.23 * 100.0 * 10.0 ** (np.arange(BANDS) / 10.0)
"""Twice bandwidth times averaged time of the third octaves from 100 Hz on."""


@dataclass(frozen=True)
class Draws:
    """What is found of many runs beside the truth, (runs x positions, bands)."""

    found: Subtraction
    overall: OverallSum
    truth: Reals


def drawn(excess_db: float, runs: int, seed: int = 1) -> Draws:
    """Runs of flow over a background 12 dB below it; in three bands of the background runs a fan comes on top.

    The fan makes the background `excess_db` louder than the run there, at the loudest of the positions; the others are
    0.5 dB apart in flow. The background scatters by 0.2 dB from recording to recording, alike in all bands.
    """
    random = np.random.default_rng(seed)
    parts: list[tuple[Subtraction, OverallSum]] = []
    flow = 10.0 ** (0.05 * np.arange(POSITIONS))[:, None] * np.ones(BANDS)
    tunnel = np.full(BANDS, 10.0**-1.2)
    measured = tunnel.copy()
    measured[FAN] = 10.0 ** (excess_db / 10.0) * (flow[0, FAN] + tunnel[FAN])
    for _ in range(runs):
        shifts = 10.0 ** (random.normal(0.0, SCATTER_DB, 2) / 10.0)
        total, below = (
            each * random.chisquare(FREEDOM, (POSITIONS, BANDS)) / FREEDOM
            for each in (flow + tunnel * shifts[0], measured * shifts[1] * np.ones((POSITIONS, 1)))
        )
        scatter = BackgroundScatter(np.full(POSITIONS, (SCATTER_DB / 4.343) ** 2), np.full(POSITIONS, 2.0))
        mean = mean_background(
            [Powers(below, 2.0 * below**2 / FREEDOM)], np.ones((1, POSITIONS), dtype=bool), scatter, 1.0
        )
        variances = 2.0 * total**2 / FREEDOM, mean.powers.variance
        bands = background.subtract(total, below, *variances, LIMITS)
        near = background.louder_nearby(bands, np.ones(total.shape, dtype=bool))
        bands = background.bounded_by_the_run(bands, near, LIMITS)
        sums = variances[0].sum(axis=1), variances[1].sum(axis=1)
        parts.append((bands, sum_bands(bands, sums, LIMITS, 0.1)))
    found = Subtraction(
        *(np.concatenate([getattr(b, name) for b, _ in parts]) for name in Subtraction.__dataclass_fields__)
    )
    overall = OverallSum(
        Subtraction(
            *(np.concatenate([getattr(o.result, name) for _, o in parts]) for name in Subtraction.__dataclass_fields__)
        ),
        np.concatenate([o.bound_share for _, o in parts]),
    )
    return Draws(found, overall, np.tile(flow, (runs, 1)))


def holds(result: Subtraction, truth: Reals) -> NDArray[np.bool_]:
    """Whether bounds lie above the truth and intervals about it."""
    low, high = corrected_interval(result, 0.95)
    bound = result.state == background.BOUND
    return np.asarray(np.where(bound, result.upper_bound >= truth, (low <= truth) & (truth <= high)))


@pytest.mark.parametrize("excess_db", [2.0, 3.0, 6.0, 10.0])
def test_bounds_and_sums_hold_where_a_fan_ran_in_the_background_alone(excess_db: float) -> None:
    """95 % less four standard errors of 800 draws, whose bands depend on each other."""
    draws = drawn(excess_db, 200)
    fan = (holds(draws.found, draws.truth) & (draws.found.state == background.BOUND))[:, FAN]
    assert fan.mean() > 0.95 - 4.0 * np.sqrt(0.95 * 0.05 / fan.size)
    assert holds(draws.overall.result, draws.truth.sum(axis=1)).mean() > 0.95 - 4.0 * np.sqrt(0.95 * 0.05 / 800)


def test_bands_without_the_fan_stay_as_sharp_as_they_were() -> None:
    draws = drawn(10.0, 50)
    apart = np.r_[:4, 9:BANDS]
    assert not draws.found.louder[:, apart].any()
    assert (draws.found.state[:, apart] == background.CORRECTED).mean() > 0.9
