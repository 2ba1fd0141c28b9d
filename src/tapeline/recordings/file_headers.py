"""How many frames a file's own header declares, and how many of them its bytes can hold: WAV, AIFF, AU, CAF, FLAC.

Decoders read a cut file, or one whose header contradicts itself, without a word; hence this look of our own.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, Literal

from tapeline.limits import HEADER_CHUNKS, PADDING_BYTES
from tapeline.recordings.recording import RecordingError

UNSET_SIZE = 0xFFFFFFFF
INTEGER, FLOAT, EXTENSIBLE = 1, 3, 0xFFFE
KINDS = {b"RIFF": "WAV", b"RIFX": "WAV (big-endian)", b"RF64": "RF64", b"BW64": "BW64"}

WIDE_FORM = b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00"
WIDE_TAIL = b"\xf3\xac\xd3\x11\x8c\xd1\x00\xc0\x4f\x8e\xdb\x8a"
WIDE_KIND = "64-bit WAV"

AU_SAMPLE_BYTES = {2: 1, 3: 2, 4: 3, 5: 4, 6: 4, 7: 8}
"""Bytes of a sample by the code in an AU header: integers of 8, 16, 24 and 32 bits, floats of 32 and 64."""

AIFC_LINEAR = {b"", b"NONE", b"sowt", b"twos", b"raw ", b"in24", b"42ni", b"in32", b"23ni", b"fl32", b"FL32", b"fl64",
               b"FL64"}  # fmt: skip
"""Codes of uncompressed samples; none in files without the compressed variant's longer description."""


@dataclass(frozen=True)
class SampleExtent:
    """Declared and present frames of one file, from its header and its size alone.

    `container` is the file's kind in words. `present_frames` is None where only decoding can tell (FLAC). Where samples
    lie as plain interleaved words, `words` says from which byte on and in which order of bytes.
    """

    container: str
    sample_rate_hz: float
    declared_frames: int
    present_frames: int | None
    words: tuple[int, Literal["little", "big"]] | None = None

    def require_whole(self) -> None:
        """Raises RecordingError where frames that the header declares are not there, or where there are none at all."""
        if self.declared_frames == 0:
            raise RecordingError("recording-empty", "the recording holds no samples")
        if self.present_frames is None or self.present_frames >= self.declared_frames:
            return
        missing, rate = self.declared_frames - self.present_frames, self.sample_rate_hz
        raise RecordingError(
            "recording-cut",
            f"the header declares {self.declared_frames} frames ({self.declared_frames / rate:.3f} s), "
            f"the last {missing} ({missing / rate:.3f} s) are missing",
        )


def header_extent(path: Path) -> SampleExtent | None:
    """Declared and present frames of a WAV, AIFF, AU, CAF or FLAC file; None for other kinds and compressed samples.

    Raises RecordingError for a header that is incomplete, was never finished or contradicts itself.
    """
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(40)
        if head[:16] == WIDE_FORM and head[24:40] == b"wave" + WIDE_TAIL:
            return _wave(stream, size, WIDE_KIND, "<", _wide_chunks(stream, size))
        if head[:4] in KINDS and head[8:12] == b"WAVE":
            order: Literal["<", ">"] = ">" if head[:4] == b"RIFX" else "<"
            return _wave(stream, size, KINDS[head[:4]], order, riff_chunks(stream, 12, size, order))
        reader = READERS.get(head[:4])
        if reader is None or (head[:4] == b"FORM" and head[8:12] not in (b"AIFF", b"AIFC")):
            return None
        return reader(stream, size)


def is_known_kind(path: Path) -> bool:
    """Whether a file begins as one of the kinds that are read does."""
    with path.open("rb") as stream:
        head = stream.read(12)
    return head[:4] in KINDS or head[:4] in READERS or WIDE_FORM.startswith(head)


def _extent_of(
    container: str, rate_hz: float, frame_bytes: int, declared_bytes: int, present_bytes: int
) -> SampleExtent:
    """The extent of uncompressed samples; raises RecordingError for frames of no size or a rate that is none."""
    if frame_bytes <= 0:
        raise RecordingError("recording-unreadable", "the header declares no channels or samples of no bits")
    _require_rate(rate_hz)
    declared = declared_bytes // frame_bytes
    return SampleExtent(container, rate_hz, declared, min(present_bytes // frame_bytes, declared))


def _require_explained(extent: SampleExtent, bytes_behind: int) -> SampleExtent:
    """`extent` itself; raises RecordingError where more bytes follow the samples than padding of a disk explains."""
    if bytes_behind > PADDING_BYTES:
        raise RecordingError(
            "recording-cut",
            f"the header declares {extent.declared_frames} frames, but {bytes_behind} more bytes follow that it does "
            f"not explain: its length was not brought up to date, or passed the 4 GiB that it can hold",
        )
    return extent


def _require_rate(rate_hz: float) -> None:
    """Raises RecordingError unless `rate_hz` is a positive number."""
    if not 0.0 < rate_hz < float("inf"):
        raise RecordingError("recording-unreadable", f"the header declares a sample rate of {rate_hz:g} Hz")


def _never_finished(present_bytes: int) -> RecordingError:
    """The fault of a header that was written when recording began and not completed at its end."""
    return RecordingError(
        "recording-cut",
        f"the header was never finished: it declares no length, {present_bytes} bytes of samples follow it",
    )


def _no_samples_found(kind: str, format_found: bool, size: int) -> RecordingError:
    """The fault of a file without sample data or without a description of it before its end."""
    missing = "no sample data" if format_found else "no format description"
    return RecordingError("recording-unreadable", f"the {kind} file has {missing}: its header ends at {size} bytes")


@dataclass(frozen=True)
class _Chunk:
    """One chunk: its name, where its body starts, and the length that it declares."""

    name: bytes
    start: int
    length: int


@dataclass(frozen=True)
class _WaveFormat:
    """What matters here of a format chunk. `linear` is false for compressed samples."""

    linear: bool
    channels: int
    sample_rate_hz: int
    frame_bytes: int
    bits: int


def riff_chunks(stream: BinaryIO, position: int, size: int, order: str) -> Iterator[_Chunk]:
    for _ in range(HEADER_CHUNKS):
        if position + 8 > size:
            return
        stream.seek(position)
        name, length = struct.unpack(f"{order}4sI", stream.read(8))
        yield _Chunk(name, position + 8, length)
        position += 8 + length + length % 2


def _wide_chunks(stream: BinaryIO, size: int) -> Iterator[_Chunk]:
    """Chunks named by 16 bytes, their length with name and length counted in, at multiples of 8 bytes."""
    position = 40
    for _ in range(HEADER_CHUNKS):
        if position + 24 > size:
            return
        stream.seek(position)
        name, tail, length = struct.unpack("<4s12sQ", stream.read(24))
        yield _Chunk(name if tail == WIDE_TAIL else b"", position + 24, max(length - 24, 0))
        position += max((length + 7) // 8 * 8, 24)


def _wave(stream: BinaryIO, size: int, kind: str, order: str, chunks: Iterator[_Chunk]) -> SampleExtent | None:
    described: _WaveFormat | None = None
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
    raise _no_samples_found(kind, described is not None, size)


def _format(body: bytes, order: str) -> _WaveFormat | None:
    if len(body) < 16:
        return None
    tag, channels, rate, _, frame_bytes, bits = struct.unpack(f"{order}HHIIHH", body[:16])
    if tag == EXTENSIBLE and len(body) >= 28:
        tag = struct.unpack(f"{order}I", body[24:28])[0]
    return _WaveFormat(tag in (INTEGER, FLOAT), channels, rate, frame_bytes, bits)


def _data_extent(
    stream: BinaryIO, size: int, kind: str, order: str, described: _WaveFormat, data: _Chunk, wide_length: int | None
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
        raise _never_finished(present)
    extent = replace(
        _extent_of(kind, described.sample_rate_hz, described.frame_bytes, declared, present),
        words=(data.start, "big" if order == ">" else "little"),
    )
    behind = data.start + declared + declared % 2
    if kind == WIDE_KIND or _are_chunks(stream, behind, size, order):
        return extent
    return _require_explained(extent, size - behind)


def _are_chunks(stream: BinaryIO, position: int, size: int, order: str) -> bool:
    """Whether the rest of a file is chunks with printable names (the last may be cut), or a lone byte of padding."""
    return all(chunk.name.isascii() and chunk.name.decode("ascii").isprintable() for chunk in
               riff_chunks(stream, position, size, order))  # fmt: skip


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
        raise _no_samples_found("AIFF", len(common) >= 18, size)
    if common[18:22] not in AIFC_LINEAR:
        return None
    channels, frames, bits = struct.unpack(">HIH", common[:8])
    rate_hz, frame_bytes = _extended(common[8:18]), channels * -(-bits // 8)
    declared, present = samples
    if declared <= 0 and present > 0:
        raise _never_finished(present)
    if frame_bytes > 0 and frames * frame_bytes != declared:
        raise RecordingError(
            "recording-unreadable",
            f"the header contradicts itself: {frames} frames of {frame_bytes} bytes are not the {declared} bytes of "
            f"samples that it declares",
        )
    return _extent_of("AIFF", rate_hz, frame_bytes, frames * frame_bytes, max(min(present, declared), 0))


def _extended(octets: bytes) -> float:
    """An 80-bit float: sign and exponent (bias 16383), then 64 bits of mantissa with its leading one."""
    exponent, mantissa = struct.unpack(">HQ", octets)
    power = (exponent & 0x7FFF) - 16_383 - 63
    return float(mantissa) * 2.0**power if -200 < power < 200 and exponent < 0x8000 else 0.0


def _au(stream: BinaryIO, size: int) -> SampleExtent | None:
    stream.seek(0)
    head = stream.read(24)
    if len(head) < 24:
        raise _no_samples_found("AU", False, size)
    order = ">" if head[:4] == b".snd" else "<"
    offset, length, code, rate, channels = struct.unpack(f"{order}5I", head[4:])
    if code not in AU_SAMPLE_BYTES:
        return None
    present = max(size - offset, 0)
    if length == UNSET_SIZE or (length == 0 and present > 0):
        raise _never_finished(present)
    return _require_explained(
        _extent_of("AU", rate, AU_SAMPLE_BYTES[code] * channels, length, present), present - length
    )


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
                raise _never_finished(size - position - 4)
            # Four bytes that count edits come before the samples.
            return _extent_of("CAF", rate_hz, packet_bytes, max(length - 4, 0), max(size - position - 4, 0))
        if length < 0:
            break
        position += length
    raise _no_samples_found("CAF", len(described) >= 32, size)


def _flac(stream: BinaryIO, size: int) -> SampleExtent | None:
    stream.seek(4)
    block = stream.read(38)
    if len(block) < 38 or block[0] & 0x7F != 0:
        raise _no_samples_found("FLAC", False, size)
    packed = int.from_bytes(block[14:22], "big")
    rate_hz, frames = packed >> 44, packed & (2**36 - 1)
    _require_rate(rate_hz)
    if frames == 0:
        if size > 42:
            raise _never_finished(size - 42)
        raise _no_samples_found("FLAC", True, size)
    return SampleExtent("FLAC", rate_hz, frames, None)


READERS: dict[bytes, Callable[[BinaryIO, int], SampleExtent | None]] = {
    b"FORM": _aiff,
    b".snd": _au,
    b"dns.": _au,
    b"caff": _core_audio,
    b"fLaC": _flac,
}
