"""What reference sensors explain of the other channels: multiple coherence and conditioned spectra, streamed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy.special
from numpy.typing import ArrayLike, NDArray

from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import BLOCKS_A_CALL, Lines
from tapeline.arrays import Reals
from tapeline.limits import REFERENCE_OWN_POWER_SHARE


class ReferenceLines:
    """Cross-spectral sums of some reference channels with each other and with all channels, line by line.

    Memory: 16 bytes a line, reference and channel, and the lines of one call of blocks in single precision: for four
    references, 64 channels and 10,000 lines 41 MB and 61 MB.
    """

    margins = False

    def __init__(
        self,
        references: Sequence[int],
        channels: int,
        lines: slice,
        block_frames: int,
        hop_frames: int,
        parts: Parts,
    ) -> None:
        self._references, self._lines = list(references), lines
        self._frames, self._hop, self._parts = block_frames, hop_frames, parts
        count = lines.stop - lines.start
        self._gathered = np.empty((channels, BLOCKS_A_CALL, count), dtype=np.complex64)
        self._products = np.zeros((len(self._references), channels, count), dtype=np.complex128)
        self._powers = np.zeros((channels, count))

    def open(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        self._used = self._parts.blocks(first, count, self._hop, self._frames) - first

    def take(self, channel: int, first: int, lines: Lines) -> None:
        """See SpectrumConsumer."""
        self._gathered[channel, : lines.shape[0]] = lines[:, self._lines]

    def close(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        for channel, gathered in enumerate(self._gathered):
            here = gathered[self._used]
            self._powers[channel] += np.einsum("bk,bk->k", here.real, here.real)
            self._powers[channel] += np.einsum("bk,bk->k", here.imag, here.imag)
            for place, reference in enumerate(self._references):
                self._products[place, channel] += np.einsum(
                    "bk,bk->k", self._gathered[reference, self._used].conj(), here
                )

    def finish(self, frames: int) -> None:
        """See SpectrumConsumer; nothing is left to do."""

    def explained(self) -> tuple[Reals, NDArray[np.int64]]:
        """Multiple coherence of every channel with the references, see `multiple_coherence`."""
        return multiple_coherence(self._products[:, self._references], self._products, self._powers)


def multiple_coherence(
    among: NDArray[np.complex128], across: NDArray[np.complex128], powers: Reals
) -> tuple[Reals, NDArray[np.int64]]:
    """Multiple coherence of each channel with the references, and how many references are independent.

    `among` (references, references, lines), `across` (references, channels, lines) and `powers` (channels, lines) are
    sums or means of conj(R) R, conj(R) X and |X|^2 over the same blocks. Returns shares (channels, lines), 0 to 1, and
    the rank of the references, (lines,). G_rx^H G_rr^-1 G_rx / G_xx, Bendat and Piersol, Random Data (conditioned
    spectra of multiple-input systems). References that others explain add nothing: the inverse leaves them out.
    """
    count = among.shape[0]
    matrix = np.moveaxis(among, 2, 0)
    size = np.sqrt(np.maximum(np.einsum("krr->kr", matrix.real), 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(size > 0.0, 1.0 / size, 0.0)
    alike = matrix * scale[:, :, None] * scale[:, None, :]
    values, vectors = np.linalg.eigh(alike)
    kept = values > REFERENCE_OWN_POWER_SHARE * count
    rank = kept.sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = np.where(kept, 1.0 / np.sqrt(values), 0.0)
        # Rows of unit power, independent of each other, that span the references' lines.
        spanning = np.einsum("krs,ks->ksr", vectors.conj(), inverse) * scale[:, None, :]
    share = np.zeros(powers.shape)
    for channel in range(across.shape[1]):
        projected = np.einsum("ksr,rk->ks", spanning, across[:, channel])
        with np.errstate(divide="ignore", invalid="ignore"):
            share[channel] = np.sum(np.abs(projected) ** 2, axis=1) / powers[channel]
    return np.clip(np.nan_to_num(share), 0.0, 1.0), rank


def conditioned(total: ArrayLike, multiple: ArrayLike, rank: ArrayLike, effective_averages: float) -> Reals:
    """Power that the references do not explain, without bias: (1 - g^2) G n / (n - q); shapes broadcast.

    A fit of q references to n averages explains q/n of unrelated power by chance. NaN where n does not exceed q.
    """
    free = effective_averages - np.asarray(rank, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        kept = np.asarray(total) * (1.0 - np.asarray(multiple)) * effective_averages / free
    return np.asarray(np.where(free > 0.0, kept, np.nan))


def conditioned_error(rank: ArrayLike, effective_averages: float) -> Reals:
    """Standard error of a conditioned line relative to it: 1 / sqrt(n - q) (Bendat and Piersol, Random Data)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(1.0 / np.sqrt(effective_averages - np.asarray(rank, dtype=np.float64)))


def multiple_coherence_threshold(rank: ArrayLike, effective_averages: float, probability: float) -> Reals:
    """Multiple coherence that unrelated references stay below: the estimate is beta distributed, (q, n - q).

    Carter, Knapp and Nuttall (1973) for one reference, where it is 1 - (1 - P)^(1/(n - 1)); its F form for several
    (Bendat and Piersol, from memory). 1 where n does not exceed q, 0 without references.
    """
    q = np.asarray(rank, dtype=np.float64)
    free = effective_averages - q
    found = scipy.special.betaincinv(np.maximum(q, 1.0), np.where(free > 0.0, free, 1.0), probability)
    return np.where(q == 0.0, 0.0, np.where(free > 0.0, found, 1.0))
