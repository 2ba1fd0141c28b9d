"""What cut crests do to levels, against noise that is cut."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics.clipping import clipping_bias
from tapeline.limits import WEAK_BAND_DB


@pytest.mark.parametrize("cut_at", [1.5, 2.2, 2.6])
@pytest.mark.parametrize("both", [True, False])
def test_the_level_falls_as_computed(cut_at: float, both: bool) -> None:
    x = np.random.default_rng(1).normal(size=2_000_000)
    y = np.clip(x, -cut_at if both else None, cut_at)
    shares = [float(np.mean(x > cut_at)), float(np.mean(x < -cut_at)) if both else 0.0]
    measured = 10.0 * np.log10(np.mean(y**2) / np.mean(x**2))
    assert clipping_bias(shares).level_db == pytest.approx(measured, rel=0.01, abs=0.001)


@pytest.mark.parametrize("cut_at", [2.2, 3.0])
def test_no_weak_band_rises_by_more_than_is_said(cut_at: float) -> None:
    """Noise below a tenth of the sample rate, cut: a band above that holds 40 dB less rises, but not by more."""
    random = np.random.default_rng(2)
    lines = np.fft.rfft(random.normal(size=2**19))
    hertz = np.linspace(0.0, 0.5, lines.size)
    weak = (hertz > 0.12) & (hertz < 0.17)
    shaped = np.where(hertz < 0.1, lines, 0.0)
    amount = np.sum(np.abs(shaped) ** 2) / np.sum(np.abs(lines[weak]) ** 2)
    shaped[weak] = lines[weak] * np.sqrt(amount * 10.0 ** (-0.1 * WEAK_BAND_DB))
    x = np.fft.irfft(shaped)
    x /= x.std()
    after = np.fft.rfft(np.clip(x, -cut_at, cut_at))
    before = np.fft.rfft(x)
    rise = 10.0 * np.log10(np.sum(np.abs(after[weak]) ** 2) / np.sum(np.abs(before[weak]) ** 2))
    shares = [float(np.mean(x > cut_at)), float(np.mean(x < -cut_at))]
    assert 0.5 < rise < clipping_bias(shares).weak_band_db


def test_the_share_that_makes_a_channel_unusable() -> None:
    """0.01 % of the samples: next to nothing in level, half a decibel at most in a band 40 dB below it."""
    bias = clipping_bias([0.5e-4, 0.5e-4])
    assert bias.level_db == pytest.approx(-0.0008, abs=0.0001)
    assert bias.weak_band_db == pytest.approx(0.42, abs=0.02)
    assert clipping_bias([1e-4]).weak_band_db < 0.5
    assert clipping_bias([]).level_db == clipping_bias([0.0]).weak_band_db == 0.0
