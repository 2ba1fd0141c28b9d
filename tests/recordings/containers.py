"""Small files of every kind that is read, written for the tests."""

from __future__ import annotations

import io
import struct

import numpy as np
import soundfile

RATE = 12_800
NOISE = np.random.default_rng(9).normal(0.0, 0.1, (6_000, 3))

SOUND_FILES = {
    "WAV": ("WAV", "PCM_16", "FILE"),
    "WAV float": ("WAV", "FLOAT", "FILE"),
    "WAV big-endian": ("WAV", "PCM_24", "BIG"),
    "WAV extensible": ("WAVEX", "PCM_24", "FILE"),
    "RF64": ("RF64", "PCM_16", "FILE"),
    "64-bit WAV": ("W64", "PCM_16", "FILE"),
    "FLAC": ("FLAC", "PCM_16", "FILE"),
    "AIFF": ("AIFF", "PCM_16", "FILE"),
    "AIFC float": ("AIFF", "FLOAT", "FILE"),
    "CAF": ("CAF", "PCM_16", "FILE"),
    "AU": ("AU", "PCM_16", "FILE"),
    "AU little-endian": ("AU", "PCM_16", "LITTLE"),
}
"""Container, subtype and byte order for the sound-file library, by the name used here."""

KINDS = (*SOUND_FILES, "BW64", "NumPy")


def file_bytes(kind: str, frames: int = 6_000, channels: int = 3) -> bytes:
    """A file of noise."""
    noise = NOISE[:frames, :channels]
    stream = io.BytesIO()
    if kind == "NumPy":
        np.save(stream, noise.astype(np.float32))
        return stream.getvalue()
    container, subtype, endian = SOUND_FILES["RF64" if kind == "BW64" else kind]
    soundfile.write(stream, noise, RATE, format=container, subtype=subtype, endian=endian)
    content = stream.getvalue()
    return b"BW64" + content[4:] if kind == "BW64" else content


def header_bytes(kind: str, content: bytes) -> int:
    """Where the samples begin."""
    if kind == "FLAC":
        return 4 + 4 + 34
    if kind == "NumPy":
        return 10 + struct.unpack("<H", content[8:10])[0]
    if kind.startswith("AU"):
        return 24
    if kind.startswith("AI"):
        return content.index(b"SSND") + 16
    if kind == "CAF":
        return content.index(b"data") + 16
    return content.index(b"data") + (24 if kind == "64-bit WAV" else 8)


def wave(
    samples: bytes,
    *,
    channels: int = 1,
    bits: int = 16,
    rate: int = RATE,
    frame_bytes: int | None = None,
    declared: int | None = None,
    valid_bits: int | None = None,
    before: bytes = b"",
    behind: bytes = b"",
) -> bytes:
    """A WAV file written field by field (RIFF/WAVE, Microsoft and IBM 1991); `valid_bits` makes it extensible."""
    width = channels * -(-bits // 8) if frame_bytes is None else frame_bytes
    tag, more = 1, b""
    if valid_bits is not None:
        tag = 0xFFFE
        guid = struct.pack("<H", 1) + bytes.fromhex("000000001000800000aa00389b71")
        more = struct.pack("<HHI", 22, valid_bits, 0) + guid
    form = struct.pack("<HHIIHH", tag, channels, rate, rate * width & 0xFFFFFFFF, width, bits) + more
    length = len(samples) if declared is None else declared
    pad = b"\0" * (len(samples) % 2 if behind else 0)
    body = b"WAVEfmt " + struct.pack("<I", len(form)) + form + before
    body += b"data" + struct.pack("<I", length) + samples + pad + behind
    return b"RIFF" + struct.pack("<I", len(body) & 0xFFFFFFFF) + body
