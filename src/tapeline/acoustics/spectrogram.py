"""Spectra against time: averages of a few blocks each, constant memory but for what is kept."""

from __future__ import annotations

import numpy as np

from tapeline.acoustics.short_time_spectra import Lines
from tapeline.acoustics.windows import one_sided_factors
from tapeline.arrays import Reals


class Spectrogram:
    """Means over `blocks_a_column` blocks after the other, of the lines `first_line` to `last_line`.

    Column i is the mean of blocks i n to (i + 1) n - 1, n = `blocks_a_column`; the last one needs all its blocks.
    """

    margins = False

    def __init__(
        self, shape: Reals, hop_frames: int, channels: int, blocks_a_column: int, first_line: int, last_line: int
    ) -> None:
        self._frames, self._hop, self._n = shape.size, hop_frames, blocks_a_column
        self._energy = float(np.sum(shape**2))
        self._kept = slice(first_line, last_line + 1)
        self._factors = one_sided_factors(first_line, last_line, shape.size)
        self._open = np.zeros((channels, last_line + 1 - first_line))
        self._columns: list[Reals] = []

    def open(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        self._starts = np.concatenate([[0], np.arange(-first % self._n or self._n, count, self._n)])
        self._gathered = np.empty((self._open.shape[0], self._starts.size, self._open.shape[1]))

    def take(self, channel: int, first: int, lines: Lines) -> None:
        """See SpectrumConsumer."""
        kept = lines[:, self._kept]
        squares = kept.real.astype(np.float64) ** 2 + kept.imag.astype(np.float64) ** 2
        self._gathered[channel] = np.add.reduceat(squares, self._starts, axis=0)

    def close(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        ends = [*(self._starts[1:] + first).tolist(), first + count]
        for place, end in enumerate(ends):
            self._open += self._gathered[:, place]
            if end % self._n == 0:
                self._columns.append(self._open / self._n)
                self._open = np.zeros_like(self._open)

    def finish(self, frames: int) -> None:
        """See SpectrumConsumer; nothing is left to do."""

    def columns(self, sample_rate_hz: float) -> Reals:
        """One-sided power spectral densities in unit^2/Hz, shape (channels, columns, lines)."""
        if not self._columns:
            return np.zeros((self._open.shape[0], 0, self._open.shape[1]))
        return np.stack(self._columns, axis=1) * self._factors / (sample_rate_hz * self._energy)

    def frames_of(self, column: int) -> tuple[int, int]:
        """First frame and end of what a column is the mean of."""
        start = column * self._n * self._hop
        return start, start + (self._n - 1) * self._hop + self._frames
