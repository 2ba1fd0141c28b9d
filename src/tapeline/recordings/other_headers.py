"""The declared length of AIFF, AU, CAF and FLAC files from their headers."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from tapeline.limits import HEADER_CHUNKS
from tapeline.recordings.recording import RecordingError
from tapeline.recordings.sample_extent import (
    SampleExtent,
    extent_of,
    never_finished,
    no_samples_found,
    require_explained,
    require_rate,
)

UNSET_SIZE = 0xFFFFFFFF
AU_SAMPLE_BYTES = {2: 1, 3: 2, 4: 3, 5: 4, 6: 4, 7: 8}
"""Bytes of a sample by the code in an AU header: integers of 8, 16, 24 and 32 bits, floats of 32 and 64."""

AIFC_LINEAR = {b"", b"NONE", b"sowt", b"twos", b"raw ", b"in24", b"42ni", b"in32", b"23ni", b"fl32", b"FL32", b"fl64",
               b"FL64"}  # fmt: skip
"""Codes of uncompressed samples; none in files without the compressed variant's longer description."""


def other_extent(path: Path) -> SampleExtent | None:
    """Declared and present frames of an AIFF, AU, CAF or FLAC file; None for other kinds and for compressed samples.

    Raises RecordingError for a header that is incomplete, was never finished or contradicts itself.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(12)
        reader = READERS.get(head[:4])
        if reader is None or (head[:4] == b"FORM" and head[8:12] not in (b"AIFF", b"AIFC")):
            return None
        return reader(stream, size)


def _aiff(stream: BinaryIO, size: int) -> SampleExtent | None:
    position, common = 12, b""
    samples: tuple[int, int] | None = None
    for _ in range(HEADER_CHUNKS):
        if position + 8 > size:
            break
        stream.seek(position)
        name, length = struct.unpack(">4sI", stream.read(8))
        if name == b"COMM":
            common = stream.read(min(length, 22))
        elif name == b"SSND":
            head = stream.read(8)
            offset = struct.unpack(">I", head[:4])[0] if len(head) == 8 else 0
            samples = (length - 8 - offset, size - position - 16 - offset)
        position += 8 + length + length % 2
    if len(common) < 18 or samples is None:
        raise no_samples_found("AIFF", len(common) >= 18, size)
    if common[18:22] not in AIFC_LINEAR:
        return None
    channels, frames, bits = struct.unpack(">HIH", common[:8])
    rate_hz, frame_bytes = _extended(common[8:18]), channels * -(-bits // 8)
    declared, present = samples
    if declared <= 0 and present > 0:
        raise never_finished(present)
    if frame_bytes > 0 and frames * frame_bytes != declared:
        raise RecordingError(
            "recording-unreadable",
            f"the header contradicts itself: {frames} frames of {frame_bytes} bytes are not the {declared} bytes of "
            f"samples that it declares",
        )
    return extent_of("AIFF", rate_hz, frame_bytes, frames * frame_bytes, max(min(present, declared), 0))


def _extended(octets: bytes) -> float:
    """An 80-bit float: sign and exponent (bias 16383), then 64 bits of mantissa with its leading one."""
    exponent, mantissa = struct.unpack(">HQ", octets)
    power = (exponent & 0x7FFF) - 16_383 - 63
    return float(mantissa) * 2.0**power if -200 < power < 200 and exponent < 0x8000 else 0.0


def _au(stream: BinaryIO, size: int) -> SampleExtent | None:
    stream.seek(0)
    head = stream.read(24)
    if len(head) < 24:
        raise no_samples_found("AU", False, size)
    order = ">" if head[:4] == b".snd" else "<"
    offset, length, code, rate, channels = struct.unpack(f"{order}5I", head[4:])
    if code not in AU_SAMPLE_BYTES:
        return None
    present = max(size - offset, 0)
    if length == UNSET_SIZE or (length == 0 and present > 0):
        raise never_finished(present)
    return require_explained(extent_of("AU", rate, AU_SAMPLE_BYTES[code] * channels, length, present), present - length)


def _core_audio(stream: BinaryIO, size: int) -> SampleExtent | None:
    position, described = 8, b""
    for _ in range(HEADER_CHUNKS):
        if position + 12 > size:
            break
        stream.seek(position)
        name, length = struct.unpack(">4sq", stream.read(12))
        position += 12
        if name == b"desc":
            described = stream.read(min(max(length, 0), 32))
        elif name == b"data":
            if len(described) < 32:
                break
            rate_hz, samples, _, packet_bytes, packet_frames = struct.unpack(">d4sIII", described[:24])
            if samples != b"lpcm" or packet_frames != 1:
                return None
            if length < 4 and size - position > 4:
                raise never_finished(size - position - 4)
            # Four bytes that count edits come before the samples.
            return extent_of("CAF", rate_hz, packet_bytes, max(length - 4, 0), max(size - position - 4, 0))
        if length < 0:
            break
        position += length
    raise no_samples_found("CAF", len(described) >= 32, size)


def _flac(stream: BinaryIO, size: int) -> SampleExtent | None:
    stream.seek(4)
    block = stream.read(38)
    if len(block) < 38 or block[0] & 0x7F != 0:
        raise no_samples_found("FLAC", False, size)
    packed = int.from_bytes(block[14:22], "big")
    rate_hz, frames = packed >> 44, packed & (2**36 - 1)
    require_rate(rate_hz)
    if frames == 0:
        if size > 42:
            raise never_finished(size - 42)
        raise no_samples_found("FLAC", True, size)
    return SampleExtent("FLAC", rate_hz, frames, None)


READERS: dict[bytes, Callable[[BinaryIO, int], SampleExtent | None]] = {
    b"FORM": _aiff,
    b".snd": _au,
    b"dns.": _au,
    b"caff": _core_audio,
    b"fLaC": _flac,
}
