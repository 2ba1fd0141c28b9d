"""The sine fit finds what was put in; its parts one by one: every harmonic, the start frequency, rounds of the fit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapeline.acoustics.sine_fit import fit_sine, peak_hz

RATE = 25_600.0


@settings(max_examples=40)
@given(
    nominal=st.sampled_from([250.0, 1000.0]),
    off=st.floats(-0.015, 0.015),
    phase=st.floats(0.0, 6.28),
    rate=st.sampled_from([6400.0, 12_800.0, 44_100.0, 51_200.0]),
    offset=st.floats(-0.5, 0.5),
)
def test_frequency_rms_and_distortion(nominal: float, off: float, phase: float, rate: float, offset: float) -> None:
    time = np.arange(int(1.3 * rate)) / rate
    tone_hz = nominal * (1.0 + off)
    x = np.sqrt(2.0) * 0.3 * np.sin(2 * np.pi * tone_hz * time + phase) + offset
    x += np.sqrt(2.0) * 0.006 * np.sin(4 * np.pi * tone_hz * time)
    x += np.random.default_rng(1).normal(0.0, 0.003, x.size)
    fit = fit_sine(x, rate, peak_hz(x, rate, nominal, 0.04 * nominal))
    assert fit.frequency_hz == pytest.approx(tone_hz, abs=0.01)
    # six standard deviations of what noise of 0.003 does to an amplitude of 0.42: 8.7 dB x sqrt(2 / N) x 0.003 / 0.42
    assert 20 * np.log10(fit.rms / 0.3) == pytest.approx(0.0, abs=6 * 8.686 * np.sqrt(2 / x.size) * 0.003 / 0.4243)
    assert fit.harmonics_rms / fit.rms == pytest.approx(0.02, abs=0.002)
    assert fit.residual_rms == pytest.approx(0.003, rel=0.05)
    assert fit.offset == pytest.approx(offset, abs=0.001)


def test_too_few_samples_are_refused() -> None:
    with pytest.raises(ValueError, match="too few samples"):
        fit_sine(np.zeros(8), 1000.0, 250.0)


def tone(hz: float, seconds: float, rms: float = 1.0, phase: float = 0.4) -> np.ndarray:
    """A sine of the given rms."""
    return rms * np.sqrt(2.0) * np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE)) / RATE + phase)


@pytest.mark.parametrize("order", [2, 3, 4, 5])
def test_each_harmonic_to_the_fifth_counts_as_distortion(order: int) -> None:
    fit = fit_sine(tone(250.3, 1.0) + tone(order * 250.3, 1.0, 0.03), RATE, 250.0)
    assert fit.harmonics_rms == pytest.approx(0.03, rel=1e-3)
    assert fit.residual_rms < 1e-3


def test_the_sixth_harmonic_and_hum_are_left_over() -> None:
    fit = fit_sine(tone(250.3, 1.0) + tone(6 * 250.3, 1.0, 0.03) + tone(50.0, 1.0, 0.04), RATE, 250.0)
    assert fit.harmonics_rms < 2e-3
    assert fit.residual_rms == pytest.approx(0.05, rel=0.01)


def test_harmonics_beyond_the_recording_are_left_alone() -> None:
    """At 1 kHz and 6.4 kHz sample rate only the second harmonic lies below 0.45 of the rate (2880 Hz)."""
    time = np.arange(6400) / 6400.0
    fit = fit_sine(np.sin(2 * np.pi * 1000.0 * time) + 0.1 * np.sin(2 * np.pi * 3000.0 * time), 6400.0, 1000.2)
    assert fit.harmonics_rms < 1e-3
    assert fit.residual_rms == pytest.approx(0.1 / np.sqrt(2), rel=0.01)


@settings(max_examples=40)
@given(off=st.floats(-15.0, 15.0), phase=st.floats(0.0, 6.28))
def test_the_peak_is_good_to_a_tenth_of_a_line(off: float, phase: float) -> None:
    frames = 25_600 // 4
    samples = tone(1000.0 + off, 0.25, phase=phase) + 0.3
    assert samples.size == frames
    assert peak_hz(samples, RATE, 1000.0, 20.0) == pytest.approx(1000.0 + off, abs=0.1 * RATE / frames)


def test_a_louder_tone_out_of_reach_is_not_taken() -> None:
    samples = tone(1000.0, 1.0, 0.1) + tone(1200.0, 1.0)
    assert peak_hz(samples, RATE, 1000.0, 40.0) == pytest.approx(1000.0, abs=0.1)


@settings(max_examples=40)
@given(start=st.floats(-0.45, 0.45), phase=st.floats(0.0, 6.28))
def test_the_fit_converges_from_within_half_a_line(start: float, phase: float) -> None:
    fit = fit_sine(tone(250.7, 0.5, 0.02, phase), RATE, 250.7 + start / 0.5)
    assert fit.frequency_hz == pytest.approx(250.7, abs=1e-6)
    assert fit.rms == pytest.approx(0.02, rel=1e-9)
