"""What every reader gives: rate, channels, length and blocks of samples; and how a damaged file is named."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from tapeline.arrays import Samples

BLOCK_FRAMES = 4_096
"""Frames decoded at a time: a block of many channels still fits the processor's cache."""

BLOCK_SAMPLES = BLOCK_FRAMES * 1_024
"""Most samples of a block over all channels: beyond 1024 channels a block has fewer frames."""


def block_frames(channels: int) -> int:
    """Frames of a block of so many channels."""
    return max(1, min(BLOCK_FRAMES, BLOCK_SAMPLES // channels))


class RecordingError(Exception):
    """A recording that cannot be used as it is described: a reason code and a sentence with the numbers."""

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence


class Recording(Protocol):
    """Samples of one file, in fractions of digital full scale for integer samples, as stored for floats."""

    @property
    def kind(self) -> str:
        """The kind of file and how a sample is stored, in words: "WAV, 24-bit integer"."""

    @property
    def sample_rate_hz(self) -> float: ...

    @property
    def channels(self) -> int: ...

    @property
    def frames(self) -> int:
        """Frames that are there."""

    @property
    def declared_frames(self) -> int:
        """Frames that the file's header or description says there are."""

    @property
    def bits(self) -> int | None:
        """Bits of an integer sample; None for floats."""

    def blocks(self, start: int, stop: int) -> Iterator[Samples]:
        """Samples of frames `start` to `stop` as float32 arrays of shape (channels, frames)."""


@dataclass(frozen=True)
class Part:
    """The used part of a recording, in frames."""

    start: int
    stop: int

    @property
    def frames(self) -> int:
        return self.stop - self.start


def used_part(recording: Recording, start_s: float | None, stop_s: float | None) -> Part:
    """Frames of the part between `start_s` and `stop_s`; raises RecordingError where the recording ends before."""
    rate = recording.sample_rate_hz
    start = round((start_s or 0.0) * rate)
    stop = recording.frames if stop_s is None else round(stop_s * rate)
    if stop > recording.frames or start >= stop:
        asked = f"{start_s or 0.0:g} s to {'the end' if stop_s is None else f'{stop_s:g} s'}"
        raise RecordingError(
            "part-beyond-recording",
            f"the run table asks for {asked}, the recording lasts {recording.frames / rate:.3f} s",
        )
    return Part(start, stop)
