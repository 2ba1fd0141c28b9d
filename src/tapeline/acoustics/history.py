"""Level histories of streamed samples: rms values and exponential time weightings F and S (IEC 61672-1:2013)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from tapeline.acoustics.short_time_spectra import Lines
from tapeline.arrays import Reals
from tapeline.limits import (
    FAST_TIME_CONSTANT_S,
    HISTORY_SPARE_RATE_RATIO,
    HISTORY_STEP_SAMPLES,
    SLOW_TIME_CONSTANT_S,
    TIME_WEIGHTING_SETTLED_TIMES,
    TIME_WEIGHTING_STEP_S,
    WHOLE_NUMBER_WITHIN_UNITS,
)

STEPS_AT_ONCE = 64
"""Steps that are worked out in one product."""


class ExponentialMean:
    """Exponential mean of streamed powers: its value at the end of each interval and its largest value in it.

    Powers come as means over equal steps of `step_frames`, short against `constant_frames`; intervals are
    `interval_frames` long and need not be whole steps.
    """

    def __init__(
        self, shape: tuple[int, ...], step_frames: float, constant_frames: float, interval_frames: float
    ) -> None:
        self._keep = math.exp(-step_frames / constant_frames)
        self._worth: dict[int, tuple[Reals, Reals]] = {}
        self._step, self._interval = step_frames, interval_frames
        self._settled = TIME_WEIGHTING_SETTLED_TIMES * constant_frames
        self._last = np.zeros(shape)
        self._steps = 0
        self._ends: list[Reals] = []
        self._largest: list[Reals] = []
        self._open = np.zeros(shape)
        self._drained = 0

    def add(self, powers: Reals) -> None:
        """Take in mean squares of shape (..., steps), continuing where the last call ended."""
        for first in range(0, powers.shape[-1], STEPS_AT_ONCE):
            self._advance(powers[..., first : first + STEPS_AT_ONCE])

    def _advance(self, powers: Reals) -> None:
        """The mean after each of a few steps, at once, and what it says of the intervals that end there."""
        count = powers.shape[-1]
        if count not in self._worth:
            # Column j holds what the power of step j is worth after each later step.
            worth = np.tril(self._keep ** np.subtract.outer(np.arange(count), np.arange(count)))
            self._worth[count] = self._keep ** np.arange(1, count + 1), worth
        fading, worth = self._worth[count]
        values = (1.0 - self._keep) * (powers @ worth.T) + fading * self._last[..., None]
        begun = 0
        while (boundary := (self._drained + len(self._ends) + 1) * self._interval) <= (
            self._steps + count
        ) * self._step + 1e-6:
            step = min(count - 1, max(0, math.ceil((boundary - 1e-6) / self._step) - 1 - self._steps))
            before = values[..., step - 1] if step else self._last
            share = 1.0 - ((self._steps + step + 1) * self._step - boundary) / self._step
            at_end = before + max(0.0, min(1.0, share)) * (values[..., step] - before)
            if step > begun:
                self._open = np.maximum(self._open, values[..., begun:step].max(axis=-1))
            self._ends.append(at_end)
            self._largest.append(np.maximum(self._open, at_end))
            self._open, begun = at_end, step
        if count > begun:
            self._open = np.maximum(self._open, values[..., begun:].max(axis=-1))
        self._last, self._steps = values[..., -1], self._steps + count

    @property
    def waiting(self) -> int:
        """Intervals that have ended and were not yet drained."""
        return len(self._ends)

    def drain(self, intervals: int) -> tuple[Reals, Reals]:
        """The next intervals: value at the end of each and largest value in it, both of shape (..., intervals).

        NaN while the mean is still settling.
        """
        ends = (self._drained + np.arange(intervals) + 1) * self._interval
        kept = [
            np.stack(values[:intervals], axis=-1) if intervals else np.zeros((*self._last.shape, 0))
            for values in (self._ends, self._largest)
        ]
        del self._ends[:intervals], self._largest[:intervals]
        self._drained += intervals
        at_ends, largest = (np.where(ends < self._settled, np.nan, found) for found in kept)
        return at_ends, largest


@dataclass(frozen=True)
class HistoryPart:
    """Mean squares of consecutive intervals, arrays of shape (weightings, channels, intervals).

    `fast` and `slow` hold at the end of each interval, `fast_largest` and `slow_largest` are the largest in it; NaN
    while the mean is still settling.
    """

    first: int
    powers: Reals
    fast: Reals
    slow: Reals
    fast_largest: Reals
    slow_largest: Reals


class WeightedHistory:
    """Frequency-weighted mean squares over intervals of a stream, with the time weightings F and S.

    Takes the lines of Hann blocks half a block apart, whose windows add to one: each block's spectrum is multiplied by
    `magnitude` and transformed back, no finer sampled than its highest frequency asks for, and added to the one before.
    Times are those of the incoming samples. `magnitude` has the shape (weightings, channels, block // 2 + 1).
    """

    margins = True

    def __init__(self, magnitude: NDArray[np.floating], interval_frames: float, sample_rate_hz: float) -> None:
        weightings, channels, lines = magnitude.shape
        block = 2 * (lines - 1)
        passed = np.flatnonzero(magnitude.any(axis=(0, 1)))
        highest = int(passed[-1]) if passed.size else 0
        steps = max(1, round(block / 2 / sample_rate_hz / TIME_WEIGHTING_STEP_S))
        finest = min(block / 2 / steps, interval_frames)
        needed = max(HISTORY_SPARE_RATE_RATIO * (highest + 1), HISTORY_STEP_SAMPLES * block / 2 / finest)
        self._short = min(2 * int(scipy.fft.next_fast_len(int(np.ceil(needed)), real=True)), block)
        self._lines = min(lines, self._short // 2 + 1)
        scaled = (magnitude[..., : self._lines] * (self._short / block)).astype(np.float32)
        # One for the real and one for the imaginary part: a product of complex numbers costs twice as much.
        self._factors = np.repeat(scaled, 2, axis=-1)
        self._interval = interval_frames * self._short / block
        self._interval_frames = interval_frames
        self._tail = np.zeros((weightings, channels, self._short // 2), dtype=np.float32)
        self._step_edges = np.round(np.arange(steps + 1) * (self._short / 2 / steps)).astype(np.int64)
        shape = (weightings, channels)
        self._fast, self._slow = (
            ExponentialMean(shape, block / 2 / steps, constant * sample_rate_hz, interval_frames)
            for constant in (FAST_TIME_CONSTANT_S, SLOW_TIME_CONSTANT_S)
        )
        self._open = np.zeros(shape)
        self._done: list[Reals] = []
        self._drained = 0
        self._whole: int | None = None

    def open(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        if first >= 0:
            self._prepare(first, count)

    def take(self, channel: int, first: int, lines: Lines) -> None:
        """See SpectrumConsumer."""
        half = self._short // 2
        weighted = lines[:, : self._lines].view(np.float32) * self._factors[:, channel, None, :]
        back = scipy.fft.irfft(weighted.view(np.complex64), n=self._short, axis=-1, overwrite_x=True)
        if first >= 0:
            joined = back[:, :, :half]
            joined[:, 0] += self._tail[:, channel]
            joined[:, 1:] += back[:, :-1, half:]
            squares = np.square(joined).reshape(joined.shape[0], -1)
            self._in_steps[:, channel] = np.add.reduceat(squares, self._step_starts, axis=-1)
            self._in_intervals[:, channel] = np.add.reduceat(squares, self._interval_starts, axis=-1)
        self._tail[:, channel] = back[:, -1, half:]

    def _prepare(self, first: int, count: int) -> None:
        """Where steps and intervals begin in the filtered samples of these blocks."""
        half = self._short // 2
        start, stop = first * half, (first + count) * half
        self._step_starts = (self._step_edges[None, :-1] + np.arange(count)[:, None] * half).ravel()
        numbers = np.arange(int(start / self._interval), int(np.ceil(stop / self._interval)) + 2)
        ends = np.round(numbers * self._interval).astype(np.int64)
        self._ends = ends[(ends > start) & (ends <= stop)]
        self._interval_starts = np.concatenate([[0], self._ends[self._ends < stop] - start])
        shape = self._tail.shape[:2]
        self._in_steps = np.zeros((*shape, self._step_starts.size))
        self._in_intervals = np.zeros((*shape, self._interval_starts.size))

    def close(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        if first < 0:
            return
        in_steps = self._in_steps / np.tile(np.diff(self._step_edges), count)
        self._fast.add(in_steps)
        self._slow.add(in_steps)
        for place in range(self._interval_starts.size):
            self._open = self._open + self._in_intervals[..., place]
            if place < self._ends.size:
                number = self._drained + len(self._done)
                samples = round((number + 1) * self._interval) - round(number * self._interval)
                self._done.append(self._open / samples)
                self._open = np.zeros_like(self._open)

    def finish(self, frames: int) -> None:
        """See SpectrumConsumer."""
        self._whole = int(np.floor(frames / self._interval_frames + WHOLE_NUMBER_WITHIN_UNITS))

    @property
    def waiting(self) -> int:
        """Intervals that are complete and not yet drained."""
        found = min(len(self._done), self._fast.waiting, self._slow.waiting)
        return found if self._whole is None else min(found, max(0, self._whole - self._drained))

    def drain(self) -> HistoryPart:
        """All intervals that are complete; each is handed out once. After `finish` only those within the stream."""
        count, first = self.waiting, self._drained
        powers = np.stack(self._done[:count], axis=-1) if count else np.zeros((*self._open.shape, 0))
        del self._done[:count]
        self._drained += count
        (fast, fast_largest), (slow, slow_largest) = self._fast.drain(count), self._slow.drain(count)
        return HistoryPart(first, powers, fast, slow, fast_largest, slow_largest)


def levels_exceeded(levels: NDArray[np.float64], percents: tuple[float, ...]) -> Reals:
    """Level exceeded in p percent of the intervals, L_p: the (100 - p)th percentile; shape (..., percents)."""
    if levels.shape[-1] == 0:
        return np.full((*levels.shape[:-1], len(percents)), np.nan)
    # Silence is minus infinity, and between two of it lies nothing that could be computed.
    with np.errstate(invalid="ignore"):
        found = np.percentile(levels, [100.0 - p for p in percents], axis=-1)
    return np.asarray(np.moveaxis(found, 0, -1))
