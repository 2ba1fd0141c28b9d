"""Headerless recordings of a described layout."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from tapeline.arrays import Samples
from tapeline.recordings.recording import RecordingError, block_frames
from tapeline.recordings.sample_words import (
    INTEGER_BITS,
    SAMPLE_BYTES,
    SAMPLE_WORDS,
    ByteOrder,
    SampleType,
    interleaved_blocks,
    read_words,
)


@dataclass(frozen=True)
class RawLayout:
    """How samples lie in a file without a header of its own."""

    sample_type: SampleType
    byte_order: ByteOrder
    layout: Literal["interleaved", "planar"]
    channels: int
    sample_rate_hz: float
    header_bytes: int = 0


class RawBinary:
    """One file of a described layout."""

    def __init__(self, path: Path, layout: RawLayout) -> None:
        self._path, self._layout = path, layout
        self.kind = f"raw, {SAMPLE_WORDS[layout.sample_type]}"
        self.sample_rate_hz = float(layout.sample_rate_hz)
        self.channels = layout.channels
        self.bits = INTEGER_BITS.get(layout.sample_type)
        self._sample_bytes = SAMPLE_BYTES[layout.sample_type]
        frame_bytes = self._sample_bytes * layout.channels
        size = path.stat().st_size - layout.header_bytes
        if size <= 0:
            raise RecordingError(
                "recording-empty",
                f"the file has {path.stat().st_size} bytes, its described header alone takes {layout.header_bytes}",
            )
        self.frames, rest = divmod(size, frame_bytes)
        self.declared_frames = self.frames + (1 if rest else 0)
        if rest:
            raise RecordingError(
                "recording-cut",
                f"{size} bytes of samples are no whole number of frames of {frame_bytes} bytes "
                f"({layout.channels} channels of {layout.sample_type}): the file is cut or wrongly described",
            )

    def blocks(self, start: int, stop: int) -> Iterator[Samples]:
        """See Recording.blocks."""
        form = self._layout
        if form.layout == "interleaved":
            words = (form.sample_type, form.byte_order, self.channels)
            yield from interleaved_blocks(self._path, form.header_bytes, *words, start, stop)
            return
        step = block_frames(self.channels)
        for first in range(start, stop, step):
            count = min(step, stop - first)
            yield np.concatenate([self._row(channel, first, count) for channel in range(self.channels)])

    def _row(self, channel: int, first: int, count: int) -> Samples:
        at = self._layout.header_bytes + (channel * self.frames + first) * self._sample_bytes
        return read_words(self._path, at, count, self._layout.sample_type, self._layout.byte_order, 1)
