"""A sensor's frequency response from its chart."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapeline.arrays import Reals


def response_db(frequency_hz: ArrayLike, chart_hz: ArrayLike, chart_db: ArrayLike) -> tuple[Reals, NDArray[np.bool_]]:
    """Response at each frequency, linear in decibels over log frequency, and where the chart covers it.

    Outside the chart nothing is extrapolated: the response there is 0 dB and the second array says False.
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    known_hz, known_db = np.asarray(chart_hz, dtype=np.float64), np.asarray(chart_db, dtype=np.float64)
    covered = (f >= known_hz[0]) & (f <= known_hz[-1])
    inside = np.where(covered, f, known_hz[0])
    value = np.interp(np.log(inside), np.log(known_hz), known_db)
    return np.where(covered, value, 0.0), np.asarray(covered)


def response_phase_rad(frequency_hz: ArrayLike, chart_hz: ArrayLike, chart_phase_deg: ArrayLike) -> Reals:
    """Phase of the response at each frequency, linear over frequency between the chart's unwrapped phases.

    Outside the chart nothing is extrapolated: 0 there.
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    known_hz = np.asarray(chart_hz, dtype=np.float64)
    phase = np.unwrap(np.deg2rad(np.asarray(chart_phase_deg, dtype=np.float64)))
    return np.where((f >= known_hz[0]) & (f <= known_hz[-1]), np.interp(f, known_hz, phase), 0.0)
