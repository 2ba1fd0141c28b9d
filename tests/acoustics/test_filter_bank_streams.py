"""The filter bank's intervals: independent of cuts, whole, late by the stated delay, empty until settled."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tapeline.acoustics import filter_bank
from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.filter_bank import FilterBank

RATE = 8000.0
BANDS = bands_between(3, 50.0, 2500.0)


def streamed(samples: NDArray[np.float32], cuts: list[int], interval: float) -> FilterBank:
    """A bank that took the samples in pieces cut at growing places."""
    bank = FilterBank(BANDS, RATE, samples.shape[0], interval)
    places = sorted({min(cut, samples.shape[1]) for cut in np.cumsum(cuts)})
    for piece in np.split(samples, places, axis=1):
        bank.add(piece)
    return bank


@settings(max_examples=8)
@given(cuts=st.lists(st.integers(1, 9000), min_size=1, max_size=8), interval=st.sampled_from([777.7, 1000.0, 12.0]))
@pytest.mark.parametrize("block_frames", [999, 1024, 32768])
def test_any_cut_gives_the_same_powers(block_frames: int, cuts: list[int], interval: float) -> None:
    """Also when the inner blocks are of odd length, so decimators start a block on a dropped sample."""
    x = np.random.default_rng(1).normal(size=(2, 20_001)).astype(np.float32)
    whole = streamed(x, [], interval)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(filter_bank, "FILTER_BLOCK_FRAMES", block_frames)
        cut = streamed(x, cuts, interval)
        np.testing.assert_allclose(cut.powers(), whole.powers(), rtol=1e-6, atol=1e-12)
        assert cut.mean_powers() == pytest.approx(whole.mean_powers(), rel=1e-6)


@pytest.mark.parametrize(
    ("frames", "interval", "whole"), [(16_000, 1000.0, 16), (15_999, 1000.0, 15), (9999, 333.3, 30)]
)
def test_only_whole_intervals_are_given(frames: int, interval: float, whole: int) -> None:
    bank = streamed(np.ones((1, frames), dtype=np.float32), [], interval)
    assert bank.powers().shape == (len(BANDS), 1, whole)


@pytest.mark.parametrize("interval", [12.0, 333.3, 1000.0])
def test_intervals_add_up_to_the_mean_and_rates_agree(interval: float) -> None:
    """Short intervals forbid decimation: the powers must not depend on the rate a band is filtered at."""
    x = np.random.default_rng(2).normal(size=(1, 80_000)).astype(np.float32)
    bank = streamed(x, [5000], interval)
    powers, means = bank.powers(), bank.mean_powers()
    assert np.nanmean(powers, axis=2) == pytest.approx(means, rel=0.03)
    assert means == pytest.approx(streamed(x, [], 80_000.0).mean_powers(), rel=0.01)


def test_short_recordings_give_nan() -> None:
    x = np.random.default_rng(3).normal(size=(1, 800)).astype(np.float32)
    bank = streamed(x, [], 100.0)
    settled = bank.settled_s
    assert np.all(np.diff(settled) < 0.0)
    assert settled[0] > 0.1 > settled[-1]
    starts_s = np.arange(8) * 100.0 / RATE
    assert np.array_equal(np.isnan(bank.powers()[:, 0]), starts_s < settled[:, None])
    assert np.array_equal(np.isnan(bank.mean_powers()[:, 0]), settled >= 0.1)
    nothing = FilterBank(BANDS, RATE, 2, 100.0)
    assert nothing.powers().shape == (len(BANDS), 2, 0)
    assert np.all(np.isnan(nothing.mean_powers()))


def test_the_first_settled_interval_reads_a_steady_tone_right() -> None:
    """Each band with its midband tone, on a constant 1000 times as large, from the first sample.

    Within 0.15 dB: the intervals are no whole numbers of periods.
    """
    t = np.arange(16_000) / RATE
    for at, midband in enumerate(BANDS.midband_hz):
        samples = (1000.0 + np.sqrt(2.0) * np.cos(2.0 * np.pi * midband * t))[None].astype(np.float32)
        powers = streamed(samples, [], 800.0).powers()[at, 0]
        first = int(np.flatnonzero(np.isfinite(powers))[0])
        assert 10.0 * np.log10(powers[first]) == pytest.approx(0.0, abs=0.15)


def test_a_start_far_above_the_band_is_forgotten() -> None:
    """A 5 Hz tone 60 dB above what a band holds jumps in at its crest; within 0.5 dB after settling."""
    t = np.arange(24_000) / RATE
    loud = 1000.0 * np.cos(2.0 * np.pi * 5.0 * t)
    at = list(BANDS.nominal_hz).index(1000.0)
    samples = (loud + np.sqrt(2.0) * np.cos(2.0 * np.pi * 1000.0 * t))[None].astype(np.float32)
    powers = streamed(samples, [], 100.0).powers()[at, 0]
    assert 10.0 * np.log10(powers[np.isfinite(powers)]) == pytest.approx(0.0, abs=0.5)


@pytest.mark.parametrize("nominal", [50.0, 400.0, 2500.0])
@pytest.mark.parametrize("interval", [16.0, 64.0])
def test_a_burst_shows_later_by_the_stated_delay(nominal: float, interval: float) -> None:
    """Centre of energy of a narrow-band burst comes out after the group delay at its frequency."""
    at = list(BANDS.nominal_hz).index(nominal)
    width_s = 3.0 / (BANDS.upper_hz[at] - BANDS.lower_hz[at])
    t = np.arange(40_000) / RATE
    burst = np.exp(-(((t - 2.0) / width_s) ** 2)) * np.sin(2.0 * np.pi * BANDS.midband_hz[at] * t)
    bank = streamed(burst[None].astype(np.float32), [], interval)
    powers = np.nan_to_num(bank.powers()[at, 0])
    centres_s = (np.arange(powers.size) + 0.5) * interval / RATE
    late_s = np.sum(centres_s * powers) / np.sum(powers) - 2.0
    assert late_s == pytest.approx(bank.delay_s[at], rel=0.02, abs=0.2 * interval / RATE)


def test_channels_do_not_mix() -> None:
    x = np.random.default_rng(4).normal(size=(3, 16_000)).astype(np.float32)
    together = streamed(x, [], 1000.0).powers()
    for channel in range(3):
        alone = streamed(x[channel : channel + 1], [], 1000.0).powers()
        assert np.array_equal(alone[:, 0], together[:, channel], equal_nan=True)


def test_bands_and_intervals_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match=r"bands from 3150 Hz up .* 8000 Hz: the upper edge must lie below 3200 Hz"):
        FilterBank(bands_between(3, 50.0, 4000.0), RATE, 1, 1000.0)
    with pytest.raises(ValueError, match=r"at least, not 9\.5"):
        FilterBank(BANDS, RATE, 1, 9.5)
