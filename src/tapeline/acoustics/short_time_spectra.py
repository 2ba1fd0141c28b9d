"""Overlapping windowed blocks of streamed samples, whose spectral lines go to every consumer."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.limits import WHOLE_NUMBER_WITHIN_UNITS

Lines = NDArray[np.complex64]

BLOCKS_A_CALL = 12
"""Most blocks of one channel in one FFT call: enough to fill the processor's lanes, few enough to stay in cache."""

LANES = 4
"""Blocks go into an FFT call by so many: the library transforms that many at once, twice as fast as one by one."""

HELD_FRAMES = 131_072
"""Frames of each channel, beside one block, that may wait until a call is full."""

PIECE_FRAMES = 16_384
"""Most frames that are taken in before blocks are handed over."""


class SpectrumConsumer(Protocol):
    """A consumer of the spectral lines of blocks, which come channel by channel in the order of time.

    `margins` asks for two more kinds of blocks, filled up with zeros: number -1, half before the first sample, and
    those that reach beyond the last one.
    """

    margins: bool

    def open(self, first: int, count: int) -> None:
        """The lines of blocks `first` to `first + count - 1` come next, of all channels."""

    def take(self, channel: int, first: int, lines: Lines) -> None:
        """Lines (blocks, lines) of blocks `first`, `first` + 1 ... of one channel."""

    def close(self, first: int, count: int) -> None:
        """All channels of these blocks were handed over."""

    def finish(self, frames: int) -> None:
        """The stream ended after so many frames."""


def block_frames(sample_rate_hz: float, resolution_hz: float) -> int:
    """The next fast FFT length that gives at most the wanted line spacing."""
    return int(
        scipy.fft.next_fast_len(int(np.ceil(sample_rate_hz / resolution_hz - WHOLE_NUMBER_WITHIN_UNITS)), real=True)
    )


def lines_within(range_hz: tuple[float, float], step_hz: float, frames: int) -> tuple[int, int]:
    """First and last line of blocks of `frames` samples in a range; without any, the first is beyond the last."""
    low, high = range_hz
    return int(np.ceil(low / step_hz - WHOLE_NUMBER_WITHIN_UNITS)), min(
        frames // 2, int(high / step_hz + WHOLE_NUMBER_WITHIN_UNITS)
    )


class ShortTimeSpectra:
    """Spectra of blocks of `shape.size` frames, `hop_frames` apart, times the window `shape`.

    Block i starts at frame i hop. `mean` (channels,) is subtracted from every sample: the mean of the whole recording
    part, the only detrending. Samples and lines are single precision.
    """

    def __init__(self, shape: Reals, hop_frames: int, mean: Reals, takers: Sequence[SpectrumConsumer]) -> None:
        self._window = shape.astype(np.float32)
        self._hop = hop_frames
        self._mean = mean.astype(np.float32)
        self._takers = takers
        self._lead = hop_frames if any(taker.margins for taker in takers) else 0
        self._a_call = max(1, min(BLOCKS_A_CALL, HELD_FRAMES // hop_frames) // LANES * LANES)
        held = self._lead + shape.size + self._a_call * hop_frames + PIECE_FRAMES
        self._held = np.zeros((mean.size, held), dtype=np.float32)
        self._count = self._lead
        self._next = -1 if self._lead else 0
        self._frames = 0
        self._work = np.empty((self._a_call, shape.size), dtype=np.float32)

    def add(self, samples: Iterable[NDArray[np.float32]]) -> None:
        """Take in one row of samples a channel, all equally long, continuing where the last call ended."""
        rows = list(samples)
        frames = rows[0].size if rows else 0
        for start in range(0, frames, PIECE_FRAMES):
            stop = min(start + PIECE_FRAMES, frames)
            into = slice(self._count, self._count + stop - start)
            for channel, row in enumerate(rows):
                np.subtract(row[start:stop], self._mean[channel], out=self._held[channel, into])
            self._count = into.stop
            self._frames += stop - start
            self._hand_over(self._takers, self._a_call)

    def finish(self) -> None:
        """Hand over the remaining blocks, and those beyond the end to consumers with `margins`; call once."""
        self._hand_over(self._takers, 1)
        eager = [taker for taker in self._takers if taker.margins]
        while eager and self._next * self._hop < self._frames:
            self._held[:, self._count : self._count + self._window.size] = 0.0
            self._count += self._hop
            self._hand_over(eager, 1)
        for taker in self._takers:
            taker.finish(self._frames)

    def _hand_over(self, takers: Sequence[SpectrumConsumer], least: int) -> None:
        """Pass on the blocks that are whole by now, if there are `least` of them, and keep what later ones need."""
        used = 0
        while (whole := (self._count - used - self._window.size) // self._hop + 1) >= least:
            lead = self._next < 0
            count = 1 if lead else min(whole, self._a_call)
            self._transform(used, count, [taker for taker in takers if taker.margins or not lead])
            self._next += count
            used += count * self._hop
        if used:
            self._held[:, : self._count - used] = self._held[:, used : self._count]
            self._count -= used

    def _transform(self, start: int, count: int, takers: Sequence[SpectrumConsumer]) -> None:
        frames, work = self._window.size, self._work[:count]
        stop = start + frames + (count - 1) * self._hop
        for taker in takers:
            taker.open(self._next, count)
        views = np.lib.stride_tricks.sliding_window_view(self._held[:, start:stop], frames, axis=1)[:, :: self._hop]
        for channel, blocks in enumerate(views):
            lines: Lines = scipy.fft.rfft(np.multiply(blocks, self._window, out=work), axis=-1)
            for taker in takers:
                taker.take(channel, self._next, lines)
        for taker in takers:
            taker.close(self._next, count)
