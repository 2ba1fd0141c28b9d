"""What reference sensors explain of other channels: simulations with a known answer, streamed, and plain solutions.

The source of the formulas is Bendat and Piersol, Random Data (conditioned spectra of multiple-input systems).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from tapeline.acoustics.conditioned_spectra import (
    ReferenceLines,
    conditioned,
    conditioned_error,
    multiple_coherence,
    multiple_coherence_threshold,
)
from tapeline.acoustics.cross_spectra import coherence, coherence_threshold
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra
from tapeline.acoustics.windows import WindowName, all_pairs, effective_averages, window

Reals = NDArray[np.float64]
FRAMES = 8192
KEPT = slice(8, FRAMES // 2 - 8)
FIRST, SECOND, HEARING, UNRELATED = range(4)
OWN_RMS = 0.5


def signals(frames: int, seed: int = 0) -> Reals:
    """Two references with a common part, a channel that hears both through filters, and one that hears neither."""
    common, one, two, own, unrelated = np.random.default_rng(seed).normal(size=(5, frames))
    first, second = one + common, 30.0 * (two + np.convolve(common, [0.0, 0.6, 0.4], "full")[:frames])
    heard = np.convolve(first, [1.0, -0.4, 0.2], "full") + np.convolve(second, [0.0, 0.03, 0.02], "full")
    return np.stack([first, second, heard[:frames] + OWN_RMS * own, 2.0 * unrelated])


def streamed(
    samples: Reals,
    references: Sequence[int],
    shape: Reals,
    hop: int,
    lines: slice = KEPT,
    parts: Parts | None = None,
    call: int = 30_011,
) -> ReferenceLines:
    """The sums over blocks of samples (channels, frames) that come in calls of some frames."""
    channels, frames = samples.shape
    taker = ReferenceLines(references, channels, lines, shape.size, hop, parts or Parts([(0, frames)]))
    blocks = ShortTimeSpectra(shape, hop, np.zeros(channels), [taker])
    for start in range(0, frames, call):
        blocks.add(list(samples[:, start : start + call].astype(np.float32)))
    blocks.finish()
    return taker


def plain_lines(samples: Reals, shape: Reals, hop: int, lines: slice = KEPT) -> NDArray[np.complex128]:
    """Lines of all whole blocks in double precision, shape (channels, blocks, lines)."""
    views = np.lib.stride_tricks.sliding_window_view(samples, shape.size, axis=1)[:, ::hop]
    return np.asarray(np.fft.rfft(views * shape, axis=-1)[:, :, lines])


def solved(lines: NDArray[np.complex128], references: list[int]) -> Reals:
    """G_rx^H G_rr^-1 G_rx / G_xx, one line after the other."""
    share = np.zeros((lines.shape[0], lines.shape[2]))
    for k in range(lines.shape[2]):
        x = lines[:, :, k]
        g = x.conj() @ x.T
        for channel in range(x.shape[0]):
            across = g[references, channel]
            explained = across.conj() @ np.linalg.solve(g[np.ix_(references, references)], across)
            share[channel, k] = explained.real / g[channel, channel].real
    return share


def simulated(name: WindowName, hop: int, count: int, seed: int) -> tuple[Reals, NDArray[np.int64], Reals, float]:
    """Explained shares, ranks, mean powers over the power of white noise of 1 rms, effective averages."""
    shape, samples = window(name, FRAMES), signals(FRAMES + (count - 1) * hop, seed)
    share, rank = streamed(samples, [FIRST, SECOND], shape, hop).explained()
    powers = np.mean(np.abs(plain_lines(samples, shape, hop)) ** 2, axis=1) / np.sum(shape**2)
    return share, rank, powers, effective_averages(shape, hop, all_pairs(count, FRAMES, hop))


@pytest.mark.parametrize(("name", "hop", "count"), [("rectangular", FRAMES, 8), ("hann", FRAMES // 2, 20)])
def test_the_conditioned_power_is_that_of_the_own_noise_and_scatters_as_stated(
    name: WindowName, hop: int, count: int
) -> None:
    """Without the factor n/(n - q) it would be 10 to 25 % low, with 1/sqrt(n) the scatter 5 to 15 % small."""
    left = []
    for seed in range(3):
        share, rank, powers, averages = simulated(name, hop, count, seed)
        assert np.all(rank == 2)
        left.append(conditioned(powers, share, rank, averages)[[HEARING, UNRELATED]])
    relative = np.concatenate(left, axis=1) / np.array([[OWN_RMS**2], [2.0**2]])
    assert np.mean(relative, axis=1) == pytest.approx([1.0, 1.0], rel=0.015)
    assert np.std(relative, axis=1) == pytest.approx([float(conditioned_error(2, averages))] * 2, rel=0.05)
    assert 1.0 / averages < 1.0 / (averages - 2.0) == pytest.approx(float(conditioned_error(2, averages)) ** 2)


@pytest.mark.parametrize(("name", "hop", "count"), [("rectangular", FRAMES, 12), ("hann", FRAMES // 2, 24)])
def test_unrelated_channels_exceed_the_threshold_in_five_lines_of_a_hundred(
    name: WindowName, hop: int, count: int
) -> None:
    shares, above = [], []
    for seed in range(10, 13):
        share, rank, _, averages = simulated(name, hop, count, seed)
        shares.append(share[UNRELATED])
        above.append(share[UNRELATED] > multiple_coherence_threshold(rank, averages, 0.95))
    assert np.mean(above) == pytest.approx(0.05, abs=0.012)
    assert np.mean(shares) == pytest.approx(2.0 / averages, rel=0.03)


def test_a_reference_explains_itself_wholly() -> None:
    share, rank, powers, averages = simulated("hann", FRAMES // 2, 10, 20)
    assert share[[FIRST, SECOND]] == pytest.approx(1.0, abs=1e-5)
    assert np.all(share <= 1.0)
    assert np.all(conditioned(powers, share, rank, averages)[[FIRST, SECOND]] < 1e-4 * powers[[FIRST, SECOND]])


SHORT = 256
HANN = window("hann", SHORT)
LINES = slice(2, 120)


@pytest.mark.parametrize("call", [100, 4096, 10**6])
def test_streams_of_any_calls_give_the_plain_solution(call: int) -> None:
    samples = signals(40 * SHORT)
    share, rank = streamed(samples, [FIRST, SECOND], HANN, SHORT // 2, LINES, call=call).explained()
    assert share == pytest.approx(solved(plain_lines(samples, HANN, SHORT // 2, LINES), [FIRST, SECOND]), abs=2e-5)
    assert np.all(rank == 2)


def test_only_blocks_within_the_parts_count() -> None:
    samples = signals(40 * SHORT)
    spoilt = samples.copy()
    spoilt[:, 10 * SHORT : 20 * SHORT] = 1e3 * samples[::-1, 10 * SHORT : 20 * SHORT]
    parts = Parts([(0, 10 * SHORT), (20 * SHORT, 40 * SHORT)])
    share, _ = streamed(spoilt, [FIRST, SECOND], HANN, SHORT // 2, LINES, parts).explained()
    halves = [plain_lines(each, HANN, SHORT // 2, LINES) for each in np.split(samples, [10 * SHORT, 20 * SHORT], 1)]
    expected = solved(np.concatenate([halves[0], halves[2]], axis=1), [FIRST, SECOND])
    assert share == pytest.approx(expected, abs=2e-5)


def test_the_order_and_size_of_references_do_not_matter() -> None:
    samples = signals(20 * SHORT)
    share, _ = streamed(samples, [FIRST, SECOND], HANN, SHORT, LINES).explained()
    turned, rank = streamed(samples * [[1e4], [1e-6], [1.0], [1.0]], [SECOND, FIRST], HANN, SHORT, LINES).explained()
    assert turned == pytest.approx(share, abs=2e-5)
    assert np.all(rank == 2)


@pytest.mark.parametrize("kind", ["a copy", "a weak copy", "a mixture", "silence"])
def test_references_that_add_nothing_do_not_matter(kind: str) -> None:
    samples = signals(40 * SHORT)
    mixture = 0.3 * samples[FIRST] - 0.01 * samples[SECOND]
    added = {"a copy": -3.0 * samples[FIRST], "a weak copy": 1e-5 * samples[SECOND], "a mixture": mixture}
    more = np.vstack([samples, added.get(kind, np.zeros(samples.shape[1]))])
    share, rank = streamed(more, [FIRST, 4, SECOND], HANN, SHORT // 2, LINES).explained()
    alone, _ = streamed(samples, [FIRST, SECOND], HANN, SHORT // 2, LINES).explained()
    assert np.all(rank == 2)
    assert share[:4] == pytest.approx(alone, abs=1e-4)


def test_silence_explains_nothing_and_nothing_is_explained_of_it() -> None:
    samples = signals(20 * SHORT)
    samples[[SECOND, UNRELATED]] = 0.0
    share, rank = streamed(samples, [SECOND], HANN, SHORT, LINES).explained()
    assert np.all(share == 0.0)
    assert np.all(rank == 0)
    assert conditioned(5.0, share[HEARING], rank, 10.0) == pytest.approx(5.0)
    share, _ = streamed(samples, [FIRST], HANN, SHORT, LINES).explained()
    assert np.all(share[UNRELATED] == 0.0)


def test_one_reference_gives_the_ordinary_coherence() -> None:
    samples = signals(20 * SHORT)
    lines = plain_lines(samples, HANN, SHORT // 2, LINES)
    g = np.einsum("ibk,jbk->ijk", lines.conj(), lines)
    share, rank = multiple_coherence(g[:1, :1], g[:1], np.einsum("iik->ik", g).real)
    for channel in range(4):
        expected = coherence(g[0, 0].real, g[channel, channel].real, g[0, channel])
        assert share[channel] == pytest.approx(expected, abs=1e-12)
    assert np.all(rank == 1)


@pytest.mark.parametrize("references", [1, 2, 3, 4])
def test_any_number_of_references_is_the_plain_solution(references: int) -> None:
    real, imaginary = np.random.default_rng(references).normal(size=(2, 6, 12, 40))
    lines = np.einsum("ij,jbk->ibk", np.tri(6) + 0.2, real + 1j * imaginary)
    g = np.einsum("ibk,jbk->ijk", lines.conj(), lines)
    share, _ = multiple_coherence(g[:references, :references], g[:references], np.einsum("iik->ik", g).real)
    assert share == pytest.approx(solved(lines, list(range(references))), abs=1e-10)


def test_one_reference_has_the_threshold_of_the_coherence() -> None:
    """Carter, Knapp and Nuttall (1973): 1 - (1 - P)^(1/(nd - 1))."""
    for averages in (2.0, 7.5, 32.0, 512.0):
        for probability in (0.9, 0.95, 0.99):
            found = float(multiple_coherence_threshold(1, averages, probability))
            assert found == pytest.approx(1.0 - (1.0 - probability) ** (1.0 / (averages - 1.0)), rel=1e-9)
            assert found == pytest.approx(float(coherence_threshold(averages, probability)), rel=1e-9)


@pytest.mark.parametrize("references", [2, 3])
def test_several_references_have_the_threshold_of_a_simulation(references: int) -> None:
    real, imaginary = np.random.default_rng(40 + references).normal(size=(2, references + 1, 12, 20_000))
    lines = real + 1j * imaginary
    g = np.einsum("ibk,jbk->ijk", lines.conj(), lines)
    share, rank = multiple_coherence(g[:references, :references], g[:references], np.einsum("iik->ik", g).real)
    for probability in (0.9, 0.95, 0.99):
        threshold = multiple_coherence_threshold(rank, 12.0, probability)
        assert np.mean(share[-1] > threshold) == pytest.approx(1.0 - probability, abs=0.006)


def test_too_few_averages_tell_nothing() -> None:
    assert np.all(np.isnan(conditioned(1.0, 0.5, [2, 3], 2.0)))
    assert list(multiple_coherence_threshold([0, 1, 2, 3], 2.0, 0.95)) == pytest.approx([0.0, 0.95, 1.0, 1.0])
