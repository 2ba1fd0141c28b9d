"""Checks on streamed samples of many channels: moments, overload, repeated values; constant memory."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
Samples = NDArray[np.float32]


class Moments:
    """Mean, standard deviation, extremes and count of numbers that are not finite, per channel."""

    def __init__(self, channels: int) -> None:
        self.frames = 0
        self.bad = np.zeros(channels, dtype=np.int64)
        self.minimum = np.full(channels, np.inf)
        self.maximum = np.full(channels, -np.inf)
        self._mean = np.zeros(channels)
        self._squares = np.zeros(channels)

    def add(self, samples: Samples) -> None:
        """Take in samples of shape (channels, frames); sums follow Chan's pairwise update."""
        finite = np.isfinite(samples)
        if not finite.all():
            self.bad += np.count_nonzero(~finite, axis=1)
            samples = np.where(finite, samples, np.float32(0.0))
        count = samples.shape[1]
        mean = samples.mean(axis=1, dtype=np.float64)
        centred = samples - mean[:, None].astype(np.float32)
        squares = np.einsum("ij,ij->i", centred, centred, dtype=np.float64)
        squares -= count * (centred.mean(axis=1, dtype=np.float64)) ** 2
        total = self.frames + count
        shift = mean - self._mean
        self._mean += shift * count / total
        self._squares += squares + shift**2 * self.frames * count / total
        self.frames = total
        np.minimum(self.minimum, samples.min(axis=1), out=self.minimum)
        np.maximum(self.maximum, samples.max(axis=1), out=self.maximum)

    @property
    def mean(self) -> Reals:
        return self._mean.copy()

    @property
    def standard_deviation(self) -> Reals:
        return np.sqrt(np.maximum(self._squares, 0.0) / max(self.frames, 1))


@dataclass
class RunTally:
    """Runs of equal samples on one channel that are long enough to count."""

    shortest: int
    places: int = 0
    frames: int = 0
    first_frame: int | None = None
    _start: int = -1
    _length: int = 0
    value: float = field(default=float("nan"))

    def hits(self, start: int, length: int) -> None:
        """A run of `length` frames from frame `start`; continues the last one where it touches it."""
        if self._length and start == self._start + self._length:
            start, before = self._start, self._length
            length += before
        else:
            before = 0
        self._start, self._length = start, length
        if length >= self.shortest:
            if before < self.shortest:
                self.places += 1
                self.frames += length
                self.first_frame = start if self.first_frame is None else self.first_frame
            else:
                self.frames += length - before

    def clear(self, value: float) -> None:
        """Forget all runs: a new extreme value came up."""
        self.places, self.frames, self.first_frame, self._length, self.value = 0, 0, None, 0, value


class ExtremeRuns:
    """Runs of samples that stay at the channel's largest or smallest value: what overload leaves behind."""

    def __init__(self, channels: int, shortest: int) -> None:
        self.high = [RunTally(shortest) for _ in range(channels)]
        self.low = [RunTally(shortest) for _ in range(channels)]
        self._frame = 0

    def add(self, samples: Samples) -> None:
        """Take in samples of shape (channels, frames)."""
        for tallies, extremes, sign in ((self.high, samples.max(axis=1), 1.0), (self.low, samples.min(axis=1), -1.0)):
            for channel, (tally, extreme) in enumerate(zip(tallies, extremes, strict=True)):
                if not np.isfinite(tally.value) or sign * extreme > sign * tally.value:
                    tally.clear(float(extreme))
                if extreme == tally.value:
                    for start, length in equal_runs(samples[channel] == extreme):
                        tally.hits(self._frame + start, length)
        self._frame += samples.shape[1]


class RepeatedRuns:
    """Runs in which a channel repeats one value: dropouts and stuck converters."""

    def __init__(self, channels: int, shortest: int) -> None:
        self.tallies = [RunTally(shortest - 1) for _ in range(channels)]
        self._last: Samples | None = None
        self._frame = 0

    def add(self, samples: Samples) -> None:
        """Take in samples of shape (channels, frames); a run of n equal samples is n - 1 equal steps."""
        before = samples[:, :1] if self._last is None else self._last
        steady = np.diff(samples, axis=1, prepend=before) == 0.0
        if self._last is None:
            steady[:, 0] = False
        for channel in np.flatnonzero(steady.any(axis=1)):
            for start, length in equal_runs(steady[channel]):
                self.tallies[channel].hits(self._frame + start, length)
        self._last = samples[:, -1:].copy()
        self._frame += samples.shape[1]


def equal_runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Start and length of each run of True."""
    edges = np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return list(zip(starts.tolist(), (stops - starts).tolist(), strict=True))
