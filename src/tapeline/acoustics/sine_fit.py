"""Least-squares fit of one sine wave with unknown frequency (IEEE 1057, four parameters)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from tapeline.acoustics.windows import window
from tapeline.arrays import Reals
from tapeline.limits import (
    HIGHEST_LINE_RATE_SHARE,
    SINE_FIT_HARMONICS,
    SINE_FIT_SAMPLES,
    SINE_FIT_SETTLED_SHARE,
    SINE_SEARCH_LINES,
)


@dataclass(frozen=True)
class SineFit:
    """A sine in samples: its frequency, rms, offset, harmonics' rms and what is left over.

    `cosine` and `sine` are its amplitudes about the middle of the samples.
    """

    frequency_hz: float
    rms: float
    cosine: float
    sine: float
    offset: float
    harmonics_rms: float
    residual_rms: float

    def samples(self, frames: int, sample_rate_hz: float) -> Reals:
        """The fitted sine with its offset at the samples it was fitted to, shape (frames,)."""
        cosine, sine = _harmonic(_centred(frames, sample_rate_hz), self.frequency_hz, 1)
        return np.asarray(self.cosine * cosine + self.sine * sine + self.offset)


def fit_sine(samples: NDArray[np.floating], sample_rate_hz: float, start_hz: float, rounds: int = 12) -> SineFit:
    """Sine A cos + B sin + C of free frequency that fits samples of shape (frames,) best, starting from `start_hz`.

    Gauss-Newton rounds as in IEEE 1057's four-parameter fit, each from the amplitudes of the one before; harmonics up
    to `SINE_FIT_HARMONICS` below `HIGHEST_LINE_RATE_SHARE` of the sample rate are fitted to the residual. The start
    must lie within about half a line (rate / frames) of the tone. Raises ValueError for fewer than `SINE_FIT_SAMPLES`
    samples.
    """
    x = np.asarray(samples, dtype=np.float64)
    if x.size < SINE_FIT_SAMPLES:
        raise ValueError("too few samples for a sine fit")
    time = _centred(x.size, sample_rate_hz)
    frequency = start_hz
    # Cosine, sine, one, and the slope over frequency.
    basis = np.ones((4, time.size))
    basis[:2] = _harmonic(time, frequency, 1)
    (a, b, _), _ = _solve(basis[:3], x)
    for _ in range(rounds):
        c, s = basis[:2]
        basis[3] = 2 * np.pi * time * (b * c - a * s)
        (a, b, _, step), _ = _solve(basis, x)
        frequency += float(step)
        basis[:2] = _harmonic(time, frequency, 1)
        if abs(step) < SINE_FIT_SETTLED_SHARE * frequency:
            break
    (a, b, offset), fitted = _solve(basis[:3], x)
    orders = [n for n in range(2, SINE_FIT_HARMONICS + 1) if n * frequency < HIGHEST_LINE_RATE_SHARE * sample_rate_hz]
    residual, harmonics_power = x - fitted, 0.0
    if orders:
        coefficients, overtones = _solve(np.concatenate([_harmonic(time, frequency, n) for n in orders]), residual)
        harmonics_power = float(np.sum(coefficients**2) / 2.0)
        residual = residual - overtones
    return SineFit(
        frequency_hz=float(frequency),
        rms=float(np.hypot(a, b) / np.sqrt(2.0)),
        cosine=float(a),
        sine=float(b),
        offset=float(offset),
        harmonics_rms=float(np.sqrt(harmonics_power)),
        residual_rms=float(np.sqrt(np.mean(residual**2))),
    )


def line_rms(samples: NDArray[np.floating], sample_rate_hz: float, frequency_hz: float) -> Reals:
    """Rms of a sine of known frequency by a Hann-windowed Fourier line; samples (..., frames) give shape (...).

    Blind to what is several lines away, however loud, where a fit without a window is not; in noise its variance is 1.5
    times that of the fit (the window's noise bandwidth in lines).
    """
    taper = window("hann", samples.shape[-1])
    turning = np.exp(-2j * np.pi * frequency_hz / sample_rate_hz * np.arange(taper.size))
    line = np.sum(taper * (samples - samples.mean(axis=-1, keepdims=True)) * turning, axis=-1)
    return np.asarray(np.sqrt(2.0) * np.abs(line) / np.sum(taper))


def _centred(frames: int, sample_rate_hz: float) -> Reals:
    """Time of each sample from the middle, where amplitudes and frequency are least correlated."""
    return np.asarray((np.arange(frames) - (frames - 1) / 2.0) / sample_rate_hz)


def _harmonic(time: Reals, frequency: float, order: int) -> Reals:
    phase = 2 * np.pi * order * frequency * time
    return np.stack([np.cos(phase), np.sin(phase)])


def _solve(basis: Reals, x: Reals) -> tuple[Reals, Reals]:
    """Coefficients by the normal equations (well conditioned: near-orthogonal columns), and the fitted samples."""
    scale = np.sqrt(np.sum(basis**2, axis=1))
    scaled = basis / scale[:, None]
    coefficients = np.linalg.solve(scaled @ scaled.T, scaled @ x) / scale
    return coefficients, coefficients @ basis


def peak_hz(samples: Reals, sample_rate_hz: float, nominal_hz: float, reach_hz: float) -> float:
    """Frequency of the strongest Hann-windowed line within `reach_hz` of the nominal one, good to a tenth of a line.

    Refined by a parabola through the logarithms of three neighbouring lines; samples of shape (frames,).
    """
    lines = np.abs(scipy.fft.rfft((samples - samples.mean()) * window("hann", samples.size)))
    step = sample_rate_hz / samples.size
    reach = max(SINE_SEARCH_LINES * step, reach_hz)
    low, high = max(1, int((nominal_hz - reach) / step)), min(lines.size - 2, int((nominal_hz + reach) / step) + 1)
    k = low + int(np.argmax(lines[low : high + 1]))
    left, top, right = np.log(np.maximum(lines[k - 1 : k + 2], 1e-300))
    bend = left - 2.0 * top + right
    shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    return float((k + shift) * step)
