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
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.sample_checks import ExtremeRuns, Moments, RepeatedRuns
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra
from tapeline.acoustics.weightings import power_weights
from tapeline.acoustics.windows import all_pairs, window

RATE = 8000.0
CUTS = st.lists(st.integers(1, 5000), min_size=1, max_size=8)


def pieces(samples: NDArray[np.float32], cuts: list[int]) -> list[NDArray[np.float32]]:
    """Cut (channels, frames) at growing places."""
    places = sorted({min(cut, samples.shape[1]) for cut in np.cumsum(cuts)})
    return [part for part in np.split(samples, places, axis=1) if part.shape[1]]


@settings(max_examples=25)
@given(cuts=CUTS)
def test_averaged_spectra(cuts: list[int]) -> None:
    x = np.random.default_rng(1).normal(size=(2, 9000)).astype(np.float32)
    whole, cut = averaged(x, []), averaged(x, cuts)
    assert cut.blocks == whole.blocks == (9000 - 512) // 200 + 1
    assert cut.pairs() == whole.pairs() == all_pairs(whole.blocks, 512, 200)
    assert cut.density(RATE) == pytest.approx(whole.density(RATE), rel=1e-6)


def averaged(
    samples: NDArray[np.float32], cuts: list[int], parts: Parts | None = None, hop: int = 200
) -> AveragedSpectrum:
    """Averaged spectra of blocks of 512 samples."""
    shape, mean = window("hann", 512), np.full(samples.shape[0], 0.1)
    spectrum = AveragedSpectrum(shape, hop, samples.shape[0], parts)
    blocks = ShortTimeSpectra(shape, hop, mean, [spectrum])
    for piece in pieces(samples, cuts):
        blocks.add(piece)
    blocks.finish()
    return spectrum


def test_a_mean_ten_times_the_rms_leaves_no_trace() -> None:
    """Left in, its leakage in single precision is 1.6 dB of such a signal's level: the mean goes before the window."""
    noise = np.random.default_rng(7).normal(size=(1, 40_000))
    noise -= noise.mean()
    shape, found = window("hann", 512), []
    for offset in (0.0, 10.0):
        samples = (noise + offset).astype(np.float32)
        spectrum = AveragedSpectrum(shape, 256, 1)
        blocks = ShortTimeSpectra(shape, 256, samples.mean(axis=1, dtype=np.float64), [spectrum])
        blocks.add(samples)
        blocks.finish()
        found.append(spectrum.density(RATE))
    assert found[1] == pytest.approx(found[0], rel=2e-4, abs=1e-9)


def test_sums_of_squares_lose_nothing_over_many_blocks() -> None:
    """A tone of a million samples: running sums in single precision would be 0.01 dB low."""
    samples = np.sin(2.0 * np.pi * 0.125 * np.arange(1_024_000)).astype(np.float32)[None]
    spectrum = averaged(samples - np.float32(0.0), [], hop=256)
    power = spectrum.density(RATE)[0, 60:69].sum() * RATE / 512
    assert 10.0 * np.log10(power / 0.5) == pytest.approx(0.0, abs=1e-4)


@settings(max_examples=25)
@given(cuts=CUTS, out=st.lists(st.tuples(st.integers(0, 9000), st.integers(1, 900)), max_size=4))
def test_blocks_that_touch_a_part_left_out_do_not_count(cuts: list[int], out: list[tuple[int, int]]) -> None:
    """Against the plain way: every block by itself, those that touch nothing left out averaged."""
    x = np.random.default_rng(4).normal(size=(2, 9000)).astype(np.float32)
    left = Parts([(0, 9000)]).without(Parts([(start, start + length) for start, length in out]))
    starts = [s for s in range(0, 9000 - 511, 200) if not any(s < a + n and a < s + 512 for a, n in out)]
    found = averaged(x, cuts, left)
    assert found.blocks == len(starts)
    reach = [sum(b - a == lag * 200 for a in starts for b in starts) for lag in range(3)]
    assert found.pairs() == tuple(reach)
    if starts:
        lines = np.fft.rfft(np.stack([x[:, s : s + 512] - 0.1 for s in starts]) * window("hann", 512))
        expected = np.mean(np.abs(lines) ** 2, axis=0)
        assert found.density(RATE)[:, 1:-1] == pytest.approx(
            expected[:, 1:-1] * 2.0 / (RATE * np.sum(window("hann", 512) ** 2)), rel=1e-4
        )


@settings(max_examples=60)
@given(
    ranges=st.lists(st.tuples(st.integers(0, 60), st.integers(0, 20)), max_size=6),
    out=st.lists(st.tuples(st.integers(0, 60), st.integers(0, 20)), max_size=4),
    asked=st.tuples(st.integers(0, 70), st.integers(1, 15)),
)
def test_parts_are_sets_of_frames(
    ranges: list[tuple[int, int]], out: list[tuple[int, int]], asked: tuple[int, int]
) -> None:
    frames = {f for start, length in ranges for f in range(start, start + length)}
    frames -= {f for start, length in out for f in range(start, start + length)}
    parts = Parts((a, a + n) for a, n in ranges).without(Parts((a, a + n) for a, n in out))
    assert {f for start, stop in parts.ranges for f in range(start, stop)} == frames
    assert parts.frames == len(frames)
    assert bool(parts.hold(asked[0], sum(asked))) == set(range(asked[0], sum(asked))).issubset(frames)


def test_the_spread_of_lines_tells_noise_from_tones() -> None:
    """Power of a Gaussian line is exponentially distributed: spread 1 (Bendat and Piersol); a steady tone has none."""
    time = np.arange(200_000) / RATE
    noise = np.random.default_rng(3).normal(size=time.size)
    tone = 30.0 * np.sin(2.0 * np.pi * 1000.0 * time)
    gusty = noise * np.where((time % 2.0) < 0.5, 3.0, 0.3)
    samples = np.stack([noise + tone, gusty]).astype(np.float32)
    spread = averaged(samples, [], hop=256).relative_spread()
    assert spread.shape == (2, 257)
    assert spread[0, 64] < 0.1
    assert np.mean(np.delete(spread[0], slice(60, 69))[2:-2]) == pytest.approx(1.0, abs=0.02)
    assert np.mean(spread[1, 2:-2]) > 1.5
    assert np.isnan(averaged(samples[:, :600], []).relative_spread()).all()


def test_no_whole_block_is_said_so() -> None:
    with pytest.raises(ValueError, match="not one whole block"):
        averaged(np.zeros((1, 511), dtype=np.float32), []).density(RATE)


def history(
    weighting: str, samples: NDArray[np.float32], cuts: list[int], interval: float = 1000.0
) -> NDArray[np.float64]:
    """Mean squares of one channel's intervals."""
    lines = np.arange(1001) * RATE / 2000
    magnitude = np.sqrt(power_weights(weighting, lines))[None, None]  # type: ignore[arg-type]
    track = WeightedHistory(magnitude, interval, RATE)
    blocks = ShortTimeSpectra(window("hann", 2000), 1000, np.zeros(1), [track])
    found = []
    for piece in pieces(samples, cuts):
        blocks.add(piece)
        found.append(track.drain())
    blocks.finish()
    found.append(track.drain())
    assert [part.first for part in found] == np.cumsum([0, *(part.powers.shape[-1] for part in found[:-1])]).tolist()
    return np.concatenate([part.powers[0, 0] for part in found])


@settings(max_examples=25)
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


@settings(max_examples=40)
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
    # Sums within a block are float32, and a first piece of a few samples may be three deviations (of 300) from the
    # mean: a hundred-thousandth of the deviation.
    assert moments.mean == pytest.approx(x.mean(axis=1, dtype=float), abs=3e-3)
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
