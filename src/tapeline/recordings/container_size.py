"""How many bytes a file of another container than little-endian WAV declares itself to have."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import BinaryIO

UNKNOWN = 0xFFFFFFFF
WAVE_64 = b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb\x04\xc1\x00\x00"


def declared_bytes(path: Path) -> int | None:
    """Bytes that AIFF, big-endian WAV, 64-bit WAV, AU or CAF files declare; None for others and unstated lengths."""
    with path.open("rb") as stream:
        head = stream.read(24)
        if len(head) < 24:
            return None
        if head[:4] in (b"FORM", b"RIFX"):
            return 8 + int(struct.unpack(">I", head[4:8])[0])
        if head[:16] == WAVE_64:
            return int(struct.unpack("<Q", head[16:24])[0])
        if head[:4] == b".snd":
            offset, length = struct.unpack(">II", head[4:12])
            return None if length == UNKNOWN else int(offset + length)
        if head[:4] == b"caff":
            return _core_audio(stream)
    return None


def _core_audio(stream: BinaryIO) -> int | None:
    stream.seek(8)
    while len(chunk := stream.read(12)) == 12:
        length = struct.unpack(">q", chunk[4:])[0]
        if length < 0:
            return None
        end = stream.tell() + length
        if chunk[:4] == b"data":
            return int(end)
        stream.seek(end)
    return None
