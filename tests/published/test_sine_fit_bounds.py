"""The four-parameter sine fit against published theory and a reference library's least squares."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from tapeline.acoustics.sine_fit import fit_sine, peak_hz

RATE_HZ = 12_800.0


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_residual_of_an_ideal_converter(bits: int) -> None:
    """IEEE 1057 (from memory): the rms error of an ideal converter is its step / sqrt 12, so a full-scale sine has a
    ratio of 6.02 b + 1.76 dB to it."""
    time = np.arange(40_000) / RATE_HZ
    step = 2.0 / 2**bits
    samples = step * np.round((1.0 - step) * np.sin(2.0 * np.pi * 251.37 * time + 0.3) / step)
    fit = fit_sine(samples, RATE_HZ, peak_hz(samples, RATE_HZ, 250.0, 5.0))
    rest = np.hypot(fit.residual_rms, fit.harmonics_rms)
    assert 20.0 * np.log10(fit.rms / rest) == pytest.approx(6.02 * bits + 1.76, abs=0.15)


def test_scatter_reaches_the_cramer_rao_bound() -> None:
    """Rife and Boorstyn, IEEE Trans. Inf. Theory 20 (1974) 591, a real tone of amplitude A in noise of variance s^2:
    var f = 6 s^2 rate^2 / (pi^2 A^2 N (N^2 - 1)), var A = 2 s^2 / N (from memory). No unbiased estimate scatters less;
    of 400 estimates the variance is known to 7 %."""
    random = np.random.default_rng(8)
    frames, amplitude, noise, hertz = 6400, 1.0, 0.2, 249.3
    time = np.arange(frames) / RATE_HZ
    found = []
    for _ in range(400):
        x = amplitude * np.sin(2.0 * np.pi * hertz * time + random.uniform(0.0, 6.28)) + random.normal(0, noise, frames)
        fit = fit_sine(x, RATE_HZ, hertz + random.uniform(-0.8, 0.8))
        found.append((fit.frequency_hz, fit.rms * np.sqrt(2.0)))
    variance = np.var(np.array(found), axis=0, ddof=1)
    bound_hz2 = 6.0 * noise**2 * RATE_HZ**2 / (np.pi**2 * amplitude**2 * frames * (frames**2 - 1.0))
    assert variance / (bound_hz2, 2.0 * noise**2 / frames) == pytest.approx([1.0, 1.0], abs=0.25)
    assert np.mean(np.array(found), axis=0) == pytest.approx([hertz, amplitude], abs=5e-4)


@pytest.mark.parametrize("seed", range(6))
def test_same_minimum_as_a_general_least_squares_routine(seed: int) -> None:
    """scipy.optimize.least_squares on the same four parameters, from the same start."""
    random = np.random.default_rng(seed)
    hertz, phase, offset = 1000.0 * random.uniform(0.99, 1.01), random.uniform(0.0, 6.28), random.uniform(-1.0, 1.0)
    time = (np.arange(2560) - 1279.5) / RATE_HZ
    x = 0.7 * np.sin(2.0 * np.pi * hertz * time + phase) + offset + random.normal(0.0, 0.1, time.size)
    start = peak_hz(x, RATE_HZ, 1000.0, 20.0)

    def off(p: np.ndarray) -> np.ndarray:
        angle = 2.0 * np.pi * p[3] * time
        return np.asarray(p[0] * np.cos(angle) + p[1] * np.sin(angle) + p[2] - x)

    reference = least_squares(off, (0.5, 0.5, 0.0, start), x_scale=(1.0, 1.0, 1.0, 0.1), xtol=1e-15, ftol=1e-15).x
    fit = fit_sine(x, RATE_HZ, start)
    assert fit.frequency_hz == pytest.approx(reference[3], rel=1e-8)
    assert fit.rms == pytest.approx(np.hypot(reference[0], reference[1]) / np.sqrt(2.0), rel=1e-6)
    assert fit.offset == pytest.approx(reference[2], rel=1e-6)
