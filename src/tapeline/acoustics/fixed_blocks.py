"""A stream of samples cut anew into blocks of one length, however the reader cut it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tapeline.arrays import Samples


class FixedBlocks:
    """A stream of samples as blocks of one length, shape (channels, frames); blocks that fit pass without a copy."""

    def __init__(self, frames: int) -> None:
        self._frames = frames
        self._held: list[Samples] = []
        self._count = 0

    def add(self, samples: Samples) -> Iterator[Samples]:
        """Take in samples of shape (channels, frames) and hand out the blocks that are whole."""
        if not self._count and samples.shape[1] == self._frames:
            yield samples
            return
        self._held.append(samples)
        self._count += samples.shape[1]
        if self._count < self._frames:
            return
        whole = np.concatenate(self._held, axis=1)
        used = self._count - self._count % self._frames
        for start in range(0, used, self._frames):
            yield whole[:, start : start + self._frames]
        self._count -= used
        self._held = [whole[:, used:].copy()] if self._count else []

    def rest(self) -> Iterator[Samples]:
        """The last, shorter block; nothing where the stream ended with a whole one."""
        if self._count:
            yield np.concatenate(self._held, axis=1)
        self._held, self._count = [], 0
