"""The rings of a calibrator recording: every turn of every channel, in order of time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.calibration.tone import Reals, SteadyPart, ToneTrack, rung_blocks, steadiness_limit_db, steady_part

JOINED_GAP_S = 0.3
"""Blocks lost to a knock for no longer than this do not end a ring (own choice, some blocks)."""

LEAST_RING_S = 0.5
"""A shorter tone is a slip of the hand, not a ring (own choice)."""


@dataclass(frozen=True)
class Ring:
    """One turn of one channel (index from 0): when its tone was heard and the steady part in it, if any."""

    channel: int
    start_s: float
    stop_s: float
    steady: SteadyPart | None

    @property
    def length_s(self) -> float:
        return self.stop_s - self.start_s

    @property
    def steady_s(self) -> float:
        """Length of the steady part, 0 where there is none."""
        return self.steady.length_s if self.steady else 0.0


def rings_in(track: ToneTrack, expected: Reals, within_db: Reals, steady_within_db: float) -> list[Ring]:
    """All rings of a followed recording, sorted by start.

    `expected` and `within_db`, both of shape (channels,), are those of `rung_blocks`; `steady_within_db` is the spread
    of a steady tone before the noise near it is allowed for.
    """
    tone, other = track.tone, track.other
    if tone.shape[1] == 0:
        return []
    rung = rung_blocks(tone, other, expected, within_db)
    rings = []
    for channel in range(tone.shape[0]):
        limit = steadiness_limit_db(rung[channel], tone[channel], other[channel], track.near_share, steady_within_db)
        for first, last in stretches(rung[channel], round(JOINED_GAP_S / track.hop_s)):
            part = np.zeros(rung.shape[1], dtype=bool)
            part[first:last] = rung[channel, first:last]
            start, stop = first * track.hop_s, (last - 1) * track.hop_s + track.block_s
            if stop - start >= LEAST_RING_S:
                steady = steady_part(part, tone[channel], track.hop_s, track.block_s, limit)
                rings.append(Ring(channel, start, stop, steady))
    return sorted(rings, key=lambda ring: (ring.start_s, ring.channel))


def stretches(flags: NDArray[np.bool_], gap: int) -> list[tuple[int, int]]:
    """First and one past the last index of each stretch of set flags; gaps of up to `gap` flags do not part it."""
    found: list[tuple[int, int]] = []
    for index in np.flatnonzero(flags).tolist():
        if found and index - found[-1][1] <= gap:
            found[-1] = (found[-1][0], index + 1)
        else:
            found.append((index, index + 1))
    return found
