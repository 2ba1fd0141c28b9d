"""Limits on the relative attenuation of fractional-octave filters, and how far a filter stays inside them."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from tapeline.acoustics.bands import OCTAVE_RATIO
from tapeline.arrays import Reals

PerformanceClass = Literal[1, 2]

PASS_BAND_EXPONENTS = (0.0, 1 / 8, 1 / 4, 3 / 8, 1 / 2)
"""Breakpoints G^x of an octave filter from midband to just inside the edge, IEC 61260-1:2014, Table 1."""

STOP_BAND_EXPONENTS = (1 / 2, 1.0, 2.0, 3.0, 4.0)
"""Breakpoints G^x of an octave filter from the edge outwards; the last limit holds for everything farther away."""

PASS_BAND_LEAST_DB: dict[PerformanceClass, float] = {1: -0.4, 2: -0.6}
PASS_BAND_MOST_DB: dict[PerformanceClass, tuple[float, ...]] = {
    1: (0.4, 0.5, 0.7, 1.4, 5.3),
    2: (0.6, 0.7, 0.9, 1.7, 5.8),
}
STOP_BAND_LEAST_DB: dict[PerformanceClass, tuple[float, ...]] = {
    1: (1.2, 16.6, 40.5, 60.0, 70.0),
    2: (0.8, 15.6, 39.5, 54.0, 60.0),
}
"""Acceptance limits of IEC 61260-1:2014, Table 1, as known from public transcriptions (class 2 from a single one)."""


def breakpoint_ratio(fraction: int, octave_exponent: ArrayLike) -> Reals:
    """Frequency over midband frequency (1 and above) of a 1/`fraction`-octave filter's breakpoint.

    1 + (G^(1/(2b)) - 1) / (G^(1/2) - 1) (G^x - 1); below the midband the reciprocal. IEC 61260-1:2014, 5.10.
    """
    octave = OCTAVE_RATIO ** np.asarray(octave_exponent, dtype=np.float64)
    return np.asarray(1.0 + (OCTAVE_RATIO ** (0.5 / fraction) - 1.0) / (OCTAVE_RATIO**0.5 - 1.0) * (octave - 1.0))


def attenuation_limits(fraction: int, ratio: ArrayLike, performance_class: PerformanceClass) -> tuple[Reals, Reals]:
    """Least and most relative attenuation in dB at each frequency over midband frequency (any shape, above 0).

    Linear in lg(ratio) between breakpoints (IEC 61260-1:2014, 5.10, from memory). The edge itself counts as outside;
    outside the band there is no upper limit (inf).
    """
    away = np.abs(np.log(np.asarray(ratio, dtype=np.float64)))
    inside, outside = (
        np.log(breakpoint_ratio(fraction, exponents)) for exponents in (PASS_BAND_EXPONENTS, STOP_BAND_EXPONENTS)
    )
    in_band = away < inside[-1]
    stop_band = np.interp(away, outside, STOP_BAND_LEAST_DB[performance_class])
    pass_band = np.interp(away, inside, PASS_BAND_MOST_DB[performance_class])
    return (
        np.where(in_band, PASS_BAND_LEAST_DB[performance_class], stop_band),
        np.where(in_band, pass_band, np.inf),
    )


def mask_margin_db(
    fraction: int, ratio: ArrayLike, attenuation_db: ArrayLike, performance_class: PerformanceClass
) -> Reals:
    """Distance in dB to the nearer limit at each frequency over midband frequency; negative outside the limits.

    `attenuation_db` is relative to the reference attenuation: 0 dB for a filter that reads true band levels.
    """
    least, most = attenuation_limits(fraction, ratio, performance_class)
    attenuation = np.asarray(attenuation_db, dtype=np.float64)
    return np.asarray(np.minimum(attenuation - least, most - attenuation))
