"""Fractional-octave filters as weights on spectral lines."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from tapeline.acoustics.bands import LineShares
from tapeline.arrays import Reals
from tapeline.limits import FILTER_LEAST_WEIGHT_RATIO

ORDER = 3
"""Pole pairs of a band filter: three meet the class 1 limits of IEC 61260-1:2014 for all fractions."""

NOISE_BANDWIDTH_RATIO = (np.pi / (2 * ORDER)) / np.sin(np.pi / (2 * ORDER))
"""Noise bandwidth of the Butterworth form over its half-power bandwidth; the design takes it off again."""


def filter_power(frequency_hz: ArrayLike, midband_hz: float, lower_hz: float, upper_hz: float) -> Reals:
    """Squared magnitude of a band filter at each frequency (any shape).

    Butterworth band-pass of order 3: 1 / (1 + (c (f/f_m - f_m/f))^6), c such that the noise bandwidth is the band's
    own, so white noise reads its true band level. Designed to the class 1 limits of IEC 61260-1:2014 as known from
    public transcriptions.
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    sharpness = NOISE_BANDWIDTH_RATIO * midband_hz / (upper_hz - lower_hz)
    with np.errstate(divide="ignore", over="ignore"):
        offset = sharpness * (f / midband_hz - midband_hz / f)
        return np.asarray(1.0 / (1.0 + offset ** (2 * ORDER)))


def filter_shares(midband_hz: float, lower_hz: float, upper_hz: float, step_hz: float, lines: int) -> LineShares:
    """Weights of the lines that a band filter lets through; lines count from 0 Hz."""
    weights = filter_power(np.arange(lines) * step_hz, midband_hz, lower_hz, upper_hz)
    passed = np.flatnonzero(weights >= FILTER_LEAST_WEIGHT_RATIO)
    if passed.size == 0:
        return LineShares(lines, np.zeros(0))
    return LineShares(int(passed[0]), weights[passed[0] : passed[-1] + 1])
