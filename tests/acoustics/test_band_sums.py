"""Bands from lines: nothing lost, nothing counted twice, variances that describe the scatter."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.band_levels import LineSpectra, band_sums, shares_of
from tapeline.acoustics.bands import bands_between, line_shares
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra
from tapeline.acoustics.windows import line_covariance, window


@given(
    edges=st.lists(st.floats(0.0, 900.0), min_size=2, max_size=12, unique=True).map(sorted),
    step=st.floats(0.1, 20.0),
)
def test_adjacent_bands_share_every_line_once(edges: list[float], step: float) -> None:
    lines = int(1000.0 / step) + 2
    total = np.zeros(lines)
    for lower, upper in itertools.pairwise(edges):
        band = line_shares(lower, upper, step, lines)
        total[band.first : band.first + band.share.size] += band.share
    whole = line_shares(edges[0], edges[-1], step, lines)
    expected = np.zeros(lines)
    expected[whole.first : whole.first + whole.share.size] = whole.share
    assert total == pytest.approx(expected, abs=1e-9)
    assert total.sum() * step == pytest.approx(edges[-1] - max(edges[0], 0.0), rel=1e-6, abs=1e-6)


def test_a_band_beyond_the_lines_is_empty() -> None:
    assert line_shares(900.0, 1000.0, 1.0, 500).share.size == 0


@pytest.mark.parametrize("method", ["lines", "filters"])
@pytest.mark.parametrize("overlap", [0.0, 0.5, 0.75])
def test_band_variance_describes_the_scatter_of_simulated_noise(method: str, overlap: float) -> None:
    frames, rate, channels = 512, 12_800.0, 600
    shape = window("hann", frames)
    averaged = AveragedSpectrum(shape, round(frames * (1 - overlap)), channels)
    blocks = ShortTimeSpectra(shape, averaged.hop_frames, np.zeros(channels), [averaged])
    blocks.add(np.random.default_rng(8).normal(size=(channels, 12_800)).astype(np.float32))
    blocks.finish()
    covariance = line_covariance(shape, averaged.hop_frames, averaged.pairs())
    bands = bands_between(3, 400.0, 4000.0)
    measured = LineSpectra(averaged.density(rate), rate / frames, covariance)
    flat = LineSpectra(np.full((1, frames // 2 + 1), 2.0 / rate), rate / frames, covariance)
    found = band_sums(measured, shares_of(bands, measured, method)).power  # type: ignore[arg-type]
    expected = band_sums(flat, shares_of(bands, flat, method))  # type: ignore[arg-type]
    assert found.mean(axis=0) == pytest.approx(expected.power[0], rel=0.03)
    # 600 channels: a variance is known within 5.8 %; five of these
    assert found.var(axis=0) == pytest.approx(expected.variance[0], rel=0.29)


def test_white_noise_through_band_filters_reads_its_band_level() -> None:
    flat = LineSpectra(np.full((1, 40_001), 1e-4), 0.25, np.array([0.01]))
    bands = bands_between(3, 100.0, 4000.0)
    found = band_sums(flat, shares_of(bands, flat, "filters")).power[0]
    assert 10 * np.log10(found / (1e-4 * (bands.upper_hz - bands.lower_hz))) == pytest.approx(0.0, abs=0.01)
