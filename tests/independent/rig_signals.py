"""Known spectra and Gaussian noise that has them. Everything here is synthetic."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]
Amplitudes = NDArray[np.complex128]
Density = Callable[[Values], Values]

REFERENCE_PA = 2.0e-5
THIRD_OCTAVES = range(-10, 10)  # 100 Hz to 8 kHz; midbands 1000 * 10**(n/10), IEC 61260-1 base ten


def band_midbands_hz() -> Values:
    return np.asarray([1000.0 * 10.0 ** (n / 10) for n in THIRD_OCTAVES])


def band_edges_hz() -> tuple[Values, Values]:
    midbands = band_midbands_hz()
    return midbands * 10.0**-0.05, midbands * 10.0**0.05


def band_power_pa2(density: Density, points: int = 401) -> Values:
    """Integral of a one-sided density (Pa^2/Hz) over every exact third-octave band, by Simpson's rule."""
    weights = np.ones(points)
    weights[1:-1:2], weights[2:-1:2] = 4.0, 2.0
    lower, upper = band_edges_hz()
    frequency = lower[:, None] + (upper - lower)[:, None] * np.linspace(0.0, 1.0, points)
    values = density(frequency.ravel()).reshape(frequency.shape)
    integral: Values = (values * weights).sum(axis=1) * (upper - lower) / (points - 1) / 3.0
    return integral


def decibel_density(level_db_per_hz: Callable[[Values], Values]) -> Density:
    """From a spectrum level in dB re 20 uPa and 1 Hz to Pa^2/Hz, falling off below 40 Hz so that nothing rumbles."""

    def density(frequency: Values) -> Values:
        f = np.maximum(frequency, 1e-3)
        fall = f**4 / (f**4 + 40.0**4)
        inside = np.clip(f, 30.0, 12000.0)
        return REFERENCE_PA**2 * 10.0 ** (level_db_per_hz(inside) / 10.0) * fall

    return density


def bump(frequency: Values, from_hz: float, to_hz: float) -> Values:
    """A smooth hump of height one, exactly zero outside from_hz to to_hz."""
    place = np.log(frequency / from_hz) / np.log(to_hz / from_hz)
    return np.where((place > 0) & (place < 1), np.sin(np.pi * np.clip(place, 0, 1)) ** 2, 0.0)


@dataclass(frozen=True)
class Response:
    """A sensor's frequency response: straight lines in dB over lg f between points, constant outside."""

    frequency_hz: tuple[float, ...]
    response_db: tuple[float, ...]

    def gain(self, frequency: Values) -> Values:
        f = np.maximum(frequency, 1.0)
        return np.asarray(10.0 ** (np.interp(np.log10(f), np.log10(self.frequency_hz), self.response_db) / 20.0))


def line_frequencies_hz(frames: int, rate_hz: int) -> Values:
    return np.asarray(np.fft.rfftfreq(frames, 1.0 / rate_hz), dtype=np.float64)


def noise(density: Density, frames: int, rate_hz: int, random: np.random.Generator) -> Amplitudes:
    """Complex rfft amplitudes of stationary Gaussian noise with the wanted density (see `to_signal`)."""
    frequency = line_frequencies_hz(frames, rate_hz)
    spread = np.sqrt(density(frequency) * rate_hz * frames / 4.0)
    spread[0] = 0.0
    amplitudes: Amplitudes = spread * (
        random.standard_normal(frequency.size) + 1j * random.standard_normal(frequency.size)
    )
    amplitudes[-1] = amplitudes[-1].real
    return amplitudes


def to_signal(amplitudes: Amplitudes, frames: int, gain: Values | None = None) -> Values:
    signal: Values = np.fft.irfft(amplitudes if gain is None else amplitudes * gain, frames)
    return signal


def white(frames: int, rms: float, random: np.random.Generator) -> Values:
    return np.asarray(rms * random.standard_normal(frames))


def scatter_curve(size_db: float, random: np.random.Generator) -> Callable[[Values], Values]:
    """One run's deviation at one position: half the variance common to all bands, half its own in each band."""
    midbands = np.log10(band_midbands_hz())
    offsets = random.normal(0.0, size_db / np.sqrt(2), midbands.size) + random.normal(0.0, size_db / np.sqrt(2))

    def curve(frequency: Values) -> Values:
        return np.asarray(np.interp(np.log10(np.maximum(frequency, 1.0)), midbands, offsets))

    return curve


def total(densities: Sequence[Density]) -> Density:
    def density(frequency: Values) -> Values:
        return np.asarray(np.sum([part(frequency) for part in densities], axis=0))

    return density
