"""The declared length of a WAV file (RIFF, RF64, BW64) from its chunks: decoders read a cut file without a word."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from tapeline.recordings.recording import RecordingError

UNSET_SIZE = 0xFFFFFFFF


@dataclass(frozen=True)
class WaveExtent:
    """Bytes of one frame, bytes of sample data declared and bytes of it that are there."""

    frame_bytes: int
    declared_bytes: int
    present_bytes: int

    @property
    def declared_frames(self) -> int:
        return self.declared_bytes // self.frame_bytes

    @property
    def is_cut(self) -> bool:
        return self.present_bytes < self.declared_bytes


def wave_extent(path: Path) -> WaveExtent | None:
    """Declared and present sample data of a little-endian WAV file, None for other kinds of file.

    Raises RecordingError for a WAV file without a format or data chunk.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(12)
        if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
            return None
        frame_bytes, wide_size = 0, None
        while True:
            chunk = stream.read(8)
            if len(chunk) < 8:
                missing = "no sample data" if frame_bytes else "no format description"
                raise RecordingError(
                    "recording-unreadable", f"the WAV file has {missing}: its header ends at {size} bytes"
                )
            name, length = chunk[:4], struct.unpack("<I", chunk[4:])[0]
            if name == b"data":
                return _extent(stream, size, frame_bytes, length, wide_size)
            body = stream.read(min(length, 64))
            if name == b"fmt " and len(body) >= 14:
                frame_bytes = struct.unpack("<H", body[12:14])[0]
            elif name == b"ds64" and len(body) >= 16:
                wide_size = struct.unpack("<Q", body[8:16])[0]
            stream.seek(length + length % 2 - len(body), 1)


def _extent(stream: BinaryIO, size: int, frame_bytes: int, length: int, wide_size: int | None) -> WaveExtent:
    if frame_bytes == 0:
        raise RecordingError("recording-unreadable", "the WAV file has no usable format description before its data")
    present = size - stream.tell()
    declared = wide_size if length == UNSET_SIZE and wide_size is not None else length
    if declared in (0, UNSET_SIZE) and present > 0:
        raise RecordingError(
            "recording-cut",
            f"the header was never finished: it declares no length, {present} bytes of samples follow it",
        )
    return WaveExtent(frame_bytes, declared, min(present, declared))
