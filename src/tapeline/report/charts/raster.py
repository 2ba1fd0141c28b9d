"""A raster of shades inside a drawing: dense data that no path could hold."""

from __future__ import annotations

import base64
import struct
import zlib

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals

GREY_WITH_OPACITY = 4
"""Colour type of a PNG (ISO/IEC 15948)."""
FAINTEST = 20
"""Opacity of the least value, of 255: what is there is told from what is left out."""


def shades(values: Reals) -> str:
    """Values from 0 to 1, shape (rows, columns), as the address of a PNG: black of rising opacity, clear for NaN.

    The first row is the upper one. The same values give the same bytes.
    """
    known = np.isfinite(values)
    opacity = FAINTEST + np.round(np.clip(np.where(known, values, 0.0), 0.0, 1.0) * (255 - FAINTEST))
    pixels = np.zeros((*values.shape, 2), dtype=np.uint8)
    pixels[..., 1] = np.where(known, opacity, 0)
    return f"data:image/png;base64,{base64.b64encode(_png(pixels)).decode('ascii')}"


def _png(pixels: NDArray[np.uint8]) -> bytes:
    rows, columns, _ = pixels.shape
    header = struct.pack(">IIBBBBB", columns, rows, 8, GREY_WITH_OPACITY, 0, 0, 0)
    lines = b"".join(b"\x00" + row.tobytes() for row in pixels)
    parts = ((b"IHDR", header), (b"IDAT", zlib.compress(lines, 9)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data)) for kind, data in parts
    )
