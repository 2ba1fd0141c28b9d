"""Exponential time weightings of streamed powers (IEC 61672-1:2013): F and S."""

from __future__ import annotations

import math

import numpy as np

from tapeline.acoustics.windows import Reals

FAST_S, SLOW_S = 0.125, 1.0
"""Time constants of the weightings F and S (IEC 61672-1:2013, 5.8, from memory)."""

SETTLED_TIMES = 5.0
"""From so many time constants on a start from nothing is forgotten: e^-5 is 0.03 dB."""


class ExponentialMean:
    """Runs powers through one exponential mean and keeps its value at the end of each interval and its largest there.

    Powers come as means over equal steps of `step_frames`, short against `constant_frames`; intervals are
    `interval_frames` long and need not be whole steps.
    """

    def __init__(
        self, shape: tuple[int, ...], step_frames: float, constant_frames: float, interval_frames: float
    ) -> None:
        self._keep = math.exp(-step_frames / constant_frames)
        self._step, self._interval = step_frames, interval_frames
        self._settled = SETTLED_TIMES * constant_frames
        self._last = np.zeros(shape)
        self._steps = 0
        self._ends: list[Reals] = []
        self._largest: list[Reals] = []
        self._open = np.zeros(shape)
        self._drained = 0

    def add(self, powers: Reals) -> None:
        """Take in mean squares of shape (..., steps), continuing where the last call ended."""
        for step in range(powers.shape[-1]):
            value = self._keep * self._last + (1.0 - self._keep) * powers[..., step]
            end = (self._steps + 1) * self._step
            boundary = (self._drained + len(self._ends) + 1) * self._interval
            while boundary <= end + 1e-6:
                share = 1.0 - (end - boundary) / self._step
                at_end = self._last + max(0.0, min(1.0, share)) * (value - self._last)
                self._ends.append(at_end)
                self._largest.append(np.maximum(self._open, at_end))
                self._open = at_end
                boundary = (self._drained + len(self._ends) + 1) * self._interval
            self._open = np.maximum(self._open, value)
            self._last, self._steps = value, self._steps + 1

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
