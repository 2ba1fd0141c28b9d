"""Headerless recordings of a described layout."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tapeline.recordings.recording import RecordingError, Samples, block_frames

SampleType = Literal["int16", "int24", "int32", "float32", "float64"]
SAMPLE_BYTES: dict[str, int] = {"int16": 2, "int24": 3, "int32": 4, "float32": 4, "float64": 8}
INTEGER_BITS = {"int16": 16, "int24": 24, "int32": 32}
SAMPLE_WORDS: dict[str, str] = {
    "int16": "16-bit integer",
    "int24": "24-bit integer",
    "int32": "32-bit integer",
    "float32": "32-bit float",
    "float64": "64-bit float",
}


@dataclass(frozen=True)
class RawLayout:
    """How samples lie in a file without a header of its own."""

    sample_type: SampleType
    byte_order: Literal["little", "big"]
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
        step = block_frames(self.channels)
        for first in range(start, stop, step):
            count = min(step, stop - first)
            if self._layout.layout == "interleaved":
                flat = self._read(first * self.channels, count * self.channels)
                yield np.ascontiguousarray(flat.reshape(count, self.channels).T)
            else:
                yield np.stack([self._read(c * self.frames + first, count) for c in range(self.channels)])

    def _read(self, first_sample: int, count: int) -> NDArray[np.float32]:
        with self._path.open("rb") as stream:
            stream.seek(self._layout.header_bytes + first_sample * self._sample_bytes)
            raw = stream.read(count * self._sample_bytes)
        if len(raw) < count * self._sample_bytes:
            raise RecordingError("recording-cut", f"{self._path.name}: the file ended while it was read")
        return decode(raw, self._layout.sample_type, self._layout.byte_order)


def decode(raw: bytes, sample_type: str, byte_order: str) -> NDArray[np.float32]:
    """Bytes to float32: integers as fractions of full scale (2^(bits - 1)), floats as they are."""
    order = "<" if byte_order == "little" else ">"
    if sample_type == "int24":
        octets = np.frombuffer(raw, dtype=np.uint8).reshape(-1, 3)
        if byte_order == "big":
            octets = octets[:, ::-1]
        words = np.zeros((octets.shape[0], 4), dtype=np.uint8)
        words[:, 1:] = octets
        return (words.view("<i4").ravel() * 2.0**-31).astype(np.float32)
    kind = {"int16": "i2", "int32": "i4", "float32": "f4", "float64": "f8"}[sample_type]
    values = np.frombuffer(raw, dtype=order + kind)
    if sample_type in INTEGER_BITS:
        return (values * 2.0 ** (1 - INTEGER_BITS[sample_type])).astype(np.float32)
    return values.astype(np.float32)
