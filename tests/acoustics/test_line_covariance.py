"""Variances of averaged lines and of weighted band sums against simulation."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.band_levels import LineSpectra, Powers, band_sums, shares_of
from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra
from tapeline.acoustics.weightings import power_weights
from tapeline.acoustics.windows import (
    WindowName,
    all_pairs,
    effective_averages,
    line_covariance,
    power_variance,
    window,
)
from tapeline.statistics.significance import spectrum_interval_db

RATE, FRAMES, SPANS = 12_800.0, 128, 3000


def white_noise(name: WindowName, hop: int, blocks: int, seed: int) -> AveragedSpectrum:
    """Averaged spectra of so many blocks of white noise of unit variance, in `SPANS` channels."""
    averaged = AveragedSpectrum(window(name, FRAMES), hop, SPANS)
    stream = ShortTimeSpectra(window(name, FRAMES), hop, np.zeros(SPANS), [averaged])
    stream.add(np.random.default_rng(seed).normal(size=(SPANS, FRAMES + hop * (blocks - 1))).astype(np.float32))
    stream.finish()
    return averaged


def simulated(name: WindowName, hop: int, blocks: int) -> np.ndarray:
    """Relative deviations of averaged lines of white noise, (realisations, lines), lines away from both ends."""
    averaged = white_noise(name, hop, blocks, 21)
    assert averaged.blocks == blocks
    inner = averaged.density(RATE)[:, 6:-6]
    return inner / (2.0 / RATE) - 1.0


@pytest.mark.parametrize(
    ("name", "overlap", "blocks"),
    [("hann", 0.5, 10), ("hann", 0.75, 10), ("hann", 0.0, 10), ("rectangular", 0.5, 10), ("flattop", 0.75, 20)],
)
def test_neighbouring_lines_vary_together_as_stated(name: WindowName, overlap: float, blocks: int) -> None:
    """3000 spectra of 53 lines, some 30,000 independent products: each covariance within six of its standard errors."""
    hop = round(FRAMES * (1 - overlap))
    expected = line_covariance(window(name, FRAMES), hop, all_pairs(blocks, FRAMES, hop), 5)
    deviation = simulated(name, hop, blocks)
    for reach in range(6):
        products = deviation[:, : deviation.shape[1] - reach] * deviation[:, reach:]
        by_spectrum = products.mean(axis=1)
        error = by_spectrum.std() / np.sqrt(SPANS)
        assert by_spectrum.mean() == pytest.approx(expected[reach], abs=6 * error + 1e-4 * expected[0])


@pytest.mark.parametrize(
    ("name", "overlap"),
    [("hann", 0.0), ("hann", 0.5), ("hann", 0.75), ("rectangular", 0.5), ("flattop", 0.5), ("flattop", 0.75)],
)
def test_effective_averages_describe_the_scatter_of_lines_within_two_percent(name: WindowName, overlap: float) -> None:
    """Welch (1967): the variance of averaged lines of white noise is 1/averages; some 60,000 independent lines here."""
    hop, blocks = round(FRAMES * (1 - overlap)), 16
    averages = effective_averages(window(name, FRAMES), hop, all_pairs(blocks, FRAMES, hop))
    assert np.mean(simulated(name, hop, blocks) ** 2) * averages == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("gone", [(3, 4), (1, 3, 5, 7, 9, 11, 13), (0, 5, 6, 7, 8, 15)])
def test_effective_averages_of_blocks_with_gaps(gone: tuple[int, ...]) -> None:
    """Blocks left out take their overlaps with them: stated and simulated variance within 2 %."""
    hop, blocks = FRAMES // 2, 16
    shape, frames = window("hann", FRAMES), FRAMES + hop * (blocks - 1)
    # A sample in the middle of a block is in that block and at most at the edge of its neighbours.
    left = Parts([(0, frames)]).without(Parts((b * hop + hop, b * hop + hop + 1) for b in gone))
    averaged = AveragedSpectrum(shape, hop, SPANS, left)
    stream = ShortTimeSpectra(shape, hop, np.zeros(SPANS), [averaged])
    stream.add(np.random.default_rng(23).normal(size=(SPANS, frames)).astype(np.float32))
    stream.finish()
    assert 0 < averaged.blocks < blocks
    deviation = averaged.density(RATE)[:, 6:-6] / (2.0 / RATE) - 1.0
    assert np.mean(deviation**2) * effective_averages(shape, hop, averaged.pairs()) == pytest.approx(1.0, abs=0.02)


def test_the_first_entry_is_one_over_the_effective_averages() -> None:
    shape = window("hann", 512)
    pairs = all_pairs(40, 512, 256)
    assert pairs == (40, 39)
    assert 1 / line_covariance(shape, 256, pairs)[0] == pytest.approx(effective_averages(shape, 256, pairs))
    assert effective_averages(shape, 256, (1,)) == pytest.approx(1.0)
    assert effective_averages(shape, 256, ()) == 0.0


def test_weights_act_on_powers_and_variances() -> None:
    """A-weighted band sums of white noise: mean and variance against 3000 simulated spectra, six standard errors."""
    hop, blocks = FRAMES // 2, 12
    covariance = line_covariance(window("hann", FRAMES), hop, all_pairs(blocks, FRAMES, hop))
    lines = FRAMES // 2 + 1
    hz = np.arange(lines) * RATE / FRAMES
    weights = power_weights("A", hz)
    bands = bands_between(1, 500.0, 2000.0)
    averaged = white_noise("hann", hop, blocks, 22)
    measured = LineSpectra(averaged.density(RATE), RATE / FRAMES, covariance)
    flat = LineSpectra(np.full((1, lines), 2.0 / RATE), RATE / FRAMES, covariance)
    found = band_sums(measured, shares_of(bands, measured), weights).power
    expected = band_sums(flat, shares_of(bands, flat), weights)
    spread = np.sqrt(expected.variance[0])
    assert np.all(np.abs(found.mean(axis=0) - expected.power[0]) < 6 * spread / np.sqrt(SPANS))
    assert found.var(axis=0) == pytest.approx(expected.variance[0], rel=6 * np.sqrt(2.5 / SPANS))
    plain = band_sums(flat, shares_of(bands, flat)).power[0]
    assert np.all(np.abs(expected.power[0] / plain - 1.0)[[0, 2]] > 0.2)


def test_degrees_of_freedom_of_one_line_are_twice_the_averages() -> None:
    """2 P^2 / var: 2 n_d for one line (Bendat and Piersol, Random Data)."""
    spectra = LineSpectra(np.array([[3.0, 5.0]]), 2.0, np.array([1 / 40.0]))
    power = Powers(spectra.psd, spectra.variance)
    assert power.degrees_of_freedom.tolist() == [[80.0, 80.0]]
    assert spectra.lines_hz.tolist() == [0.0, 2.0]


def test_variance_of_a_sum_is_the_double_sum() -> None:
    """sum_kl a_k a_l C(|k - l|), written out."""
    parts, covariance = np.array([1.0, 2.0, 0.5, 3.0]), np.array([0.1, 0.04, 0.01])
    full = sum(
        parts[k] * parts[m] * covariance[abs(k - m)] for k in range(4) for m in range(4) if abs(k - m) < covariance.size
    )
    assert power_variance(parts, covariance) == pytest.approx(full)


@pytest.mark.parametrize(
    ("name", "overlap", "blocks"), [("hann", 0.5, 10), ("hann", 0.75, 20), ("rectangular", 0.0, 8)]
)
def test_within_record_intervals_of_bands_cover_the_truth(name: WindowName, overlap: float, blocks: int) -> None:
    """95 % of 3000 records, for bands of 2 to 9 lines: four standard errors are 1.6 %, few lines are no chi-square."""
    hop = round(FRAMES * (1 - overlap))
    covariance = line_covariance(window(name, FRAMES), hop, all_pairs(blocks, FRAMES, hop))
    density = np.zeros((SPANS, FRAMES // 2 + 1))
    density[:, 6:-6] = (simulated(name, hop, blocks) + 1.0) * 2.0 / RATE
    spectra = LineSpectra(density, RATE / FRAMES, covariance)
    bands = bands_between(3, 1000.0, 4000.0)
    found = band_sums(spectra, shares_of(bands, spectra))
    low, high = spectrum_interval_db(found.degrees_of_freedom / 2.0, 0.95)
    off = 10.0 * np.log10((bands.upper_hz - bands.lower_hz) * 2.0 / RATE / found.power)
    assert np.mean((off >= low) & (off <= high), axis=0) == pytest.approx(0.95, abs=0.02)
