"""Samples of a described layout: files without a header, and what arrays in files leave to be described."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from tapeline.arrays import Samples
from tapeline.limits import RECORDING_CHANNELS
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

MEND_RATE = "name one of the raw_formats of campaign.yaml, with its sample_rate_hz, in the run table's column format"


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


def frames_and_channels(shape: tuple[int, ...], planar: bool) -> tuple[int, int]:
    """Frames and channels of an array's shape; a planar one has its channels in rows.

    Raises RecordingError for arrays of no or more than two dimensions, without samples or of too many channels.
    """
    size = "x".join(map(str, shape)) or "no"
    if len(shape) not in (1, 2):
        raise RecordingError(
            "recording-unreadable",
            f"an array of {size} numbers is no recording: (frames, channels) or (frames,) expected",
        )
    frames, channels = (shape[0], 1) if len(shape) == 1 else (shape[1], shape[0]) if planar else shape
    if frames == 0 or channels == 0:
        raise RecordingError("recording-empty", f"the array of {size} numbers holds no samples")
    if channels > RECORDING_CHANNELS:
        raise RecordingError(
            "recording-unreadable",
            f"the array of {size} numbers would have {channels} channels: write it as (frames, channels), or state "
            f"layout: planar in its raw format",
        )
    return frames, channels


def require_described(raw: RawLayout, sample_type: str, byte_order: str, channels: int) -> None:
    """Raises RecordingError where the raw format says other than the file itself."""
    for setting, said, found in (
        ("sample_type", raw.sample_type, sample_type),
        ("byte_order", raw.byte_order, byte_order),
        ("channels", raw.channels, channels),
    ):
        if said != found:
            raise RecordingError(
                "recording-unreadable", f"the raw format says {setting}: {said}, the file itself says {found}"
            )


def stated_rate_hz(in_file: float | None, raw: RawLayout | None, rate_needed: bool, mend: str = MEND_RATE) -> float:
    """The sample rate from the file or else from the raw format; nan where neither has one and it is not needed.

    Raises RecordingError where it is needed and missing, or where file and raw format differ.
    """
    if in_file is not None and raw is not None and in_file != raw.sample_rate_hz:
        raise RecordingError(
            "recording-unreadable",
            f"the raw format says sample_rate_hz: {raw.sample_rate_hz:g}, the file itself says {in_file:g}",
        )
    if in_file is not None:
        return in_file
    if raw is not None:
        return float(raw.sample_rate_hz)
    if rate_needed:
        raise RecordingError("recording-unreadable", f"the file states no sample rate: {mend}")
    return math.nan
