"""The whole-spectrum test on averaged spectra of simulated noise: how often it fails, and what it finds."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra
from tapeline.acoustics.spectrum_equality import SpectrumEquality, line_correlation, spectrum_equality
from tapeline.acoustics.windows import WindowName, all_pairs, effective_averages, window
from tapeline.statistics.significance import holm

RATE, FRAMES = 12_800.0, 256
MANY, SOME = 4000, 400
"""Pairs for how often a test fails, and for what it finds."""
LINES = slice(4, 120)


def averaged(
    seed: int, blocks: int, pole: float = 0.0, name: WindowName = "hann", overlap: float = 0.5, records: int = MANY
) -> tuple[np.ndarray, float]:
    """Densities of so many records of Gaussian noise, white or coloured by one pole, and their averages."""
    hop = round(FRAMES * (1 - overlap))
    noise = np.random.default_rng(seed).standard_normal((records, FRAMES + hop * (blocks - 1) + 100), np.float32)
    coloured = scipy.signal.lfilter([1.0], [1.0, -pole], noise, axis=1)[:, 100:] if pole else noise[:, 100:]
    spectrum = AveragedSpectrum(window(name, FRAMES), hop, records)
    stream = ShortTimeSpectra(window(name, FRAMES), hop, np.zeros(records), [spectrum])
    stream.add(coloured.astype(np.float32))
    stream.finish()
    averages = effective_averages(window(name, FRAMES), hop, all_pairs(blocks, FRAMES, hop))
    return spectrum.density(RATE)[:, LINES], averages


def held_together(
    first: tuple[np.ndarray, float], second: tuple[np.ndarray, float], **of: float | str
) -> SpectrumEquality:
    averages = (first[1], second[1])
    correlation = line_correlation(of.get("name", "hann"), of.get("overlap", 0.5), min(averages))  # type: ignore[arg-type]
    return spectrum_equality(first[0], second[0], averages, correlation)


@pytest.mark.long
@pytest.mark.parametrize(
    ("pole", "name", "overlap", "blocks"),
    [
        (0.0, "hann", 0.5, (40, 40)),
        (0.9, "hann", 0.5, (40, 40)),
        (0.0, "hann", 0.5, (60, 25)),
        (0.0, "hann", 0.0, (40, 40)),
        (0.0, "flattop", 0.5, (40, 40)),
    ],
)
def test_pairs_that_are_the_same_fail_as_often_as_stated(
    pole: float, name: WindowName, overlap: float, blocks: tuple[int, int]
) -> None:
    """4 to 6 % of 4000 pairs at 5 % (standard error 0.34 %), for the whole and for the shape alone."""
    sides = [averaged(seed, count, pole, name, overlap) for seed, count in zip((71, 72), blocks, strict=True)]
    found = held_together(sides[0], sides[1], name=name, overlap=overlap)
    assert 0.04 < np.mean(found.p_value < 0.05) < 0.06
    assert 0.04 < np.mean(found.shape_p_value < 0.05) < 0.06
    assert np.mean(found.level_difference_db) == pytest.approx(0.0, abs=0.01)


def test_few_averages_fail_too_rarely_rather_than_too_often() -> None:
    """Eight half-overlapped blocks are no gamma variable any more: 3 to 5 % fail at 5 %."""
    found = held_together(averaged(73, 8), averaged(74, 8))
    assert 0.03 < np.mean(found.p_value < 0.05) < 0.05


@pytest.mark.long
def test_without_what_lines_share_the_test_would_fail_too_often() -> None:
    first, second = averaged(75, 40), averaged(76, 40)
    found = spectrum_equality(first[0], second[0], (first[1], second[1]), [1.0])
    assert np.mean(found.p_value < 0.05) > 0.07


def test_a_bump_of_one_decibel_in_a_third_octave_is_found() -> None:
    """1 dB over the lines of the 2 kHz third octave (9 of 116 here): found in shape, hardly in level; 400 averages."""
    first, second = averaged(77, 400, records=SOME), averaged(78, 400, records=SOME)
    hertz = np.arange(FRAMES // 2 + 1)[LINES] * RATE / FRAMES
    band = (hertz > 2000.0 / 10**0.05) & (hertz < 2000.0 * 10**0.05)
    found = held_together(first, (second[0] * np.where(band, 10**0.1, 1.0), second[1]))
    assert np.mean(found.p_value < 0.05) > 0.95
    assert np.mean(found.shape_p_value < 0.05) > 0.95
    share = band.mean()
    assert np.mean(found.level_difference_db) == pytest.approx(share, abs=0.01)
    assert np.median(found.excess_db) == pytest.approx(np.sqrt(share), rel=0.1)


def test_a_change_of_level_is_told_from_a_change_of_shape() -> None:
    """0.3 dB more everywhere: the whole test fails, the shape alone does not; its size stands beside it."""
    first, second = averaged(79, 200, records=SOME), averaged(80, 200, records=SOME)
    found = held_together(first, (second[0] * 10**0.03, second[1]))
    assert np.mean(found.p_value < 0.05) > 0.5
    assert 0.02 < np.mean(found.shape_p_value < 0.05) < 0.08
    assert np.mean(found.level_difference_db) == pytest.approx(0.3, abs=0.01)
    assert np.sqrt(np.mean(found.excess_db**2)) == pytest.approx(0.3, abs=0.1)


def test_the_test_does_not_mind_which_run_comes_first() -> None:
    first, second = averaged(81, 30, records=SOME), averaged(82, 12, records=SOME)
    there, back = held_together(first, second), held_together(second, first)
    np.testing.assert_allclose(there.statistic, back.statistic)
    np.testing.assert_allclose(there.level_difference_db, -back.level_difference_db, atol=1e-12)


def test_neighbouring_hann_lines_share_four_ninths() -> None:
    """Correlations 4/9 and 1/36 of Hann lines of blocks that do not overlap (textbook: the window's own transform)."""
    np.testing.assert_allclose(line_correlation("hann", 0.0, 10.0)[:4], [1.0, 4 / 9, 1 / 36, 0.0], atol=1e-12)
    np.testing.assert_allclose(line_correlation("rectangular", 0.0, 10.0)[1:], 0.0, atol=1e-12)


@pytest.mark.parametrize(
    ("first", "averages", "words"),
    [([1.0], (9.0, 9.0), "same lines"), ([1.0, 2.0], (0.0, 9.0), "averages"), ([0.0, 1.0], (9.0, 9.0), "above zero")],
)
def test_what_is_no_spectrum_is_refused(first: list[float], averages: tuple[float, float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        spectrum_equality(np.array(first), np.ones(2), averages, [1.0])


def test_holm_by_hand() -> None:
    """p of 0.01, 0.04, 0.03 times 3, 1, 2, never falling (Holm 1979, counted by hand); no test stays none."""
    np.testing.assert_allclose(holm([0.01, np.nan, 0.04, 0.03]), [0.03, np.nan, 0.06, 0.06])
    assert holm([0.6, 0.7]).tolist() == [1.0, 1.0]
    assert holm([]).size == 0
