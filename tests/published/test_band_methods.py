"""Summed lines and filter weights against theory: white, pink and steep noise, tones in bands, at edges and between.

The noise is periodic and averaged over whole periods at 75 % overlap: every line of it counts with its own power, and
no chance is left in the results.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.band_levels import LineSpectra, Method, band_sums, shares_of
from tapeline.acoustics.bands import Bands, bands_between, filter_power
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra
from tapeline.acoustics.windows import window

Reals = NDArray[np.float64]
RATE, FRAMES, PERIOD = 51_200.0, 8192, 2**18
STEP_HZ = RATE / FRAMES
FIRST_HZ = 50.0


def averaged_lines(samples: Reals) -> LineSpectra:
    """Hann blocks of lines 6.25 Hz apart, from one period and what its last blocks need of the next."""
    shape = window("hann", FRAMES)
    spectrum = AveragedSpectrum(shape, FRAMES // 4, 1)
    blocks = ShortTimeSpectra(shape, FRAMES // 4, np.zeros(1), [spectrum])
    blocks.add(np.concatenate([samples, samples[: FRAMES - FRAMES // 4]])[None].astype(np.float32))
    blocks.finish()
    assert spectrum.blocks == PERIOD // (FRAMES // 4)
    return LineSpectra(spectrum.density(RATE), STEP_HZ, np.array([0.01]))


def noise_of(density: Callable[[Reals], Reals]) -> tuple[Reals, Reals, Reals]:
    """One period of noise, its lines' frequencies and powers in Pa^2."""
    hz = np.arange(1, PERIOD // 2) * RATE / PERIOD
    powers = np.where(hz >= FIRST_HZ, density(hz), 0.0) * RATE / PERIOD
    phase = np.random.default_rng(6).uniform(0.0, 2.0 * np.pi, hz.size)
    lines = np.concatenate([[0.0], 0.5 * PERIOD * np.sqrt(2.0 * powers) * np.exp(1j * phase), [0.0]])
    return np.fft.irfft(lines), hz, powers


def bands_with_five_lines(fraction: int) -> Bands:
    found = bands_between(fraction, 100.0, 16_000.0)
    return found.chosen((found.upper_hz - found.lower_hz) >= 5.0 * STEP_HZ)


def levels_db(spectra: LineSpectra, bands: Bands, method: Method) -> Reals:
    return np.asarray(10.0 * np.log10(band_sums(spectra, shares_of(bands, spectra, method)).power[0]))


def filtered_db(hz: Reals, powers: Reals, bands: Bands) -> Reals:
    """What analytic filters let through."""
    edges = zip(bands.midband_hz, bands.lower_hz, bands.upper_hz, strict=True)
    return np.array([10.0 * np.log10(np.sum(powers * filter_power(hz, mid, lo, hi))) for mid, lo, hi in edges])


@pytest.mark.parametrize("fraction", [1, 3])
@pytest.mark.parametrize("method", ["lines", "filters"])
def test_white_and_pink_noise_read_their_integrals(method: Method, fraction: int) -> None:
    """D (f2 - f1) and D ln(f2 / f1), from five lines in a band on."""
    bands = bands_with_five_lines(fraction)
    white = averaged_lines(noise_of(lambda f: np.full_like(f, 1e-4))[0])
    true = 10.0 * np.log10(1e-4 * (bands.upper_hz - bands.lower_hz))
    # The noise begins at 50 Hz, the lines end at half the rate: the filters of the outermost octaves reach beyond.
    assert levels_db(white, bands, method)[1:-1] == pytest.approx(true[1:-1], abs=0.02)
    pink = averaged_lines(noise_of(lambda f: 0.1 / f)[0])
    true = 10.0 * np.log10(0.1 * np.log(bands.upper_hz / bands.lower_hz))
    assert levels_db(pink, bands, method)[1:-1] == pytest.approx(true[1:-1], abs=0.06)


def test_steep_noise_by_lines_and_by_filters() -> None:
    """Power falling by the fifth power of frequency, 15 dB an octave: lines read the integral between the edges,
    filters the integral of density x |H|^2 of the analytic form, 0.05 dB more (computed)."""
    bands = bands_with_five_lines(3)
    samples, hz, powers = noise_of(lambda f: (f / FIRST_HZ) ** -5.0)
    spectra = averaged_lines(samples)
    integral = 10.0 * np.log10(FIRST_HZ**5 / 4.0 * (bands.lower_hz**-4.0 - bands.upper_hz**-4.0))
    ten_lines = (bands.upper_hz - bands.lower_hz) >= 10.0 * STEP_HZ
    by_lines, by_filters = levels_db(spectra, bands, "lines"), levels_db(spectra, bands, "filters")
    assert by_lines == pytest.approx(integral, abs=0.5)
    assert by_lines[ten_lines] == pytest.approx(integral[ten_lines], abs=0.15)
    through = filtered_db(hz, powers, bands)
    assert by_filters[ten_lines] == pytest.approx(through[ten_lines], abs=0.15)
    assert (through - integral)[ten_lines] == pytest.approx(0.05, abs=0.01)


@pytest.mark.parametrize("method", ["lines", "filters"])
@pytest.mark.parametrize("place", ["middle", "edge", "beside"])
def test_tones_in_bands_at_edges_and_between(method: Method, place: str) -> None:
    """In the middle all of a tone is in its band; at the edge half of it by either way: filters are 3 dB down there
    (IEC 61260-1, half-power edges) and lines are cut; one band away, what the analytic filter lets through."""
    bands = bands_between(3, 1000.0, 1000.0)
    middle, lower, upper = bands.midband_hz[0], bands.lower_hz[0], bands.upper_hz[0]
    wanted = {"middle": middle, "edge": upper, "beside": upper * 10**0.05}[place]
    tone_hz = round(wanted / (RATE / PERIOD)) * RATE / PERIOD
    spectra = averaged_lines(np.sqrt(2.0) * np.sin(2.0 * np.pi * tone_hz * np.arange(PERIOD) / RATE))
    level = float(levels_db(spectra, bands, method)[0])
    if method == "filters":
        through = 10.0 * np.log10(float(filter_power(tone_hz, middle, lower, upper)))
        assert level == pytest.approx(through, abs={"middle": 0.01, "edge": 0.15, "beside": 0.2}[place])
    elif place == "middle":
        assert level == pytest.approx(0.0, abs=0.001)
    elif place == "edge":
        assert level == pytest.approx(-3.0, abs=0.3)
    else:
        assert level < -60.0
