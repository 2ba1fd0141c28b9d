"""Averaged power spectral densities of streamed blocks (Welch's method), constant memory."""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from tapeline.acoustics.windows import Reals

BLOCKS_A_CALL = 16
"""Blocks of one channel handed to one FFT call: enough to amortise the call, small enough to stay in cache."""


def block_frames(sample_rate_hz: float, resolution_hz: float) -> int:
    """The next fast FFT length that gives at most the wanted line spacing."""
    return int(scipy.fft.next_fast_len(int(np.ceil(sample_rate_hz / resolution_hz - 1e-9)), real=True))


class AveragedSpectrum:
    """Sums squared spectra of overlapping windowed blocks as samples come in.

    `mean` (channels,) is subtracted from every sample: the mean of the whole recording part, the only detrending.
    """

    def __init__(self, shape: Reals, hop_frames: int, mean: Reals) -> None:
        self.hop_frames = hop_frames
        self.blocks = 0
        self._window = shape.astype(np.float32)
        self._energy = float(np.sum(shape.astype(np.float64) ** 2))
        self._mean = mean.astype(np.float64)
        self._rest = np.zeros((mean.size, 0), dtype=np.float32)
        self._sum = np.zeros((mean.size, shape.size // 2 + 1))

    def add(self, samples: NDArray[np.float32]) -> None:
        """Take in samples, float32 of shape (channels, frames), continuing where the last call ended."""
        centred = (samples - self._mean[:, None]).astype(np.float32)
        held = np.concatenate([self._rest, centred], axis=1)
        frames = self._window.size
        count = max(0, (held.shape[1] - frames) // self.hop_frames + 1)
        if count:
            views = np.lib.stride_tricks.sliding_window_view(held, frames, axis=1)[:, :: self.hop_frames]
            for first in range(0, count, BLOCKS_A_CALL):
                for channel in range(held.shape[0]):
                    blocks = views[channel, first : min(first + BLOCKS_A_CALL, count)] * self._window
                    lines = scipy.fft.rfft(blocks, axis=-1)
                    power = lines.real**2 + lines.imag**2
                    self._sum[channel] += power.sum(axis=0, dtype=np.float64)
        self.blocks += count
        self._rest = held[:, count * self.hop_frames :].copy()

    def density(self, sample_rate_hz: float) -> Reals:
        """One-sided power spectral density, window-power-corrected, shape (channels, lines), in unit^2/Hz.

        Raises ValueError when not one whole block came in.
        """
        if self.blocks == 0:
            raise ValueError("not one whole block of samples to average")
        density = self._sum * (2.0 / (self.blocks * sample_rate_hz * self._energy))
        density[:, 0] *= 0.5
        if self._window.size % 2 == 0:
            density[:, -1] *= 0.5
        return density
