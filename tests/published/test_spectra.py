"""Averaged spectra: identities, window tables, Welch's effective averages, a reference library."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from reference_tables import reference_rows
from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.band_levels import LineSpectra, band_sums
from tapeline.acoustics.bands import bands_between, line_shares
from tapeline.acoustics.boundary_layer import goody_density, goody_shape
from tapeline.acoustics.levels import level_db
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra, block_frames
from tapeline.acoustics.windows import WindowName, all_pairs, effective_averages, noise_bandwidth_lines, window

WINDOWS: tuple[WindowName, ...] = ("hann", "flattop", "rectangular")


def density(samples: np.ndarray, rate: float, name: WindowName, frames: int, overlap: float = 0.5) -> np.ndarray:
    """Averaged spectrum of one channel."""
    block = samples.astype(np.float32)[None]
    shape, hop = window(name, frames), round(frames * (1 - overlap))
    averaged = AveragedSpectrum(shape, hop, 1)
    blocks = ShortTimeSpectra(shape, hop, block.mean(axis=1, dtype=np.float64), [averaged])
    blocks.add(block)
    blocks.finish()
    return averaged.density(rate)[0]


@pytest.mark.parametrize("name", WINDOWS)
@pytest.mark.parametrize("tone_hz", [1000.0, 1003.1, 1012.345])
def test_a_sine_of_94_db_reads_94_db_in_its_band(name: WindowName, tone_hz: float) -> None:
    """Identity: the power of a sine is the sum of its lines, whatever the window and wherever it lies between lines."""
    rate = 25_600.0
    time = np.arange(int(8 * rate)) / rate
    psd = density(1.002374 * np.sqrt(2.0) * np.sin(2 * np.pi * tone_hz * time), rate, name, 4096)
    bands = bands_between(3, 1000.0, 1000.0)
    shares = [line_shares(bands.lower_hz[0], bands.upper_hz[0], rate / 4096, psd.size)]
    tolerance = 0.2 if name == "rectangular" else 0.001
    assert float(
        level_db(band_sums(LineSpectra(psd[None], rate / 4096, np.ones(1)), shares).power)[0, 0]
    ) == pytest.approx(94.0, abs=tolerance)


def test_an_on_line_sine_lies_10_lg_of_the_noise_bandwidth_below_its_level() -> None:
    """Hann: the peak line, density times line spacing, is 10 lg 1.5 = 1.761 dB below the sine's level (Harris 1978)."""
    rate, frames = 16_384.0, 4096
    tone = 100 * rate / frames
    psd = density(np.sin(2 * np.pi * tone * np.arange(10 * frames) / rate), rate, "hann", frames)
    assert 10 * np.log10(psd[100] * rate / frames / 0.5) == pytest.approx(-1.7609, abs=1e-3)


@pytest.mark.parametrize("name", WINDOWS)
def test_parseval(name: WindowName) -> None:
    """Sum of density x line spacing = mean square: exact in the mean over blocks for white noise (Parseval)."""
    rate = 8192.0
    noise = np.random.default_rng(3).normal(size=400_000)
    psd = density(noise, rate, name, 1024)
    assert psd.sum() * rate / 1024 == pytest.approx(np.var(noise), rel=4e-3)


def test_parseval_holds_to_rounding_for_one_rectangular_block() -> None:
    """Parseval's theorem for one block without a window."""
    noise = np.random.default_rng(4).normal(size=4096).astype(np.float32)
    psd = density(noise, 4096.0, "rectangular", 4096, 0.0)
    assert psd.sum() == pytest.approx(np.var(noise.astype(float)), rel=1e-6)


@pytest.mark.parametrize("name", WINDOWS)
@pytest.mark.parametrize("frames", [1000, 1024, 1215])
def test_density_equals_the_reference_library(name: WindowName, frames: int) -> None:
    """scipy.signal.welch with the mean of the whole record subtracted beforehand."""
    x = np.random.default_rng(5).normal(2.0, 1.0, 30_000).astype(np.float32)
    rate, hop = 12_800.0, round(frames * 0.5)
    named = {"hann": "hann", "flattop": "flattop", "rectangular": "boxcar"}[name]
    shape = scipy.signal.get_window(named, frames)
    _, expected = scipy.signal.welch(x - x.mean(dtype=float), rate, shape, frames, frames - hop, detrend=False)
    assert density(x, rate, name, frames) == pytest.approx(expected, rel=1e-3, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "bandwidth", "half", "three_quarters"),
    [
        pytest.param("hann", 1.5, 0.1667, 0.6592, id="Hann: Harris 1978, Table I"),
        pytest.param("rectangular", 1.0, 0.5, 0.75, id="rectangular: Harris 1978, Table I"),
        pytest.param("flattop", 3.7702, -0.0153, 0.0455, id="flat top, five terms: computed"),
    ],
)
def test_window_properties(name: WindowName, bandwidth: float, half: float, three_quarters: float) -> None:
    """Noise bandwidth and overlap correlation."""
    shape = window(name, 4096)
    assert noise_bandwidth_lines(shape) == pytest.approx(bandwidth, abs=2e-4)
    for correlation, overlap in ((half, 0.5), (three_quarters, 0.75)):
        shift = round(4096 * (1 - overlap))
        found = np.sum(shape[shift:] * shape[:-shift]) / np.sum(shape**2)
        assert found == pytest.approx(correlation, abs=2e-3)


@pytest.mark.parametrize(
    ("overlap", "blocks", "averages"), [(0.5, 20, 19.0), (0.5, 100, 94.79), (0.75, 20, 10.9), (0.0, 50, 50.0)]
)
def test_effective_averages(overlap: float, blocks: int, averages: float) -> None:
    """Welch (1967), Hann: relative error 0.2294 for 20 blocks at 50 %, about 0.947 K; 0.3062 at 75 %."""
    shape = window("hann", 4096)
    hop = round(4096 * (1 - overlap))
    found = effective_averages(shape, hop, all_pairs(blocks, 4096, hop))
    expected = {(0.5, 20): 1 / 0.2294**2, (0.75, 20): 1 / 0.3062**2}.get((overlap, blocks), averages)
    assert found == pytest.approx(expected, rel=3e-3)


def test_reference_table_of_effective_averages() -> None:
    """All rows of hann and rectangular windows, Welch's (1967) variance formula."""
    names = {"Hann": "hann", "rectangular": "rectangular", "Rectangular": "rectangular"}
    checked = 0
    for row in reference_rows("welch_edof.csv"):
        if row["window"] not in names:
            continue
        overlap = float(row["overlap"])
        overlap = overlap / 100.0 if overlap >= 1.0 else overlap
        shape = window(names[row["window"]], 4096)  # type: ignore[arg-type]
        hop = round(4096 * (1 - overlap))
        found = effective_averages(shape, hop, all_pairs(int(row["segments_K"]), 4096, hop))
        assert found == pytest.approx(float(row["nd_effective"]), rel=2e-3)
        checked += 1
    assert checked > 10


def test_block_length_is_the_next_fast_one() -> None:
    """Line spacing at most as asked for; lengths with small prime factors (common practice)."""
    assert block_frames(25_600.0, 5.0) == 5120
    assert block_frames(12_800.0, 6.25) == 2048
    for rate in (44_100.0, 48_000.0, 51_200.0, 65_536.0, 102_400.0):
        assert rate / block_frames(rate, 5.0) <= 5.0 + 1e-9


@pytest.mark.parametrize(("x", "value"), [(0.1, 0.126468), (1.0, 0.669243), (10.0, 0.367398), (100.0, 0.0124143)])
def test_goody_shape(x: float, value: float) -> None:
    """Goody, AIAA J. 42 (2004) 1788, R_T = 100 (formula found in public texts, values computed)."""
    assert float(goody_shape(x, 100.0)) == pytest.approx(value, rel=5e-6)


@pytest.mark.parametrize(("hz", "value"), [(100.0, 9.774e-3), (1000.0, 7.674e-3), (10_000.0, 8.635e-4)])
def test_goody_density_per_hertz(hz: float, value: float) -> None:
    """Same source: rho 1.2, nu 1.5e-5, U 30 m/s, delta 30 mm, tau_w 1.62 Pa; Pa^2/Hz, one-sided."""
    found = goody_density(
        hz, edge_speed_mps=30.0, thickness_m=0.03, wall_shear_pa=1.62, density_kgm3=1.2, viscosity_m2s=1.5e-5
    )
    assert float(found) == pytest.approx(value, rel=1e-4)
