"""The start of a recording that a WAV file states in its broadcast extension chunk (EBU Tech 3285, from memory)."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from tapeline.recordings.file_headers import KINDS, riff_chunks

DATE_AT, DATE_END, TIME_END = 320, 330, 338
"""Bytes of the chunk: texts of 256, 32 and 32 bytes, then the date yyyy-mm-dd and the time hh:mm:ss."""


def origination_time(path: Path) -> datetime | None:
    """Date and time at which the recorder says that it began, without a zone; None where the file does not say."""
    with path.open("rb") as stream:
        head = stream.read(12)
        if head[:4] not in KINDS or head[8:12] != b"WAVE":
            return None
        order = ">" if head[:4] == b"RIFX" else "<"
        for chunk in riff_chunks(stream, 12, path.stat().st_size, order):
            if chunk.name == b"bext" and chunk.length >= TIME_END:
                stream.seek(chunk.start)
                return _moment(stream.read(TIME_END)[DATE_AT:])
            if chunk.name == b"data":
                return None
    return None


def _moment(text: bytes) -> datetime | None:
    """The moment of ten bytes of date and eight of time, whatever signs stand between the numbers."""
    numbers = [text[first:last] for first, last in ((0, 4), (5, 7), (8, 10), (10, 12), (13, 15), (16, 18))]
    if len(text) < TIME_END - DATE_AT or not all(number.isdigit() for number in numbers):
        return None
    try:
        return datetime(*map(int, numbers))  # type: ignore[arg-type]
    except ValueError:
        return None
