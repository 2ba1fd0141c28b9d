"""A calibrator's tone followed through a recording: its power, the noise beside it, and its steady part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from tapeline.acoustics.windows import window
from tapeline.arrays import Reals
from tapeline.limits import TONE_BLOCK_S, TONE_NOISE_OCTAVES, TONE_SETTLED_DB, TONE_SETTLED_MEDIAN_DEVIATIONS

SMALLEST_POWER = 1e-30
"""Stands for no power at all where a ratio is asked for, in square units of the recording."""


def octave_around(frequency_hz: float) -> tuple[float, float]:
    """Edges (Hz) of the band about a tone in which noise counts as the tone's, `TONE_NOISE_OCTAVES` wide."""
    half = 2.0 ** (TONE_NOISE_OCTAVES / 2.0)
    return frequency_hz / half, frequency_hz * half


def octave_width_hz(frequency_hz: float) -> float:
    """Width in Hz of the band about a tone in which its noise is measured."""
    low, high = octave_around(frequency_hz)
    return high - low


class ToneTrack:
    """Power near the calibrator's frequency and in the rest of the octave about it, per channel and block, streamed.

    NaN and infinite samples are counted in `not_finite`, shape (channels,); their blocks hold no tone.
    """

    def __init__(self, channels: int, sample_rate_hz: float, frequency_hz: float, within_pct: float) -> None:
        self._frames = 2 * max(8, round(TONE_BLOCK_S * sample_rate_hz / 2))
        self.hop_s = self._frames / 2 / sample_rate_hz
        self.block_s = self._frames / sample_rate_hz
        self._window = window("hann", self._frames).astype(np.float32)
        self._scale = 1.0 / (self._frames * float(np.sum(self._window.astype(np.float64) ** 2)))
        lines = np.arange(self._frames // 2 + 1) * sample_rate_hz / self._frames
        reach = frequency_hz * within_pct / 100.0 + 2.0 * sample_rate_hz / self._frames
        low, high = octave_around(frequency_hz)
        near = np.abs(lines - frequency_hz) <= reach
        beside = (lines >= low) & (lines <= high) & ~near
        asked = np.flatnonzero(near | beside)
        self._asked = slice(int(asked[0]), int(asked[-1]) + 1) if asked.size else slice(0)
        self._near, self._beside = near[self._asked], beside[self._asked]
        self.near_share = int(np.count_nonzero(self._near)) / max(1, int(np.count_nonzero(self._beside)))
        self.not_finite = np.zeros(channels, dtype=np.int64)
        self._all_finite = True
        self._rest = np.zeros((channels, 0), dtype=np.float32)
        self._tone: list[Reals] = []
        self._beside_power: list[Reals] = []

    def add(self, samples: NDArray[np.float32]) -> None:
        """Take in samples of shape (channels, frames)."""
        finite = np.isfinite(samples)
        self._all_finite = bool(finite.all()) and (self._all_finite or bool(np.isfinite(self._rest).all()))
        if not self._all_finite:
            self.not_finite += np.count_nonzero(~finite, axis=1)
        held = np.concatenate([self._rest, samples], axis=1)
        hop = self._frames // 2
        count = max(0, (held.shape[1] - self._frames) // hop + 1)
        for k in range(count):
            block = held[:, k * hop : k * hop + self._frames]
            if not self._all_finite:
                block = np.where(np.isfinite(block).all(axis=1, keepdims=True), block, np.float32(0.0))
            block = block - block.mean(axis=1, keepdims=True)
            lines = scipy.fft.rfft(block * self._window, axis=-1)[:, self._asked]
            power = (lines.real**2 + lines.imag**2).astype(np.float64) * (2.0 * self._scale)
            self._tone.append(power[:, self._near].sum(axis=1))
            self._beside_power.append(np.maximum(power[:, self._beside].sum(axis=1), SMALLEST_POWER))
        self._rest = held[:, count * hop :].copy()

    @property
    def tone(self) -> Reals:
        """Mean square of the tone, shape (channels, blocks)."""
        return np.stack(self._tone, axis=1) if self._tone else np.zeros((self._rest.shape[0], 0))

    @property
    def beside(self) -> Reals:
        """Mean square of the rest of the octave, shape (channels, blocks)."""
        return np.stack(self._beside_power, axis=1) if self._beside_power else np.zeros((self._rest.shape[0], 0))


@dataclass(frozen=True)
class SteadyPart:
    """Start and stop of the steady part of an application, in seconds of the recording."""

    start_s: float
    stop_s: float

    @property
    def length_s(self) -> float:
        """Length of the steady part in seconds."""
        return self.stop_s - self.start_s


def steadiness_limit_db(
    calibrated: NDArray[np.bool_], tone: Reals, beside: Reals, near_share: float, within_db: float
) -> float:
    """`within_db` widened by three standard deviations of what noise near the tone does to a block's level.

    A block of tone power P with noise power N near the tone scatters by 4.343 sqrt(2 N / P) dB; N is `near_share` of
    the noise in the rest of the octave.
    """
    if not calibrated.any():
        return within_db
    noise_to_tone = float(np.median(beside[calibrated] / tone[calibrated])) * near_share
    return within_db + 3.0 * 4.343 * float(np.sqrt(2.0 * noise_to_tone))


def steady_part(
    calibrated: NDArray[np.bool_], tone: Reals, hop_s: float, block_s: float, within_db: float
) -> SteadyPart | None:
    """The longest stretch of calibrated blocks whose tone levels all lie within ±`within_db`; one channel, (blocks,).

    One block is removed at each end, since the windows there still contain the handling; then blocks at the ends that
    are off the stretch's median by more than its own scatter: a coupler that is still settling. None when nothing is
    left.
    """
    level = 10.0 * np.log10(np.maximum(tone, SMALLEST_POWER))
    best = (0, 0)
    start = 0
    for stop in range(1, calibrated.size + 1):
        if not calibrated[stop - 1]:
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
    settled = offset <= max(TONE_SETTLED_DB, TONE_SETTLED_MEDIAN_DEVIATIONS * float(np.median(offset[first:last])))
    inside = np.flatnonzero(settled[first:last]) + first
    first, last = int(inside[0]), int(inside[-1]) + 1
    return SteadyPart(first * hop_s, (last - 1) * hop_s + block_s)
