"""Exponential time weightings of streamed powers (IEC 61672-1:2013): F and S."""

from __future__ import annotations

import math

import numpy as np

from tapeline.arrays import Reals
from tapeline.limits import TIME_WEIGHTING_SETTLED_TIMES

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
        fading = self._keep ** np.arange(1, count + 1)
        # Column j holds what the power of step j is worth after each later step.
        worth = np.tril(self._keep ** np.subtract.outer(np.arange(count), np.arange(count)))
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
