"""All checks on a stream of samples in one pass, on blocks of one length whatever the reader's blocks are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.mains_interference import MainsSearch
from tapeline.acoustics.parts import FixedBlocks
from tapeline.acoustics.sample_checks import ExtremeRuns, Moments, RepeatedRuns, SignalCorrelation, UsedBits
from tapeline.acoustics.spikes import SuddenChanges
from tapeline.acoustics.stationarity import BlockMeans
from tapeline.arrays import Samples
from tapeline.limits import SPIKES_APART_S

BLOCK_FRAMES = 4096
"""Frames of a block: many channels of it still fit the processor's cache."""


@dataclass(frozen=True)
class StreamLimits:
    """What the streamed counts depend on; see the section `quality` of the settings."""

    overload_run_samples: int
    repeated_run_samples: int
    spike_ratio: float
    mains_hz: float


class StreamChecks:
    """Counts and sums of every channel of a stream; samples in fractions of full scale for integers of `bits` bits.

    `largest` is the size, one a channel, that no sample of a pressure can have.
    """

    def __init__(
        self,
        channels: int,
        sample_rate_hz: float,
        bits: int | None,
        limits: StreamLimits,
        largest: NDArray[np.float64] | None = None,
    ) -> None:
        step = 2.0 ** (1 - bits) if bits else 0.0
        apart = max(2, round(SPIKES_APART_S * sample_rate_hz))
        self.moments = Moments(channels, largest)
        self.extremes = ExtremeRuns(channels, limits.overload_run_samples, step)
        self.repeated = RepeatedRuns(channels, limits.repeated_run_samples)
        self.powers = BlockMeans()
        self.offsets = BlockMeans()
        self.changes = SuddenChanges(channels, limits.spike_ratio, apart)
        self.hum = MainsSearch(channels, sample_rate_hz, limits.mains_hz)
        self.likeness = SignalCorrelation(channels)
        self.bits = UsedBits(channels, bits) if bits else None
        self._blocks = FixedBlocks(BLOCK_FRAMES)

    def add(self, samples: Samples) -> None:
        """Take in samples of shape (channels, frames)."""
        for block in self._blocks.add(samples):
            self._check(block)

    def finish(self) -> None:
        """Take in what is left; call once, after the last samples."""
        for block in self._blocks.rest():
            self._check(block)
        self.changes.finish()

    def _check(self, samples: Samples) -> None:
        frames = samples.shape[1]
        centred, sums, squares = self.moments.add(samples)
        self.extremes.add(samples, self.moments.block_highest, self.moments.block_lowest)
        self.repeated.add(samples)
        mean = sums / frames
        self.powers.add(squares / frames - mean**2, frames)
        self.offsets.add(mean, frames)
        self.likeness.add(self.changes.add(centred))
        self.hum.add(centred)
        if self.bits is not None:
            self.bits.add(samples)
