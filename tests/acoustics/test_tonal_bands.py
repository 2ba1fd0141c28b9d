"""Lines that stand out of their band."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.tonal_bands import prominence_db, prominent_lines

BANDS = bands_between(3, 100.0, 4000.0)
HZ = 4.0 * np.arange(1601)


def test_noise_of_ten_averages_stays_below_ten_decibels() -> None:
    """Chi-square with 20 degrees of freedom about a falling spectrum; the origin of the default limit."""
    rng = np.random.default_rng(1)
    noise = rng.chisquare(20.0, (200, HZ.size)) / 20.0 / np.maximum(HZ, 4.0) ** 2
    found = prominent_lines(noise[:, 1:], 4.0, 4.0, BANDS.lower_hz, BANDS.upper_hz)
    assert np.nanmax(found.above_db) < 7.0


@pytest.mark.parametrize("band", [0, 5, 16])
def test_a_tone_is_measured_with_its_lobe(band: int) -> None:
    """Hann main lobe: a quarter of the largest line on either side (Harris 1978)."""
    psd = np.ones((1, HZ.size))
    line = round(BANDS.midband_hz[band] / 4.0)
    psd[0, line - 1 : line + 2] += np.array([25.0, 100.0, 25.0])
    found = prominent_lines(psd, 0.0, 4.0, BANDS.lower_hz, BANDS.upper_hz)
    assert found.above_db[0, band] == pytest.approx(10.0 * np.log10(101.0), abs=1e-9)
    assert found.added_pa2[0, band] == pytest.approx(150.0 * 4.0)
    others = np.arange(len(BANDS)) != band
    assert np.abs(found.above_db[0, others]).max() == 0.0
    assert np.abs(found.added_pa2[0, others]).max() == 0.0
    assert found.power_pa2[0, 5] == pytest.approx(
        psd[0, (BANDS.lower_hz[5] <= HZ) & (BANDS.upper_hz[5] > HZ)].sum() * 4
    )


def test_bands_beyond_the_lines_have_none() -> None:
    found = prominent_lines(np.ones((1, 100)), 0.0, 4.0, BANDS.lower_hz, BANDS.upper_hz)
    assert np.isnan(found.above_db[0, BANDS.lower_hz > 400.0]).all()
    assert np.isfinite(found.above_db[0, BANDS.upper_hz < 396.0]).all()


def test_the_line_is_named_and_a_neighbour_s_skirt_is_not_its_own() -> None:
    """A tone on the last line below an edge: the next band has a quarter of it on a line (Hann, Harris 1978)."""
    edge = BANDS.upper_hz[5]
    line = int(np.ceil(edge / 4.0)) - 1
    psd = np.ones((1, HZ.size))
    psd[0, line - 1 : line + 2] += np.array([250.0, 1000.0, 250.0])
    found = prominent_lines(psd, 0.0, 4.0, BANDS.lower_hz, BANDS.upper_hz)
    assert found.frequency_hz[0, 5] == HZ[line]
    assert found.frequency_hz[0, 6] == HZ[line + 1]
    assert found.above_db[0, 6] > 20.0
    assert found.peaked[0, 5]
    assert not found.peaked[0, 6]


def test_a_falling_spectrum_has_no_peak_at_its_first_lines() -> None:
    psd = 1.0 / np.maximum(HZ[25:], 4.0)[None, :] ** 4
    found = prominent_lines(psd, 100.0, 4.0, BANDS.lower_hz, BANDS.upper_hz)
    assert not found.peaked.any()


def test_a_second_spectrum_is_looked_at_where_the_first_has_its_line() -> None:
    """100 above 1 are 20 dB; a line two lines beside counts, as a Hann lobe reaches, three beside it does not."""
    low, high = float(BANDS.lower_hz[8]), float(BANDS.upper_hz[8])
    line = round(BANDS.midband_hz[8] / 4.0)
    psd = np.ones(HZ.size)
    psd[line] = 100.0
    for beside, expected in ((0, 20.0), (2, 20.0), (-2, 20.0), (3, 0.0)):
        above = prominence_db(psd, 0.0, 4.0, low, high, HZ[line + beside])
        assert above == pytest.approx(expected), beside
    assert np.isnan(prominence_db(psd[:100], 0.0, 4.0, low, high, HZ[line]))
