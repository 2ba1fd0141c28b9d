"""Whatever is computed from a stream does not depend on how the stream is cut."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.history import WeightedHistory, levels_exceeded
from tapeline.acoustics.sample_checks import ExtremeRuns, Moments, RepeatedRuns
from tapeline.acoustics.weightings import power_weights
from tapeline.acoustics.windows import window

RATE = 8000.0
CUTS = st.lists(st.integers(1, 5000), min_size=1, max_size=8)


def pieces(samples: NDArray[np.float32], cuts: list[int]) -> list[NDArray[np.float32]]:
    """Cut (channels, frames) at growing places."""
    places = sorted({min(cut, samples.shape[1]) for cut in np.cumsum(cuts)})
    return [part for part in np.split(samples, places, axis=1) if part.shape[1]]


@settings(deadline=None, max_examples=25)
@given(cuts=CUTS)
def test_averaged_spectra(cuts: list[int]) -> None:
    x = np.random.default_rng(1).normal(size=(2, 9000)).astype(np.float32)
    whole, cut = (AveragedSpectrum(window("hann", 512), 200, np.array([0.1, -0.2])) for _ in range(2))
    whole.add(x)
    for piece in pieces(x, cuts):
        cut.add(piece)
    assert cut.blocks == whole.blocks
    assert cut.density(RATE) == pytest.approx(whole.density(RATE), rel=1e-5)


def test_no_whole_block_is_said_so() -> None:
    short = AveragedSpectrum(window("hann", 512), 256, np.zeros(1))
    short.add(np.zeros((1, 511), dtype=np.float32))
    with pytest.raises(ValueError, match="not one whole block"):
        short.density(RATE)


def history(
    weighting: str, samples: NDArray[np.float32], cuts: list[int], interval: float = 1000.0
) -> NDArray[np.float64]:
    """Mean squares of one channel's intervals."""
    lines = np.arange(1001) * RATE / 2000
    magnitude = np.sqrt(power_weights(weighting, lines))[None, None]  # type: ignore[arg-type]
    track = WeightedHistory(magnitude, 2000, interval, np.zeros(1), RATE)
    for piece in pieces(samples, cuts):
        track.add(piece)
    return track.powers()[0, 0]


@settings(deadline=None, max_examples=25)
@given(cuts=CUTS, interval=st.floats(300.0, 2500.0))
def test_the_unweighted_history_is_the_mean_square_of_each_interval(cuts: list[int], interval: float) -> None:
    x = np.random.default_rng(2).normal(size=(1, 9000)).astype(np.float32)
    found = history("Z", x, cuts, interval)
    edges = [round(i * interval) for i in range(found.size + 1)]
    expected = [np.mean(x[0, a:b].astype(float) ** 2) for a, b in itertools.pairwise(edges)]
    assert found.size == int(9000 / interval + 1e-9)
    assert found == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize(("tone_hz", "level"), [(1000.0, 0.0), (100.0, -19.1), (2500.0, 1.3)])
def test_a_sine_in_the_a_weighted_history(tone_hz: float, level: float) -> None:
    """IEC 61672-1:2013, Table 3: 0, -19.1 and +1.3 dB (nominal 2.5 kHz lies within 0.1 dB of the exact frequency)."""
    x = np.sin(2 * np.pi * tone_hz * np.arange(40_000) / RATE).astype(np.float32)[None]
    middle = history("A", x, [4096])[5:-5]
    assert 10 * np.log10(middle / 0.5) == pytest.approx(level, abs=0.1)


def test_levels_exceeded() -> None:
    levels = np.arange(101.0)
    assert levels_exceeded(levels, (10.0, 50.0, 90.0)) == pytest.approx([90.0, 50.0, 10.0])
    assert np.isnan(levels_exceeded(np.zeros(0), (10.0,))).all()


@settings(deadline=None, max_examples=40)
@given(cuts=CUTS, seed=st.integers(0, 50))
def test_sample_checks(cuts: list[int], seed: int) -> None:
    random = np.random.default_rng(seed)
    x = np.clip(np.round(random.normal(0.0, 300.0, (3, 6000))), -400, 380).astype(np.float32)
    x[1, 1000 : 1000 + int(random.integers(50, 500))] = 17.0
    moments, extremes, repeated = Moments(3), ExtremeRuns(3, 3), RepeatedRuns(3, 40)
    for piece in pieces(x, cuts):
        moments.add(piece)
        extremes.add(piece)
        repeated.add(piece)
    # sums within a block are float32, and a first piece of one sample may be three deviations (of 300) from the mean
    assert moments.mean == pytest.approx(x.mean(axis=1, dtype=float), abs=1e-3)
    assert moments.standard_deviation == pytest.approx(x.std(axis=1, dtype=float), rel=1e-5)
    assert moments.skewness == pytest.approx(scipy.stats.skew(x.astype(float), axis=1), abs=1e-3)
    assert moments.kurtosis == pytest.approx(scipy.stats.kurtosis(x.astype(float), axis=1, fisher=False), abs=5e-3)
    for channel in range(3):
        for tally, extreme in ((extremes.high[channel], x[channel].max()), (extremes.low[channel], x[channel].min())):
            lengths = run_lengths(x[channel] == extreme)
            assert tally.places == sum(length >= 3 for length in lengths)
            assert tally.frames == sum(length for length in lengths if length >= 3)
        still = [length for length in run_lengths(np.diff(x[channel]) == 0) if length >= 39]
        assert repeated.tallies[channel].places == len(still)
    assert repeated.tallies[1].first_frame in (1000, 1001)


def run_lengths(flags: NDArray[np.bool_]) -> list[int]:
    """Lengths of the runs of True, the plain way."""
    lengths, current = [], 0
    for flag in [*flags.tolist(), False]:
        if flag:
            current += 1
        elif current:
            lengths.append(current)
            current = 0
    return lengths


def test_numbers_that_are_not_finite_are_counted() -> None:
    x = np.zeros((2, 100), dtype=np.float32)
    x[0, 3], x[0, 7] = np.nan, np.inf
    moments = Moments(2)
    moments.add(x)
    assert list(moments.bad) == [2, 0]
    assert np.isfinite(moments.mean).all()
