"""Frequency weightings A, C and Z in analytic form (IEC 61672-1:2013, 5.5 and Annex E)."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from tapeline.arrays import Reals

Weighting = Literal["A", "C", "Z"]

_REFERENCE_HZ, _LOW_HZ, _HIGH_HZ, _A_HZ = 1000.0, 10.0**1.5, 10.0**3.9, 10.0**2.45


def _pole_frequencies() -> tuple[float, float, float, float]:
    """The four pole frequencies, from the design goals of IEC 61672-1 Annex E."""
    d = np.sqrt(0.5)
    fr2, fl2, fh2 = _REFERENCE_HZ**2, _LOW_HZ**2, _HIGH_HZ**2
    b = (fr2 + fl2 * fh2 / fr2 - d * (fl2 + fh2)) / (1.0 - d)
    c = fl2 * fh2
    root = np.sqrt(b * b - 4.0 * c)
    f1, f4 = np.sqrt((-b - root) / 2.0), np.sqrt((-b + root) / 2.0)
    f2, f3 = _A_HZ * (3.0 - np.sqrt(5.0)) / 2.0, _A_HZ * (3.0 + np.sqrt(5.0)) / 2.0
    return float(f1), float(f2), float(f3), float(f4)


POLES_HZ = _pole_frequencies()


def weighting_db(weighting: Weighting, frequency_hz: ArrayLike) -> Reals:
    """Weighting in dB at each frequency (any shape), 0 dB at 1 kHz; -inf at 0 Hz for A and C.

    Raises ValueError for another name than A, C or Z.
    """
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(power_weights(weighting, frequency_hz)))


def power_weights(weighting: Weighting, frequency_hz: ArrayLike) -> Reals:
    """Frequency weighting as a factor on powers, the squared magnitude, at each frequency (any shape)."""
    f = np.asarray(frequency_hz, dtype=np.float64)
    if weighting == "Z":
        return np.ones_like(f)
    if weighting not in ("A", "C"):
        raise ValueError(f"weighting {weighting!r}: expected A, C or Z")
    at_reference = _unnormalised(weighting, np.array(_REFERENCE_HZ))
    return np.asarray(_unnormalised(weighting, f) / at_reference)


def _unnormalised(weighting: str, f: Reals) -> Reals:
    f1, f2, f3, f4 = POLES_HZ
    square = f * f
    power = (square * f4**2 / ((square + f1**2) * (square + f4**2))) ** 2
    if weighting == "A":
        power = power * square**2 / ((square + f2**2) * (square + f3**2))
    return np.asarray(power)
