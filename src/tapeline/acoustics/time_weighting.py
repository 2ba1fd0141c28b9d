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

    def add(self, powers: Reals) -> None:
        """Take in mean squares of shape (..., steps), continuing where the last call ended."""
        for step in range(powers.shape[-1]):
            value = self._keep * self._last + (1.0 - self._keep) * powers[..., step]
            end = (self._steps + 1) * self._step
            boundary = (len(self._ends) + 1) * self._interval
            while boundary <= end + 1e-6:
                share = 1.0 - (end - boundary) / self._step
                at_end = self._last + max(0.0, min(1.0, share)) * (value - self._last)
                self._ends.append(at_end)
                self._largest.append(np.maximum(self._open, at_end))
                self._open = at_end
                boundary = (len(self._ends) + 1) * self._interval
            self._open = np.maximum(self._open, value)
            self._last, self._steps = value, self._steps + 1

    def at_ends(self, intervals: int) -> Reals:
        """Value at the end of each interval, shape (..., intervals); NaN while the mean is still settling."""
        return self._stacked(self._ends, intervals)

    def largest(self, intervals: int) -> Reals:
        """Largest value in each interval, shape (..., intervals); NaN while the mean is still settling."""
        return self._stacked(self._largest, intervals)

    def _stacked(self, values: list[Reals], intervals: int) -> Reals:
        found = np.stack(values[:intervals], axis=-1) if intervals else np.zeros((*self._last.shape, 0))
        ends = (np.arange(found.shape[-1]) + 1) * self._interval
        return np.where(ends < self._settled, np.nan, found)
