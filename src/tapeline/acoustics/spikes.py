"""Spikes and lost contact: steps from one sample to the next far beyond what the signal does around them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tapeline.arrays import Reals, Samples
from tapeline.limits import KEPT_SPIKES, SPIKE_REFERENCE_BLOCKS, STRONG_SPIKE_RATIO


@dataclass
class SpikeTally:
    """Spikes of one channel, `strong` of them by `STRONG_SPIKE_RATIO` times the limit.

    `frames` keeps the first `KEPT_SPIKES` of them.
    """

    places: int = 0
    strong: int = 0
    first_frame: int | None = None
    largest: float = 0.0
    last_frame: int = -1
    frames: list[int] = field(default_factory=list)


class SuddenChanges:
    """Steps between neighbouring samples against the median rms step of the blocks around; constant memory.

    A place is a jump of `limit` times the usual step; jumps nearer than `apart` frames are one place.
    """

    def __init__(self, channels: int, limit: float, apart: int) -> None:
        self.tallies = [SpikeTally() for _ in range(channels)]
        self._limit, self._apart = limit, apart
        self._usual = np.zeros((SPIKE_REFERENCE_BLOCKS, channels))
        self._blocks = 0
        self._waiting: list[tuple[Samples, int]] | None = []
        self._last: Samples | None = None
        self._frame = 0
        self._squares = np.zeros(channels)
        self._steps = 0

    def add(self, samples: Samples) -> Samples:
        """Take in samples of shape (channels, frames); returns their steps, of shape (channels, frames - 1)."""
        steps = samples[:, 1:] - samples[:, :-1]
        squares = np.vecdot(steps, steps).astype(np.float64)
        self._squares += squares
        self._steps += steps.shape[1]
        self._usual[self._blocks % SPIKE_REFERENCE_BLOCKS] = np.sqrt(squares / max(steps.shape[1], 1))
        self._blocks += 1
        held = (steps, self._frame + 1)
        if self._waiting is not None:
            self._waiting.append(held)
            if len(self._waiting) == SPIKE_REFERENCE_BLOCKS:
                self.finish()
        else:
            self._judge(*held)
        self._frame += samples.shape[1]
        return steps

    def finish(self) -> None:
        """Judge the first blocks, which wait until enough of them tell what is usual."""
        waiting, self._waiting = self._waiting or [], None
        for steps, first_frame in waiting:
            self._judge(steps, first_frame)

    @property
    def rms_step(self) -> Reals:
        """Rms of all steps, shape (channels,)."""
        return np.sqrt(self._squares / max(self._steps, 1))

    def _judge(self, steps: Samples, first_frame: int) -> None:
        if not steps.size:
            return
        largest = np.maximum(steps.max(axis=1), -steps.min(axis=1)).astype(np.float64)
        around = self._usual[: min(self._blocks, SPIKE_REFERENCE_BLOCKS)]
        # The median is no smaller than the smallest: most blocks need no median.
        if not (largest > self._limit * around.min(axis=0)).any():
            return
        usual = np.median(around, axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(usual > 0.0, largest / usual, 0.0)
        for channel in np.flatnonzero(ratio > self._limit):
            tally = self.tallies[channel]
            tally.largest = max(tally.largest, float(ratio[channel]))
            for index in np.flatnonzero(np.abs(steps[channel]) > self._limit * usual[channel]):
                frame = first_frame + int(index)
                if tally.last_frame < 0 or frame - tally.last_frame > self._apart:
                    tally.places += 1
                    size = abs(float(steps[channel, index]))
                    tally.strong += int(size > STRONG_SPIKE_RATIO * self._limit * usual[channel])
                    tally.first_frame = frame if tally.first_frame is None else tally.first_frame
                    if len(tally.frames) < KEPT_SPIKES:
                        tally.frames.append(frame)
                tally.last_frame = frame
