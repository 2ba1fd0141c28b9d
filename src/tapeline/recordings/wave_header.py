"""The declared length of WAV files (RIFF, RIFX, RF64, BW64, 64-bit WAV) from their chunks.

Decoders read a cut file, or one whose header contradicts itself, without a word; hence this look of our own.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, Literal

from tapeline.limits import HEADER_CHUNKS
from tapeline.recordings.recording import RecordingError
from tapeline.recordings.sample_extent import (
    SampleExtent,
    extent_of,
    never_finished,
    no_samples_found,
    require_explained,
)

UNSET_SIZE = 0xFFFFFFFF
INTEGER, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE
KINDS = {b"RIFF": "WAV", b"RIFX": "WAV (big-endian)", b"RF64": "RF64", b"BW64": "BW64"}

WIDE_FORM = b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00"
WIDE_TAIL = b"\xf3\xac\xd3\x11\x8c\xd1\x00\xc0\x4f\x8e\xdb\x8a"
WIDE_KIND = "64-bit WAV"


@dataclass(frozen=True)
class Chunk:
    """One chunk: its name, where its body starts, and the length that it declares."""

    name: bytes
    start: int
    length: int


@dataclass(frozen=True)
class WaveFormat:
    """What matters here of a format chunk. `linear` is false for compressed samples."""

    linear: bool
    channels: int
    sample_rate_hz: int
    frame_bytes: int
    bits: int


def wave_extent(path: Path) -> SampleExtent | None:
    """Declared and present frames of a WAV file; None for other kinds of file and for compressed samples.

    Raises RecordingError for a header without format or data, one that was never finished or contradicts itself.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(40)
        if head[:16] == WIDE_FORM and head[24:40] == b"wave" + WIDE_TAIL:
            return _extent(stream, size, WIDE_KIND, "<", _wide_chunks(stream, size))
        if head[:4] in KINDS and head[8:12] == b"WAVE":
            order: Literal["<", ">"] = ">" if head[:4] == b"RIFX" else "<"
            return _extent(stream, size, KINDS[head[:4]], order, _chunks(stream, 12, size, order))
    return None


def _chunks(stream: BinaryIO, position: int, size: int, order: str) -> Iterator[Chunk]:
    for _ in range(HEADER_CHUNKS):
        if position + 8 > size:
            return
        stream.seek(position)
        name, length = struct.unpack(f"{order}4sI", stream.read(8))
        yield Chunk(name, position + 8, length)
        position += 8 + length + length % 2


def _wide_chunks(stream: BinaryIO, size: int) -> Iterator[Chunk]:
    """Chunks named by 16 bytes, their length with name and length counted in, at multiples of 8 bytes."""
    position = 40
    for _ in range(HEADER_CHUNKS):
        if position + 24 > size:
            return
        stream.seek(position)
        name, tail, length = struct.unpack("<4s12sQ", stream.read(24))
        yield Chunk(name if tail == WIDE_TAIL else b"", position + 24, max(length - 24, 0))
        position += max((length + 7) // 8 * 8, 24)


def _extent(stream: BinaryIO, size: int, kind: str, order: str, chunks: Iterator[Chunk]) -> SampleExtent | None:
    described: WaveFormat | None = None
    wide_length: int | None = None
    for chunk in chunks:
        if chunk.name == b"data":
            if described is None:
                sentence = "the WAV file has no usable format description before its data"
                raise RecordingError("recording-unreadable", sentence)
            return _data_extent(stream, size, kind, order, described, chunk, wide_length)
        stream.seek(chunk.start)
        body = stream.read(min(chunk.length, 40))
        if chunk.name == b"fmt ":
            described = _format(body, order)
        elif chunk.name == b"ds64" and len(body) >= 16:
            wide_length = struct.unpack("<Q", body[8:16])[0]
    raise no_samples_found(kind, described is not None, size)


def _format(body: bytes, order: str) -> WaveFormat | None:
    if len(body) < 16:
        return None
    tag, channels, rate, _, frame_bytes, bits = struct.unpack(f"{order}HHIIHH", body[:16])
    if tag == EXTENSIBLE and len(body) >= 28:
        tag = struct.unpack(f"{order}I", body[24:28])[0]
    return WaveFormat(tag in (INTEGER, FLOAT), channels, rate, frame_bytes, bits)


def _data_extent(
    stream: BinaryIO, size: int, kind: str, order: str, described: WaveFormat, data: Chunk, wide_length: int | None
) -> SampleExtent | None:
    if not described.linear:
        return None
    expected = described.channels * -(-described.bits // 8)
    if expected != described.frame_bytes:
        raise RecordingError(
            "recording-unreadable",
            f"the header contradicts itself: {described.channels} channels of {described.bits} bits take {expected} "
            f"bytes a frame, it declares {described.frame_bytes}",
        )
    present = size - data.start
    declared = data.length
    if declared == UNSET_SIZE and kind in ("RF64", "BW64") and wide_length is not None:
        declared = wide_length
    unset = declared == UNSET_SIZE and kind != WIDE_KIND
    if present > 0 and (unset or (declared == 0 and not _are_chunks(stream, data.start, size, order))):
        raise never_finished(present)
    extent = replace(
        extent_of(kind, described.sample_rate_hz, described.frame_bytes, declared, present),
        words=(data.start, "big" if order == ">" else "little"),
    )
    behind = data.start + declared + declared % 2
    if kind == WIDE_KIND or _are_chunks(stream, behind, size, order):
        return extent
    return require_explained(extent, size - behind)


def _are_chunks(stream: BinaryIO, position: int, size: int, order: str) -> bool:
    """Whether the rest of a file is chunks with printable names (the last may be cut), or a lone byte of padding."""
    return all(chunk.name.isascii() and chunk.name.decode("ascii").isprintable() for chunk in
               _chunks(stream, position, size, order))  # fmt: skip
