"""The sine fit finds what was put in."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapeline.acoustics.sine_fit import fit_sine, peak_hz


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
