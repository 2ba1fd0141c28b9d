"""Weighted level against time, streamed: energy means over equal intervals, and the time weightings F and S."""

from __future__ import annotations

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from tapeline.acoustics.time_weighting import FAST_S, SLOW_S, ExponentialMean
from tapeline.acoustics.windows import Reals, window

STEP_S = 0.002
"""Powers go into the time weightings as means over some 2 ms, 1/60 of the shorter time constant (own choice)."""


class WeightedHistory:
    """Filters streamed samples by given line weights and averages their square over intervals.

    The filter works in overlapping Hann blocks (half a block apart, whose windows add to one): each block's spectrum is
    multiplied by `magnitude` and transformed back. Times are those of the incoming samples.
    `magnitude` has the shape (weightings, channels, block // 2 + 1).
    """

    def __init__(
        self, magnitude: Reals, block_frames: int, interval_frames: float, mean: Reals, sample_rate_hz: float
    ) -> None:
        if block_frames % 2:
            raise ValueError("the block length must be even")
        self._magnitude = magnitude.astype(np.float32)
        self._window = window("hann", block_frames).astype(np.float32)
        self._interval = interval_frames
        self._mean = mean
        weightings, channels = magnitude.shape[:2]
        self._rest = np.zeros((channels, block_frames // 2), dtype=np.float32)
        self._tail = np.zeros((weightings, channels, block_frames // 2), dtype=np.float32)
        self._position = -(block_frames // 2)
        self._squares: list[Reals] = []
        self._open = np.zeros((weightings, channels))
        self._open_frames = 0
        self._frames = 0
        steps = max(1, round(block_frames / 2 / sample_rate_hz / STEP_S))
        self._step_edges = np.round(np.arange(steps) * (block_frames / 2 / steps)).astype(np.int64)
        self._step_frames = np.diff(self._step_edges, append=block_frames // 2)
        step = block_frames / 2 / steps
        shape = (weightings, channels)
        self._fast, self._slow = (
            ExponentialMean(shape, step, constant * sample_rate_hz, interval_frames) for constant in (FAST_S, SLOW_S)
        )

    def add(self, samples: NDArray[np.float32]) -> None:
        """Take in samples, float32 of shape (channels, frames)."""
        self._frames += samples.shape[1]
        self._filter((samples - self._mean[:, None]).astype(np.float32))

    def _filter(self, centred: NDArray[np.float32]) -> None:
        held = np.concatenate([self._rest, centred], axis=1)
        half = self._window.size // 2
        whole = held.shape[1] // half - 1
        for k in range(max(0, whole)):
            self._block(held[:, k * half : (k + 2) * half])
        self._rest = held[:, max(0, whole) * half :].copy()

    def _block(self, block: NDArray[np.float32]) -> None:
        half = self._window.size // 2
        lines = scipy.fft.rfft(block * self._window, axis=-1)
        for w in range(self._magnitude.shape[0]):
            filtered = scipy.fft.irfft(lines * self._magnitude[w], n=self._window.size, axis=-1)
            self._tail[w] += filtered[:, :half]
            if w == 0:
                ready = np.empty_like(self._tail)
            ready[w] = self._tail[w]
            self._tail[w] = filtered[:, half:]
        self._collect(ready)

    def _collect(self, ready: NDArray[np.float32]) -> None:
        """Sum squares into intervals; interval i covers frames round(i d) to round((i + 1) d)."""
        if self._position < 0:
            self._position += self._window.size // 2
            return
        in_steps = np.add.reduceat(ready * ready, self._step_edges, axis=-1) / self._step_frames
        self._fast.add(in_steps)
        self._slow.add(in_steps)
        start = 0
        while start < ready.shape[-1]:
            stop_frame = round((len(self._squares) + 1) * self._interval)
            take = min(ready.shape[-1] - start, stop_frame - self._position)
            part = ready[..., start : start + take].astype(np.float64)
            self._open += np.sum(part * part, axis=-1)
            self._open_frames += take
            self._position += take
            start += take
            if self._position == stop_frame:
                self._squares.append(self._open / self._open_frames)
                self._open, self._open_frames = np.zeros_like(self._open), 0

    @property
    def _whole(self) -> int:
        return int(np.floor(self._frames / self._interval + 1e-9))

    def fast(self) -> tuple[Reals, Reals]:
        """F-weighted powers at the end of each whole interval, and the largest in it; after `powers`.

        Both of shape (weightings, channels, intervals), NaN while the mean is still settling.
        """
        return self._fast.at_ends(self._whole), self._fast.largest(self._whole)

    def slow(self) -> tuple[Reals, Reals]:
        """As `fast`, S-weighted."""
        return self._slow.at_ends(self._whole), self._slow.largest(self._whole)

    def powers(self) -> Reals:
        """Mean squares of all whole intervals, shape (weightings, channels, intervals); call once, at the end."""
        self._filter(np.zeros((self._rest.shape[0], self._window.size), dtype=np.float32))
        if not self._whole:
            return np.zeros((*self._open.shape, 0))
        return np.stack(self._squares[: self._whole], axis=-1)


def levels_exceeded(levels: Reals, percents: tuple[float, ...]) -> Reals:
    """Level exceeded in p percent of the intervals, L_p: the (100 - p)th percentile; shape (..., percents)."""
    if levels.shape[-1] == 0:
        return np.full((*levels.shape[:-1], len(percents)), np.nan)
    return np.asarray(np.moveaxis(np.percentile(levels, [100.0 - p for p in percents], axis=-1), 0, -1))
