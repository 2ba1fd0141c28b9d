"""Averaged power spectral densities of streamed blocks (Welch's method), constant memory."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import BLOCKS_A_CALL, Lines
from tapeline.acoustics.windows import one_sided_factors
from tapeline.arrays import Reals


class AveragedSpectrum:
    """Averaged power spectral density of the blocks that lie wholly within one of the `parts` of a stream (None: all).

    Squares are summed in single precision over the blocks of one call, 12 at most, and in double precision from there.
    """

    margins = False

    def __init__(
        self, shape: Reals, hop_frames: int, channels: int, parts: Parts | None = None, *, spread: bool = True
    ) -> None:
        self.hop_frames = hop_frames
        self._frames = shape.size
        self._energy = float(np.sum(shape.astype(np.float64) ** 2))
        self._parts = parts
        self._sum = np.zeros((channels, shape.size // 2 + 1))
        self._sum_of_squares = np.zeros(self._sum.shape) if spread else None
        self._work = np.empty((2, BLOCKS_A_CALL, shape.size // 2 + 1), dtype=np.float32)
        self._used: list[int] = []
        self._inside: NDArray[np.int64] = np.zeros(0, dtype=np.int64)

    @property
    def blocks(self) -> int:
        """How many blocks were averaged."""
        return len(self._used)

    def open(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        if self._parts is None:
            self._inside = np.arange(first, first + count)
        else:
            self._inside = self._parts.blocks(first, count, self.hop_frames, self._frames)

    def take(self, channel: int, first: int, lines: Lines) -> None:
        """See SpectrumConsumer."""
        if self._inside.size < lines.shape[0]:
            lines = lines[self._inside - first]
        powers, imaginary = self._work[:, : lines.shape[0]]
        np.square(lines.real, out=powers)
        powers += np.square(lines.imag, out=imaginary)
        self._sum[channel] += powers.sum(axis=0)
        if self._sum_of_squares is not None:
            self._sum_of_squares[channel] += np.einsum("bk,bk->k", powers, powers)

    def close(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        self._used.extend(self._inside.tolist())

    def finish(self, frames: int) -> None:
        """See SpectrumConsumer; nothing is left to do."""

    @property
    def covered(self) -> Parts:
        """The ranges of frames that the averaged blocks cover."""
        return Parts((block * self.hop_frames, block * self.hop_frames + self._frames) for block in self._used)

    def pairs(self) -> tuple[int, ...]:
        """How many pairs of averaged blocks lie 0, 1, 2 ... hops apart, as far as blocks overlap."""
        reach = -(-self._frames // self.hop_frames)
        used = np.asarray(self._used, dtype=np.int64)
        return tuple(int(np.isin(used + lag, used, assume_unique=True).sum()) for lag in range(reach))

    def density(self, sample_rate_hz: float) -> Reals:
        """One-sided power spectral density, window-power-corrected, shape (channels, lines), in unit^2/Hz.

        Raises ValueError when not one whole block came in.
        """
        if self.blocks == 0:
            raise ValueError("not one whole block of samples to average")
        factors = one_sided_factors(0, self._frames // 2, self._frames)
        return self._sum * factors / (self.blocks * sample_rate_hz * self._energy)

    def relative_spread(self) -> Reals:
        """Standard deviation of each line's power over the blocks, over its mean, shape (channels, lines).

        1 for steady Gaussian noise, 0 for a steady tone, more for what comes and goes. NaN for fewer than two blocks,
        for lines without power, and where no `spread` was asked for.
        """
        count = self.blocks
        if count < 2 or self._sum_of_squares is None:
            return np.full(self._sum.shape, np.nan)
        mean = self._sum / count
        variance = np.maximum(self._sum_of_squares / count - mean**2, 0.0) * count / (count - 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.sqrt(variance) / mean)
