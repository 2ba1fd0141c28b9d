"""Fractional-octave bands with exact base-ten frequencies, their filters, and their shares of spectral lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapeline.arrays import Reals
from tapeline.limits import FILTER_LEAST_WEIGHT_RATIO

OCTAVE_RATIO = 10.0**0.3
"""G of IEC 61260-1:2014."""

REFERENCE_HZ = 1000.0

R10_THIRD_OCTAVES = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
"""Preferred frequencies of one decade, ISO 266."""

FILTER_ORDER = 3
"""Pole pairs of a band filter: three meet the class 1 limits of IEC 61260-1:2014 for all fractions."""

NOISE_BANDWIDTH_RATIO = (np.pi / (2 * FILTER_ORDER)) / np.sin(np.pi / (2 * FILTER_ORDER))
"""Noise bandwidth of the Butterworth form over its half-power bandwidth; the design takes it off again."""


@dataclass(frozen=True)
class Bands:
    """Bands in rising order; every field has shape (bands,) and is in hertz."""

    fraction: int
    midband_hz: Reals
    nominal_hz: Reals
    lower_hz: Reals
    upper_hz: Reals

    @property
    def edges_hz(self) -> tuple[tuple[float, float, float], ...]:
        """Midband frequency, lower and upper edge of each band: what tells bands apart."""
        return tuple(zip(*(each.tolist() for each in (self.midband_hz, self.lower_hz, self.upper_hz)), strict=True))

    def __len__(self) -> int:
        return int(self.midband_hz.size)

    def chosen(self, which: NDArray[np.bool_]) -> Bands:
        """The bands for which `which` is true."""
        fields = (self.midband_hz, self.nominal_hz, self.lower_hz, self.upper_hz)
        return Bands(self.fraction, *(values[which] for values in fields))

    def joined(self) -> Bands:
        """One band for each series of adjoining bands, from its lowest to its highest edge."""
        apart = ~np.isclose(self.lower_hz[1:], self.upper_hz[:-1], rtol=1e-6)
        first, last = np.append(True, apart), np.append(apart, True)
        return Bands(
            self.fraction, self.midband_hz[first], self.nominal_hz[first], self.lower_hz[first], self.upper_hz[last]
        )


def midband_hz(fraction: int, index: NDArray[np.int64]) -> Reals:
    """Exact midband frequencies (Hz) of 1/`fraction`-octave bands number `index`; IEC 61260-1:2014, 5.4.

    1000 G^(x/b) for odd b, 1000 G^((2x+1)/(2b)) for even b.

    >>> [round(float(f), 2) for f in midband_hz(3, np.array([-1, 0, 1]))]
    [794.33, 1000.0, 1258.93]
    """
    exponent = index / fraction if fraction % 2 else (2 * index + 1) / (2 * fraction)
    return np.asarray(REFERENCE_HZ * OCTAVE_RATIO**exponent)


def nominal_hz(fraction: int, index: int) -> float:
    """Nominal midband frequency: ISO 266 for octaves and third octaves, else rounded as IEC 61260-1 Annex E.

    Finer fractions: three significant digits if the first digit is 1 to 4, two otherwise (from memory).
    """
    if fraction in (1, 3):
        decade, place = divmod(index * (3 // fraction), 10)
        return float(f"{R10_THIRD_OCTAVES[place] * 10.0 ** (decade + 3):.6g}")
    exact = float(midband_hz(fraction, np.array([index]))[0])
    decade = int(np.floor(np.log10(exact)))
    digits = 2 if exact / 10.0**decade < 5.0 else 1
    return float(f"{round(exact / 10.0 ** (decade - digits)) * 10.0 ** (decade - digits):.6g}")


def bands_between(fraction: int, lowest_hz: float, highest_hz: float) -> Bands:
    """All 1/`fraction`-octave bands whose nominal or exact midband frequency lies in the closed range."""
    first, last = (
        int(np.floor(fraction * np.log(hz / REFERENCE_HZ) / np.log(OCTAVE_RATIO))) for hz in (lowest_hz, highest_hz)
    )
    index = np.arange(first - 2, last + 4)
    exact = midband_hz(fraction, index)
    nominal = np.array([nominal_hz(fraction, int(x)) for x in index])
    inside = _within(exact, lowest_hz, highest_hz) | _within(nominal, lowest_hz, highest_hz)
    half_band = OCTAVE_RATIO ** (1.0 / (2 * fraction))
    exact, nominal = exact[inside], nominal[inside]
    return Bands(fraction, exact, nominal, exact / half_band, exact * half_band)


def _within(frequency: Reals, lowest: float, highest: float) -> NDArray[np.bool_]:
    return np.asarray((frequency >= lowest) & (frequency <= highest))


@dataclass(frozen=True)
class LineShares:
    """How much of each spectral line belongs to a band: lines `first` to `first + share.size - 1`."""

    first: int
    share: Reals


def line_shares(lower_hz: float, upper_hz: float, step_hz: float, lines: int) -> LineShares:
    """Share (0 to 1) of each line in a band, line k covering k step ± step/2; edge lines are split.

    `lines` counts from 0 Hz. A band wholly above the last line gets no line.
    """
    first = max(0, int(np.floor(lower_hz / step_hz + 0.5)))
    last = min(lines - 1, int(np.ceil(upper_hz / step_hz - 0.5)))
    if last < first:
        return LineShares(first, np.zeros(0))
    k = np.arange(first, last + 1)
    covered = np.minimum((k + 0.5) * step_hz, upper_hz) - np.maximum((k - 0.5) * step_hz, lower_hz)
    return LineShares(first, np.clip(covered / step_hz, 0.0, 1.0))


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
        return np.asarray(1.0 / (1.0 + offset ** (2 * FILTER_ORDER)))


def filter_shares(midband_hz: float, lower_hz: float, upper_hz: float, step_hz: float, lines: int) -> LineShares:
    """Weights of the lines that a band filter lets through; lines count from 0 Hz."""
    weights = filter_power(np.arange(lines) * step_hz, midband_hz, lower_hz, upper_hz)
    passed = np.flatnonzero(weights >= FILTER_LEAST_WEIGHT_RATIO)
    if passed.size == 0:
        return LineShares(lines, np.zeros(0))
    return LineShares(int(passed[0]), weights[passed[0] : passed[-1] + 1])
