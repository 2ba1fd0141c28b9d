"""Recordings and tables written in the ways that the input contract allows, and in ways that it does not."""

import csv
import io
import struct
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

Samples = NDArray[np.float64]  # frames by channels; volts or, where a full scale is given, volts all the same


def as_full_scale(volts: Samples, full_scale_v: Sequence[float]) -> Samples:
    return np.asarray(volts / np.asarray(full_scale_v)[None, :])


def integers(normalised: Samples, bits: int) -> NDArray[np.int64]:
    top = 2 ** (bits - 1)
    return np.asarray(np.clip(np.round(normalised * top), -top, top - 1), dtype=np.int64)


def write_float_wave(path: Path, samples: Samples, rate_hz: int) -> None:
    """32-bit float WAV, format tag 3, with the fact chunk that the format asks for and no time stamp anywhere."""
    path.parent.mkdir(parents=True, exist_ok=True)
    frames, channels = samples.shape
    body = samples.astype("<f4").tobytes()
    form = struct.pack("<4sIHHIIHHH", b"fmt ", 18, 3, channels, rate_hz, rate_hz * channels * 4, channels * 4, 32, 0)
    fact = struct.pack("<4sII", b"fact", 4, frames)
    data = struct.pack("<4sI", b"data", len(body))
    size = 4 + len(form) + len(fact) + len(data) + len(body)
    path.write_bytes(struct.pack("<4sI4s", b"RIFF", size, b"WAVE") + form + fact + data + body)


def write_integer_sound(path: Path, normalised: Samples, rate_hz: int, bits: int) -> None:
    """WAV or FLAC by the file's suffix, 16 or 24 bits."""
    path.parent.mkdir(parents=True, exist_ok=True)
    shifted = (integers(normalised, bits) << (32 - bits)).astype(np.int32)
    soundfile.write(path, shifted, rate_hz, subtype=f"PCM_{bits}")


def write_raw(
    path: Path,
    normalised: Samples,
    sample_type: Literal["int16", "int24", "int32", "float32", "float64"],
    byte_order: Literal["little", "big"],
    layout: Literal["interleaved", "planar"],
    header_bytes: int,
) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    frames = normalised if layout == "interleaved" else normalised.T
    order = ">" if byte_order == "big" else "<"
    if sample_type.startswith("float"):
        body = frames.astype(f"{order}f{int(sample_type[5:]) // 8}").tobytes()
    else:
        bits = int(sample_type[3:])
        values = np.ascontiguousarray(integers(frames, bits).astype(f"{order}i4"))
        if bits == 24:
            quads = values.view(np.uint8).reshape(-1, 4)
            body = quads[:, 1:].tobytes() if byte_order == "big" else quads[:, :3].tobytes()
        else:
            body = values.astype(f"{order}i{bits // 8}").tobytes()
    header = (b"synthetic rig recording " * (header_bytes // 24 + 1))[:header_bytes]
    path.write_bytes(header + body)


def write_table(
    path: Path, rows: Sequence[Mapping[str, object]], *, byte_order_mark: bool = False, crlf: bool = False
) -> None:
    columns = list(dict.fromkeys(column for row in rows for column in row))
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\r\n" if crlf else "\n", restval="")
    writer.writeheader()
    writer.writerows(rows)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes((b"\xef\xbb\xbf" if byte_order_mark else b"") + text.getvalue().encode())
