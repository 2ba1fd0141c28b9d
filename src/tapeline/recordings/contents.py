"""What the samples of a recording amount to, channel by channel: peak, rms, mean and the bits that are really used."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.effective_bits import bits_used
from tapeline.arrays import Reals, Samples

Counts = NDArray[np.int64]

EXACT_BITS = 24
"""float32 holds every integer of so many bits; wider samples come rounded to them."""


@dataclass(frozen=True)
class Contents:
    """Figures of the channels, each of shape (channels,), in the unit of the samples (full scale 1 for integers).

    `used_bits` is None for floats; 0 for a channel of zeros. Of samples wider than 24 bits a figure above 24 says no
    more than that: they are looked at in float32.
    """

    frames: int
    peak: Reals
    rms: Reals
    mean: Reals
    not_finite: Counts
    used_bits: Counts | None


def contents(blocks: Iterable[Samples], channels: int, bits: int | None) -> Contents:
    """Take in blocks of shape (channels, frames), one at a time; constant memory.

    `bits`: of an integer sample, None for floats. Samples that are no finite numbers are counted and left out of the
    other figures; a channel of nothing else gets nan. `frames` counts all of them.
    """
    frames = 0
    peak, total, power = np.zeros(channels), np.zeros(channels), np.zeros(channels)
    not_finite, used = np.zeros(channels, dtype=np.int64), np.zeros(channels, dtype=np.int64)
    for block in blocks:
        values = block.astype(np.float64)
        finite = np.isfinite(values)
        if not finite.all():
            not_finite += np.count_nonzero(~finite, axis=1)
            values[~finite] = 0.0
        frames += values.shape[1]
        np.maximum(peak, np.abs(values).max(axis=1, initial=0.0), out=peak)
        total += values.sum(axis=1)
        power += np.vecdot(values, values)
        if bits is not None:
            codes = np.rint(values * 2.0 ** (bits - 1)).astype(np.int64)
            used |= np.bitwise_or.reduce(codes, axis=1)
    count = np.where(not_finite < frames, frames - not_finite, np.nan)
    return Contents(
        frames,
        np.where(np.isnan(count), np.nan, peak),
        np.sqrt(power / count),
        total / count,
        not_finite,
        None if bits is None else bits_used(used, bits),
    )
