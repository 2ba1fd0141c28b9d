"""Synthetic wall pressure as on a body in flow: sloping spectrum, kurtosis 4.5 to 5, gusts of 1 dB; and faults."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

RATE_HZ = 12_800.0
SECONDS = 8.0
FULL_SCALE_PA = 400.0
BITS = 16


def healthy(random: np.random.Generator, channels: int, seconds: float = SECONDS, rms_pa: float = 8.0) -> np.ndarray:
    """Pressure in Pa, shape (channels, frames): what positions share below 100 Hz, and what is their own.

    The spectrum is flat to some 300 Hz and falls by 6 to 9 dB an octave above. Bursts of some hundredths of a second
    make a kurtosis of 4.5 to 5, gusts of up to 1 dB (standard deviation) over seconds are common to all.
    """
    frames = int(seconds * RATE_HZ)
    hertz = np.fft.rfftfreq(frames, 1.0 / RATE_HZ)
    corner = random.uniform(200.0, 500.0, (channels, 1))
    slope = random.uniform(1.0, 1.5, (channels, 1))
    shape = 1.0 / (1.0 + (hertz / corner) ** 2) ** (slope / 2.0)
    shape[:, hertz < 5.0] *= 0.2
    lines = np.fft.rfft(random.standard_normal((channels, frames)), axis=1) * shape
    common = np.fft.rfft(random.standard_normal(frames)) * np.where(hertz < 100.0, 0.6, 0.0)
    pressure = np.fft.irfft(lines + common, frames, axis=1)
    bursts = np.array([_envelope(random, frames, random.uniform(8.0, 40.0)) for _ in range(channels)])
    pressure *= np.exp(0.36 * bursts)
    gusts = _envelope(random, frames, 0.4)
    pressure *= 10.0 ** (random.uniform(0.5, 1.0) * gusts / 20.0)
    level = rms_pa * 10.0 ** (random.uniform(-6.0, 6.0, (channels, 1)) / 20.0)
    return np.asarray(pressure / pressure.std(axis=1, keepdims=True) * level)


def _envelope(random: np.random.Generator, frames: int, corner_hz: float) -> np.ndarray:
    """Gaussian noise below a corner frequency, of standard deviation 1."""
    hertz = np.fft.rfftfreq(frames, 1.0 / RATE_HZ)
    lines = np.fft.rfft(random.standard_normal(frames)) * (hertz < corner_hz)
    slow = np.fft.irfft(lines, frames)
    return np.asarray((slow - slow.mean()) / slow.std())


def converted(pressure: np.ndarray, full_scale_pa: float = FULL_SCALE_PA, bits: int = BITS) -> np.ndarray:
    """Fractions of full scale as a converter gives them."""
    scale = 2.0 ** (bits - 1)
    return np.asarray(np.clip(np.round(pressure / full_scale_pa * scale), -scale, scale - 1.0) / scale)


Fault = Callable[[np.ndarray, np.random.Generator], np.ndarray]


def _overload(x: np.ndarray, random: np.random.Generator) -> np.ndarray:
    return x * (FULL_SCALE_PA / (3.0 * x.std()))


def _limiting(x: np.ndarray, random: np.random.Generator) -> np.ndarray:
    return np.clip(x, -2.5 * x.std(), 2.5 * x.std())


def _dropouts(x: np.ndarray, random: np.random.Generator) -> np.ndarray:
    held = x.copy()
    for start in random.integers(0, x.size - 200, 3):
        held[start : start + 128] = held[start]
    return held


def _dead(x: np.ndarray, random: np.random.Generator) -> np.ndarray:
    return np.zeros_like(x)


def _spikes(x: np.ndarray, random: np.random.Generator) -> np.ndarray:
    places = random.integers(0, x.size, 16)
    spiked = x.copy()
    spiked[places] += random.choice((-1.0, 1.0), 16) * 8.0 * x.std()
    return spiked


def _hum(x: np.ndarray, random: np.random.Generator) -> np.ndarray:
    time = np.arange(x.size) / RATE_HZ
    mains = 50.0 * (1.0 + random.uniform(-0.002, 0.002))
    return x + 0.5 * x.std() * sum(np.sin(2 * np.pi * mains * n * time + n) / n for n in (1, 2, 3))


def _trend(x: np.ndarray, random: np.random.Generator) -> np.ndarray:
    return x * 10.0 ** (7.0 * np.linspace(-0.5, 0.5, x.size) / 20.0)


def _wandering(x: np.ndarray, random: np.random.Generator) -> np.ndarray:
    return x + 2.5 * x.std() * np.linspace(-0.5, 0.5, x.size)


def _lopsided(x: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """A preamplifier that bends one half of the wave into a corner, without a flat top."""
    return np.where(x > 0.0, x, 0.12 * x)


FAULTS: dict[str, tuple[Fault, str]] = {
    "gain too high: crests beyond three standard deviations cut": (_overload, "overload"),
    "limiting at 2.5 standard deviations": (_limiting, "limiting"),
    "three dropouts of 10 ms": (_dropouts, "dropout"),
    "no signal": (_dead, "dead"),
    "two spikes a second of eight standard deviations": (_spikes, "spikes"),
    "mains hum 9 dB below the channel's level": (_hum, "hum"),
    "level rising by 7 dB": (_trend, "unsteady"),
    "mean wandering by 2.5 times the rms": (_wandering, "drifting-offset"),
    "one half of the wave bent": (_lopsided, "unusual-distribution"),
}
"""Fault of one channel of pressure, and the reason that must name it."""
