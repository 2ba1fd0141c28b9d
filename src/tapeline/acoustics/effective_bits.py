"""How many bits of integer samples are really used."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Samples
from tapeline.limits import EFFECTIVE_BITS_EVERY_BLOCKS


class UsedBits:
    """Effective bits of each channel, from samples in fractions of full scale with `bits` bits.

    float32 holds 24 bits; of wider samples only the upper 24 are examined.
    """

    def __init__(self, channels: int, bits: int) -> None:
        self.bits = bits
        self._looked = min(bits, 24)
        self._set = np.zeros(channels, dtype=np.int64)
        self._block = 0

    def add(self, samples: Samples) -> None:
        """Take in samples of shape (channels, frames)."""
        if self._block % EFFECTIVE_BITS_EVERY_BLOCKS == 0:
            codes = np.abs(samples * np.float32(2.0 ** (self._looked - 1))).astype(np.int64)
            self._set |= np.bitwise_or.reduce(codes, axis=1)
        self._block += 1

    def used(self) -> NDArray[np.int64]:
        """Bits from the sign to the lowest one set, shape (channels,); all of them for a channel of zeros."""
        return np.asarray(np.where(self._set > 0, bits_used(self._set, self._looked), self.bits))


def bits_used(codes: NDArray[np.int64], bits: int) -> NDArray[np.int64]:
    """Bits from the sign to the lowest bit set in `codes`, the bitwise or of all samples of `bits` bits; 0 for 0."""
    lowest = codes & -codes
    trailing = np.log2(np.maximum(lowest, 1)).astype(np.int64)
    return np.asarray(np.where(lowest > 0, bits - trailing, 0))
