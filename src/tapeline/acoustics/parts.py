"""Parts of a stream: ranges of frames that are used, and blocks of one length however the reader cut it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapeline.arrays import Samples


class Parts:
    """Ranges [start, stop) of frames; ranges that overlap or touch are one, empty ones are none."""

    def __init__(self, ranges: Iterable[tuple[int, int]]) -> None:
        merged: list[list[int]] = []
        for start, stop in sorted(r for r in ranges if r[1] > r[0]):
            if merged and start <= merged[-1][1]:
                merged[-1][1] = max(merged[-1][1], stop)
            else:
                merged.append([start, stop])
        self._starts = np.array([r[0] for r in merged], dtype=np.int64)
        self._stops = np.array([r[1] for r in merged], dtype=np.int64)

    @property
    def ranges(self) -> tuple[tuple[int, int], ...]:
        """The ranges in rising order."""
        return tuple(zip(self._starts.tolist(), self._stops.tolist(), strict=True))

    @property
    def frames(self) -> int:
        """Frames in all parts together."""
        return int(np.sum(self._stops - self._starts))

    def hold(self, starts: ArrayLike, stops: ArrayLike) -> NDArray[np.bool_]:
        """Which of the ranges given by `starts` and `stops` (equal shapes) lie wholly within one part."""
        first, last = np.asarray(starts), np.asarray(stops)
        if not self._starts.size:
            return np.zeros(first.shape, dtype=bool)
        part = np.searchsorted(self._starts, first, side="right") - 1
        return np.asarray((part >= 0) & (last <= self._stops[np.maximum(part, 0)]))

    def blocks(self, first: int, count: int, hop_frames: int, frames: int) -> NDArray[np.int64]:
        """Numbers of those of `count` blocks from `first` on, `hop_frames` apart, that lie wholly within one part."""
        blocks = np.arange(first, first + count)
        return blocks[self.hold(blocks * hop_frames, blocks * hop_frames + frames)]

    def within(self, others: Parts) -> Parts:
        """The ranges that these parts and the others have in common."""
        everything = Parts([(0, max([stop for part in (self, others) for _, stop in part.ranges], default=0))])
        return self.without(everything.without(others))

    def without(self, others: Parts) -> Parts:
        """These parts without the ranges of the others."""
        left = list(self.ranges)
        for start, stop in others.ranges:
            left = [
                kept
                for first, last in left
                for kept in ((first, min(last, start)), (max(first, stop), last))
                if kept[1] > kept[0]
            ]
        return Parts(left)


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
