"""Cross-spectra of streams: how blocks are handed in, long sums, picking of lines and pairs, what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tapeline.acoustics.cross_spectra import CrossSpectra, coherence, coherence_threshold

CHANNELS, LINES = 5, 150
RATE_HZ, ENERGY = 1000.0, 96.0


def block_lines(blocks: int, seed: int = 0) -> NDArray[np.complex64]:
    """Related lines of very unlike powers, shape (channels, blocks, lines)."""
    real, imaginary = np.random.default_rng(seed).normal(size=(2, CHANNELS, blocks, LINES))
    mixed = np.tensordot(np.tri(CHANNELS) + 0.3, real + 1j * imaginary, axes=1)
    return (mixed * 10.0 ** np.arange(-2.0, CHANNELS - 2.0)[:, None, None]).astype(np.complex64)


def collected(parts: list[NDArray[np.complex64]]) -> CrossSpectra:
    """Spectra of lines 0 to LINES - 1, the last one not Nyquist's, handed in part by part."""
    spectra = CrossSpectra(CHANNELS, 2 * LINES, 0, LINES - 1)
    for part in parts:
        spectra.add(part)
    return spectra


def expected(lines: NDArray[np.complex64]) -> NDArray[np.complex128]:
    """The definition, one-sided: mean of conj(X_i) X_j over blocks in double precision."""
    x = lines.astype(np.complex128)
    g = np.einsum("ibk,jbk->kij", x.conj(), x) * 2.0 / (lines.shape[1] * RATE_HZ * ENERGY)
    g[0] *= 0.5
    return np.asarray(g)


def relative(difference: NDArray[np.complex128], g: NDArray[np.complex128]) -> float:
    """Largest difference relative to the geometric mean of both channels' powers."""
    power = np.diagonal(g, axis1=1, axis2=2).real
    return float(np.max(np.abs(difference) / np.sqrt(power[:, :, None] * power[:, None, :])))


@pytest.mark.parametrize("sizes", [[100], [1] * 100, [16] * 6 + [4], [33, 67], [0, 99, 1]])
def test_spectra_are_the_definition_however_blocks_are_handed_in(sizes: list[int]) -> None:
    lines = block_lines(100)
    parts = np.split(lines, np.cumsum(sizes)[:-1], axis=1)
    spectra = collected(parts)
    g = spectra.matrix(RATE_HZ, ENERGY)
    assert spectra.blocks == 100
    assert relative(g - expected(lines), expected(lines)) < 1e-6


def test_long_sums_lose_nothing() -> None:
    """A loud block in front and thousands of quiet ones: a running single-precision sum would drop a part of each."""
    loud, quiet = 4000.0 * block_lines(1), block_lines(16, seed=1)
    spectra = collected([loud, *[quiet] * 500])
    repeated = expected(quiet) * 8000.0 / 8001.0 + expected(loud) / 8001.0
    assert relative(spectra.matrix(RATE_HZ, ENERGY) - repeated, repeated) < 1e-6
    running = np.zeros_like(quiet[:, 0])
    for part in [np.sum(np.abs(loud) ** 2, axis=1), *[np.sum(np.abs(quiet) ** 2, axis=1)] * 500]:
        running = (running + part).astype(np.complex64)
    single = running.T.real * 2.0 / (8001.0 * RATE_HZ * ENERGY)
    power = np.diagonal(repeated, axis1=1, axis2=2).real
    assert np.max(np.abs(single[1:] / power[1:] - 1.0)) > 1e-6


def test_matrices_are_hermitian_with_a_real_positive_diagonal() -> None:
    g = collected([block_lines(7)]).matrix(RATE_HZ, ENERGY)
    assert np.array_equal(g, g.conj().transpose(0, 2, 1))
    diagonal = np.diagonal(g, axis1=1, axis2=2)
    assert np.all(diagonal.imag == 0.0)
    assert np.all(diagonal.real > 0.0)


def test_pairs_diagonals_and_picked_lines_are_those_of_the_matrix() -> None:
    spectra = collected([block_lines(9)])
    g = spectra.matrix(RATE_HZ, ENERGY)
    for i in range(CHANNELS):
        assert spectra.auto(RATE_HZ, ENERGY)[i] == pytest.approx(g[:, i, i].real, rel=1e-12)
        for j in range(CHANNELS):
            assert np.allclose(spectra.pair(i, j, RATE_HZ, ENERGY), g[:, i, j], rtol=1e-12, atol=0.0)
    assert np.array_equal(spectra.matrix(RATE_HZ, ENERGY, slice(40, 45)), g[40:45])


def test_a_chosen_range_holds_the_same_lines_as_the_whole() -> None:
    lines = block_lines(9)
    part = CrossSpectra(CHANNELS, 2 * LINES, 20, 99)
    part.add(lines[:, :, part.kept])
    whole = collected([lines]).matrix(RATE_HZ, ENERGY)
    assert relative(part.matrix(RATE_HZ, ENERGY) - whole[20:100], whole[20:100]) < 1e-6


@pytest.mark.parametrize(("frames", "doubled"), [(2 * LINES - 2, False), (2 * LINES - 1, True)])
def test_only_lines_with_a_mirror_image_are_doubled(frames: int, doubled: bool) -> None:
    spectra = CrossSpectra(CHANNELS, frames, 0, LINES - 1)
    spectra.add(block_lines(3))
    g = expected(block_lines(3))
    g[-1] *= 1.0 if doubled else 0.5
    assert relative(spectra.matrix(RATE_HZ, ENERGY) - g, g) < 1e-6


def test_a_channel_in_itself_is_wholly_coherent_and_silence_has_no_coherence() -> None:
    lines = block_lines(4)
    lines[1] = 3.0 * lines[0]
    lines[2] = 0.0
    g = collected([lines]).matrix(RATE_HZ, ENERGY)
    same = coherence(g[:, 0, 0].real, g[:, 1, 1].real, g[:, 0, 1])
    assert same == pytest.approx(np.ones(LINES), abs=1e-6)
    assert np.all(same <= 1.0)
    assert np.all(np.isnan(coherence(g[:, 0, 0].real, g[:, 2, 2].real, g[:, 0, 2])))


def test_coherence_of_powers_near_the_smallest_numbers() -> None:
    assert float(coherence(4e-200, 9e-200, 3e-200j)) == pytest.approx(0.25)


def test_refusals_name_what_was_found_and_expected() -> None:
    with pytest.raises(ValueError, match="lines 3 to 9 asked for, a block of 16 samples has lines 0 to 8"):
        CrossSpectra(2, 16, 3, 9)
    spectra = CrossSpectra(2, 16, 3, 8)
    with pytest.raises(ValueError, match=r"shape \(2, 1, 9\) handed in, expected \(2, blocks, 6\)"):
        spectra.add(np.zeros((2, 1, 9), dtype=np.complex64))
    for read in (
        lambda: spectra.matrix(1.0, 1.0),
        lambda: spectra.pair(0, 1, 1.0, 1.0),
        lambda: spectra.auto(1.0, 1.0),
    ):
        with pytest.raises(ValueError, match="not one block"):
            read()
    with pytest.raises(ValueError, match=r"0\.5 effective averages"):
        coherence_threshold([4.0, 0.5], 0.95)
    with pytest.raises(ValueError, match="probability 95"):
        coherence_threshold(10.0, 95.0)


def test_a_single_average_tells_nothing() -> None:
    """One average has coherence 1 by construction, and the threshold says so."""
    assert float(coherence_threshold(1.0, 0.95)) == 1.0
