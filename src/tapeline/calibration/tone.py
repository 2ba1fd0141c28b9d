"""Calibrator tones in a recording: which channel was rung when, and the steady part of each ring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from tapeline.acoustics.windows import window

Reals = NDArray[np.float64]

BLOCK_S = 0.1
"""Length of a block whose tone level is followed; half overlapped."""

LEAST_DOMINANCE_DB = 6.0
"""A rung channel stands at least this far above every other one (own choice; leakage is 20 dB down and more)."""

LEAST_BLOCK_TONE_TO_REST_DB = 10.0
"""Blocks with more noise than this are handling, not calibration (own choice)."""

SETTLED_DB = 0.03
"""A block this near the median counts as settled however small the scatter (own choice, a tenth of a class limit)."""

SETTLED_FACTOR = 6.0
"""So many median deviations, four standard deviations of a normal scatter, count as settled (own choice)."""


class ToneTrack:
    """Power near the calibrator's frequency and power of the rest, per channel and block, from streamed samples."""

    def __init__(self, channels: int, sample_rate_hz: float, frequency_hz: float, within_pct: float) -> None:
        self._frames = 2 * max(8, round(BLOCK_S * sample_rate_hz / 2))
        self.hop_s = self._frames / 2 / sample_rate_hz
        self.block_s = self._frames / sample_rate_hz
        self._window = window("hann", self._frames).astype(np.float32)
        self._scale = 1.0 / (self._frames * float(np.sum(self._window.astype(np.float64) ** 2)))
        lines = np.arange(self._frames // 2 + 1) * sample_rate_hz / self._frames
        reach = frequency_hz * within_pct / 100.0 + 2.0 * sample_rate_hz / self._frames
        self._near = np.abs(lines - frequency_hz) <= reach
        self.near_share = float(np.count_nonzero(self._near)) / lines.size
        self._rest = np.zeros((channels, 0), dtype=np.float32)
        self._tone: list[Reals] = []
        self._other: list[Reals] = []

    def add(self, samples: NDArray[np.float32]) -> None:
        """Take in samples of shape (channels, frames)."""
        held = np.concatenate([self._rest, samples], axis=1)
        hop = self._frames // 2
        count = max(0, (held.shape[1] - self._frames) // hop + 1)
        for k in range(count):
            block = held[:, k * hop : k * hop + self._frames]
            block = block - block.mean(axis=1, keepdims=True)
            lines = scipy.fft.rfft(block * self._window, axis=-1)
            power = (lines.real**2 + lines.imag**2).astype(np.float64) * (2.0 * self._scale)
            tone = power[:, self._near].sum(axis=1)
            self._tone.append(tone)
            self._other.append(np.maximum(power.sum(axis=1) - tone, 1e-30))
        self._rest = held[:, count * hop :].copy()

    @property
    def tone(self) -> Reals:
        """Mean square of the tone, shape (channels, blocks)."""
        return np.stack(self._tone, axis=1) if self._tone else np.zeros((self._rest.shape[0], 0))

    @property
    def other(self) -> Reals:
        """Mean square of everything else, shape (channels, blocks)."""
        return np.stack(self._other, axis=1) if self._other else np.zeros((self._rest.shape[0], 0))


@dataclass(frozen=True)
class SteadyPart:
    """Start and stop of the steady part of a ring, in seconds of the recording."""

    start_s: float
    stop_s: float

    @property
    def length_s(self) -> float:
        return self.stop_s - self.start_s


def rung_blocks(tone: Reals, other: Reals, expected: Reals, within_db: Reals) -> NDArray[np.bool_]:
    """Which channel is rung in which block, shape (channels, blocks).

    `expected` (channels,) is the mean square that the calibrator gives on each channel after the sensor table. A
    channel is rung where its tone is within `within_db` (channels,) of that, stands clear of the block's noise and of
    the tone on all other channels (each relative to its own expected value).
    """
    with np.errstate(divide="ignore"):
        level = 10.0 * np.log10(np.maximum(tone, 1e-30) / expected[:, None])
        above_rest = 10.0 * np.log10(np.maximum(tone, 1e-30) / other)
    rung = (np.abs(level) <= within_db[:, None]) & (above_rest >= LEAST_BLOCK_TONE_TO_REST_DB)
    if tone.shape[0] > 1:
        ordered = np.sort(level, axis=0)
        best, second = ordered[-1], ordered[-2]
        rung &= (level == best) & (best - second >= LEAST_DOMINANCE_DB)
    return np.asarray(rung)


def steadiness_limit_db(
    rung: NDArray[np.bool_], tone: Reals, other: Reals, near_share: float, within_db: float
) -> float:
    """`within_db` widened by three standard deviations of what noise near the tone does to a block's level.

    A block of tone power P with noise power N near the tone scatters by 4.343 sqrt(2 N / P) dB.
    """
    if not rung.any():
        return within_db
    noise_to_tone = float(np.median(other[rung] / tone[rung])) * near_share
    return within_db + 3.0 * 4.343 * float(np.sqrt(2.0 * noise_to_tone))


def steady_part(
    rung: NDArray[np.bool_], tone: Reals, hop_s: float, block_s: float, within_db: float
) -> SteadyPart | None:
    """The longest stretch of rung blocks whose tone levels all lie within ±`within_db`; one channel, shape (blocks,).

    One block is taken off at each end, since the windows there still see the handling; then blocks at the ends that are
    off the stretch's median by more than its own scatter: a coupler that is still settling. None when nothing is left.
    """
    level = 10.0 * np.log10(np.maximum(tone, 1e-30))
    best = (0, 0)
    start = 0
    for stop in range(1, rung.size + 1):
        if not rung[stop - 1]:
            start = stop
            continue
        while level[start:stop].max() - level[start:stop].min() > 2.0 * within_db:
            start += 1
        if stop - start > best[1] - best[0]:
            best = (start, stop)
    first, last = best[0] + 1, best[1] - 1
    if last <= first:
        return None
    offset = np.abs(level - np.median(level[first:last]))
    settled = offset <= max(SETTLED_DB, SETTLED_FACTOR * float(np.median(offset[first:last])))
    inside = np.flatnonzero(settled[first:last]) + first
    first, last = int(inside[0]), int(inside[-1]) + 1
    return SteadyPart(first * hop_s, (last - 1) * hop_s + block_s)
