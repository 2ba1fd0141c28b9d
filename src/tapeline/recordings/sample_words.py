"""Samples as words in bytes: their types, and how bytes become numbers, many channels at once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import numpy as np

from tapeline.arrays import Samples
from tapeline.recordings.recording import RecordingError, block_frames

SampleType = Literal["int16", "int24", "int32", "float32", "float64"]
ByteOrder = Literal["little", "big"]
SAMPLE_BYTES: dict[str, int] = {"int16": 2, "int24": 3, "int32": 4, "float32": 4, "float64": 8}
INTEGER_BITS = {"int16": 16, "int24": 24, "int32": 32}
SAMPLE_WORDS: dict[str, str] = {
    "int16": "16-bit integer",
    "int24": "24-bit integer",
    "int32": "32-bit integer",
    "float32": "32-bit float",
    "float64": "64-bit float",
}

_NUMPY_KINDS = {"int16": "i2", "int24": "i4", "int32": "i4", "float32": "f4", "float64": "f8"}


def decode(raw: bytes, sample_type: str, byte_order: str, channels: int = 1) -> Samples:
    """Interleaved words to float32 of shape (channels, frames); `raw` must hold whole frames.

    Integers become fractions of full scale, 2^(bits - 1); floats stay as they are.
    """
    order = "<" if byte_order == "little" else ">"
    width = SAMPLE_BYTES[sample_type]
    shape, strides = (channels, len(raw) // (width * channels)), (width, width * channels)
    kind = order + _NUMPY_KINDS[sample_type]
    if sample_type == "int24":
        # Four bytes are taken at each sample, its three on top: the fourth is a neighbour's and masked out.
        padded = b"\0" + raw + b"\0"
        wide = np.ndarray(shape, kind, padded, 0 if order == "<" else 1, strides)
        words = np.bitwise_and(wide, np.int32(-256), order="C")
    else:
        words = np.ndarray(shape, kind, raw, 0, strides)
    samples: Samples = words.astype(np.float32, order="C")
    if sample_type in INTEGER_BITS:
        samples *= np.float32(2.0 ** (1 - (32 if sample_type == "int24" else INTEGER_BITS[sample_type])))
    return samples


def read_words(path: Path, first_byte: int, words: int, sample_type: str, byte_order: str, channels: int) -> Samples:
    """So many words from a byte of a file on, see `decode`; raises RecordingError where the file ends before."""
    try:
        with path.open("rb", buffering=0) as stream:
            stream.seek(first_byte)
            raw = stream.read(words * SAMPLE_BYTES[sample_type])
    except OSError as error:
        sentence = f"{path.name}: it could not be read to its end ({error.strerror or error})"
        raise RecordingError("recording-unreadable", sentence) from error
    if len(raw) < words * SAMPLE_BYTES[sample_type]:
        raise RecordingError("recording-cut", f"{path.name}: the file ended while it was read")
    return decode(raw, sample_type, byte_order, channels)


def interleaved_blocks(
    path: Path, first_byte: int, sample_type: str, byte_order: str, channels: int, start: int, stop: int
) -> Iterator[Samples]:
    """Blocks of frames `start` to `stop`, frame 0 at `first_byte`; see Recording.blocks."""
    step, frame_bytes = block_frames(channels), SAMPLE_BYTES[sample_type] * channels
    for first in range(start, stop, step):
        count = min(step, stop - first)
        at = first_byte + first * frame_bytes
        yield read_words(path, at, count * channels, sample_type, byte_order, channels)
