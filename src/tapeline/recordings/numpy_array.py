"""Arrays in NumPy's own file format (.npy, versions 1 to 3): a text that says type, order and shape, then the samples.

The text is a literal and read as one; nothing in the file is ever executed or unpickled. Samples are read block by
block, not mapped: a file that shrinks under a mapping ends the process without a word.
"""

from __future__ import annotations

import ast
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

from tapeline.arrays import Samples
from tapeline.recordings.raw_binary import RawBinary, RawLayout, frames_and_channels, require_described, stated_rate_hz
from tapeline.recordings.recording import RecordingError
from tapeline.recordings.sample_words import SAMPLE_BYTES, SAMPLE_WORDS, SampleType

SAMPLE_TYPES: dict[str, SampleType] = {"i2": "int16", "i4": "int32", "f4": "float32", "f8": "float64"}
BYTE_ORDERS: dict[str, Literal["little", "big"]] = {"<": "little", ">": "big"}
LONGEST_HEADER = 10_000
"""Bytes; NumPy itself reads no longer header text from files it does not trust."""


class NumpyArray:
    """One array of shape (frames, channels) or (frames,); `layout: planar` of a raw format: (channels, frames).

    Integers count as fractions of full scale, floats as they are.
    """

    def __init__(self, path: Path, raw: RawLayout | None = None, rate_needed: bool = True) -> None:
        header, first_byte = _header(path)
        sample_type, byte_order = _sample_type(header["descr"])
        planar = raw is not None and raw.layout == "planar"
        self.frames, self.channels = frames_and_channels(header["shape"], planar)
        self.declared_frames = self.frames
        if raw is not None:
            require_described(raw, sample_type, byte_order, self.channels)
        self.sample_rate_hz = stated_rate_hz(None, raw, rate_needed)
        self.kind = f"NumPy array, {SAMPLE_WORDS[sample_type]}"
        self._require_whole(path, SAMPLE_BYTES[sample_type] * self.channels, first_byte)
        by_channel: Literal["interleaved", "planar"] = "planar" if planar != header["fortran_order"] else "interleaved"
        layout = RawLayout(sample_type, byte_order, by_channel, self.channels, self.sample_rate_hz, first_byte)
        self._samples = RawBinary(path, layout)
        self.bits = self._samples.bits

    def _require_whole(self, path: Path, frame_bytes: int, first_byte: int) -> None:
        declared, present = self.frames * frame_bytes, path.stat().st_size - first_byte
        if present < declared:
            missing = self.frames - present // frame_bytes
            raise RecordingError(
                "recording-cut", f"the header declares {self.frames} frames, the last {missing} are missing"
            )
        if present > declared:
            raise RecordingError(
                "recording-unreadable", f"{present - declared} bytes follow the array: one array a file is expected"
            )

    def blocks(self, start: int, stop: int) -> Iterator[Samples]:
        """See Recording.blocks."""
        return self._samples.blocks(start, stop)


def _header(path: Path) -> tuple[dict[str, Any], int]:
    """The header as a mapping with descr, fortran_order and shape, and the place of the first sample."""
    with path.open("rb") as stream:
        head = stream.read(12)
        if len(head) < 12:
            raise RecordingError("recording-cut", f"the NumPy file ends within its header, after {len(head)} bytes")
        wide = head[6] > 1
        first, length = (12, struct.unpack("<I", head[8:12])[0]) if wide else (10, struct.unpack("<H", head[8:10])[0])
        if head[6] not in (1, 2, 3) or length > LONGEST_HEADER:
            raise RecordingError(
                "recording-unreadable",
                f"the NumPy header has version {head[6]} and {length} bytes; "
                f"versions 1 to 3 and at most {LONGEST_HEADER} bytes are read",
            )
        stream.seek(first)
        text = stream.read(length)
    if len(text) < length:
        raise RecordingError("recording-cut", f"the NumPy file ends within its header, after {first + len(text)} bytes")
    try:
        header = ast.literal_eval(text.decode("utf-8" if head[6] == 3 else "latin-1").strip())
    except (ValueError, SyntaxError, TypeError, MemoryError, RecursionError) as error:
        raise RecordingError("recording-unreadable", "the NumPy header is no text that describes an array") from error
    if not _is_description(header):
        raise RecordingError("recording-unreadable", "the NumPy header does not say type, order and shape")
    return header, first + length


def _is_description(header: Any) -> bool:
    return (
        isinstance(header, dict)
        and set(header) == {"descr", "fortran_order", "shape"}
        and isinstance(header["fortran_order"], bool)
        and isinstance(header["shape"], tuple)
        and all(type(count) is int and 0 <= count < 2**63 for count in header["shape"])
    )


def _sample_type(described: Any) -> tuple[SampleType, Literal["little", "big"]]:
    order, name = (described[:1], described[1:]) if isinstance(described, str) else ("", "")
    if order not in BYTE_ORDERS or name not in SAMPLE_TYPES:
        raise RecordingError(
            "recording-unreadable",
            f"the array's numbers are {str(described)[:40]!r}; read are int16, int32, float32 and float64",
        )
    return SAMPLE_TYPES[name], BYTE_ORDERS[order]
