"""Averaged cross-spectral matrices of streamed blocks, constant memory, and the statistics that go with them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import BLOCKS_A_CALL, Lines
from tapeline.acoustics.windows import one_sided_factors
from tapeline.arrays import Reals

BLOCKS_A_PRODUCT = 32
"""Blocks summed in single precision before the double-precision sum takes over: few enough to lose nothing."""

LINES_A_PRODUCT = 64
"""Lines of one batch of products: with 64 channels the batch, 1 MiB, is added up while still in cache."""

_TURN = np.complex64(1.0 - 1.0j)


class CrossSpectra:
    """Sums G[k, i, j] = conj(X_i) X_j of the lines `first_line` to `last_line` over windowed, transformed blocks.

    X is numpy's forward transform, sum of x e^(-2 pi i f t): where channel j receives later by tau what channel i
    receives, the phase of G_ij is -2 pi f tau. The phase of G_ij is thus that of j less that of i, positive where j
    leads, and G_ij / G_ii is the response from i to j.

    G is Hermitian, so one real number an entry holds it all: kept is M = Re G + Im G, whose transpose is Re G - Im G,
    and M_ij = Re(conj(X_i) X_j (1 - 1i)) is a single real matrix product of half the operations of the complex one.
    Memory: 8 bytes a line and channel pair, 66 MB for 64 channels and 2,000 lines, and while adding a few MB.
    """

    def __init__(self, channels: int, block_frames: int, first_line: int, last_line: int) -> None:
        """Lines are counted as rfft counts them, both ends included.

        Raises ValueError when they are not lines of blocks of `block_frames` samples.
        """
        if not 0 <= first_line <= last_line <= block_frames // 2:
            raise ValueError(
                f"lines {first_line} to {last_line} asked for, a block of {block_frames} samples has "
                f"lines 0 to {block_frames // 2}"
            )
        self.kept = slice(first_line, last_line + 1)
        self.blocks = 0
        self._factors = one_sided_factors(first_line, last_line, block_frames)
        self._sum = np.zeros((last_line + 1 - first_line, channels, channels))

    def add(self, lines: NDArray[np.complex64]) -> None:
        """Take in the transforms of windowed blocks, complex64 of shape (channels, blocks, lines in `kept`).

        Raises ValueError for another number of channels or lines.
        """
        count, channels, _ = self._sum.shape
        if lines.ndim != 3 or (lines.shape[0], lines.shape[2]) != (channels, count):
            raise ValueError(f"lines of shape {lines.shape} handed in, expected ({channels}, blocks, {count})")
        for first in range(0, lines.shape[1], BLOCKS_A_PRODUCT):
            for low in range(0, count, LINES_A_PRODUCT):
                part = lines[:, first : first + BLOCKS_A_PRODUCT, low : low + LINES_A_PRODUCT]
                here = np.ascontiguousarray(part.transpose(2, 0, 1), dtype=np.complex64)
                turned = here * _TURN
                # Real and imaginary parts side by side are twice as many real columns; their product is the real part.
                product = here.view(np.float32) @ turned.view(np.float32).transpose(0, 2, 1)
                self._sum[low : low + LINES_A_PRODUCT] += product
        self.blocks += lines.shape[1]

    def matrix(self, sample_rate_hz: float, window_energy: float, lines: slice = slice(None)) -> NDArray[np.complex128]:
        """One-sided cross-spectral densities in unit^2/Hz, shape (lines, channels, channels), Hermitian.

        `window_energy` is the sum of the squared window; lines 0 and Nyquist are not doubled, so that the diagonal is
        `AveragedSpectrum.density`. `lines` picks from the kept range: 2,000 lines of 64 channels take 131 MB.
        Raises ValueError when no block came in.
        """
        scale = self._scale(sample_rate_hz, window_energy)[lines, None, None]
        both = self._sum[lines]
        density = np.empty(both.shape, dtype=np.complex128)
        np.add(both, both.transpose(0, 2, 1), out=density.real)
        np.subtract(both, both.transpose(0, 2, 1), out=density.imag)
        density *= 0.5 * scale
        return density

    def pair(self, i: int, j: int, sample_rate_hz: float, window_energy: float) -> NDArray[np.complex128]:
        """Entry (i, j) of `matrix` for all lines of the range, shape (lines,); raises the same errors."""
        one, other = self._sum[:, i, j], self._sum[:, j, i]
        return np.asarray(((one + other) + 1j * (one - other)) * (0.5 * self._scale(sample_rate_hz, window_energy)))

    def auto(self, sample_rate_hz: float, window_energy: float) -> Reals:
        """Diagonal of `matrix`: power spectral densities of shape (channels, lines); raises the same errors."""
        return np.asarray(np.diagonal(self._sum, axis1=1, axis2=2).T * self._scale(sample_rate_hz, window_energy))

    def _scale(self, sample_rate_hz: float, window_energy: float) -> Reals:
        """From sums to one-sided densities, one factor a line."""
        if self.blocks == 0:
            raise ValueError("not one block to average")
        return self._factors / (self.blocks * sample_rate_hz * window_energy)


def coherence(g_xx: ArrayLike, g_yy: ArrayLike, g_xy: ArrayLike) -> Reals:
    """Magnitude-squared coherence |G_xy|^2 / (G_xx G_yy), 0 to 1; NaN where either power is zero.

    Bendat and Piersol, Random Data. Rounding beyond 1 is cut off; the estimate's bias is not.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        # Divided in turn: the product of two small powers may be too small a number, their roots are not.
        share = np.abs(g_xy) / np.sqrt(np.asarray(g_xx, float)) / np.sqrt(np.asarray(g_yy, float))
    return np.asarray(np.minimum(share**2, 1.0))


def coherence_threshold(effective_averages: ArrayLike, probability: float) -> Reals:
    """Coherence that unrelated signals stay below with the given probability: 1 - (1 - P)^(1/(nd - 1)).

    From the distribution of the estimate at zero coherence (Carter, Knapp and Nuttall 1973); nd the independent
    averages, for overlapping blocks `windows.effective_averages`. A single average gives 1: it tells nothing.
    Raises ValueError for fewer than one average or a probability not between 0 and 1.
    """
    averages = np.asarray(effective_averages, dtype=np.float64)
    if not np.all(averages >= 1.0):
        raise ValueError(f"{np.min(averages):g} effective averages; statistics of coherence begin at one")
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability {probability} is not between 0 and 1")
    with np.errstate(divide="ignore"):
        return np.asarray(-np.expm1(np.log1p(-probability) / (averages - 1.0)))


class CrossLines:
    """Cross-spectral sums, in `spectra`, of the `chosen` channels over the blocks wholly within one of the `parts`."""

    margins = False

    def __init__(
        self, spectra: CrossSpectra, chosen: Sequence[int], block_frames: int, hop_frames: int, parts: Parts
    ) -> None:
        self._spectra = spectra
        self._place = {channel: place for place, channel in enumerate(chosen)}
        self._frames, self._hop, self._parts = block_frames, hop_frames, parts
        kept = spectra.kept.stop - spectra.kept.start
        self._gathered = np.empty((len(chosen), BLOCKS_A_CALL, kept), dtype=np.complex64)

    def open(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        self._used = self._parts.blocks(first, count, self._hop, self._frames) - first

    def take(self, channel: int, first: int, lines: Lines) -> None:
        """See SpectrumConsumer."""
        if channel in self._place:
            self._gathered[self._place[channel], : lines.shape[0]] = lines[:, self._spectra.kept]

    def close(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        if self._used.size:
            self._spectra.add(self._gathered[:, self._used])

    def finish(self, frames: int) -> None:
        """See SpectrumConsumer; nothing is left to do."""
