"""Mains interference: lines at the mains frequency and its multiples above the spectrum around them."""

from __future__ import annotations

import numpy as np

from tapeline.acoustics.windows import window
from tapeline.arrays import Reals, Samples
from tapeline.limits import (
    HIGHEST_LINE_RATE_SHARE,
    MAINS_AROUND_FROM_HZ,
    MAINS_AROUND_TO_HZ,
    MAINS_AT_LEAST_BLOCKS,
    MAINS_BLOCK_S,
    MAINS_FREQUENCY_SHARE,
    MAINS_HARMONICS,
    MAINS_LINE_POWER_SHARE,
    MAINS_SAMPLE_RATE_HZ,
)


class MainsSearch:
    """Averaged spectrum of a stream below 800 Hz at a small cost, from means of neighbouring samples.

    The mean over m samples lets through aliases weakened by at least sin(x)/x; they raise the floor around a line,
    never the line itself.
    """

    def __init__(self, channels: int, sample_rate_hz: float, mains_hz: float) -> None:
        self._joined = max(1, int(sample_rate_hz / MAINS_SAMPLE_RATE_HZ))
        self._rate = sample_rate_hz / self._joined
        self._mains = mains_hz
        self._frames = 2 * round(MAINS_BLOCK_S * self._rate / 2.0)
        self._window = window("hann", self._frames).astype(np.float32)
        self._power = np.zeros((channels, self._frames // 2 + 1))
        self.blocks = 0
        self._ones = np.full(self._joined, 1.0 / self._joined, dtype=np.float32)
        self._raw = np.zeros((channels, 0), dtype=np.float32)
        self._slow = np.zeros((channels, 0), dtype=np.float32)

    def add(self, samples: Samples) -> None:
        """Take in samples of shape (channels, frames)."""
        raw = np.concatenate([self._raw, samples], axis=1) if self._raw.shape[1] else samples
        count = raw.shape[1] // self._joined
        used = count * self._joined
        slow = raw[:, :used].reshape(raw.shape[0], count, self._joined) @ self._ones
        self._raw = raw[:, used:].copy()
        self._slow = np.concatenate([self._slow, slow], axis=1)
        hop = self._frames // 2
        while self._slow.shape[1] >= self._frames:
            block = self._slow[:, : self._frames]
            lines = np.fft.rfft((block - block.mean(axis=1, keepdims=True)) * self._window, axis=1)
            self._power += lines.real**2 + lines.imag**2
            self.blocks += 1
            self._slow = self._slow[:, hop:]

    def excess_db(self) -> Reals:
        """Each harmonic's strongest line above the median of the lines around it, in dB, (channels, harmonics).

        NaN where the recording is too short or the harmonic lies above half the rate; 0 for lines of next to no power.
        """
        found = np.full((self._power.shape[0], MAINS_HARMONICS), np.nan)
        if self.blocks < MAINS_AT_LEAST_BLOCKS:
            return found
        total = self._power.sum(axis=1)
        step = self._rate / self._frames
        hertz = np.arange(self._power.shape[1]) * step
        for order in range(1, MAINS_HARMONICS + 1):
            centre = order * self._mains
            if centre + MAINS_AROUND_TO_HZ >= HIGHEST_LINE_RATE_SHARE * self._rate:
                continue
            distance = np.abs(hertz - centre)
            line = distance <= max(step, MAINS_FREQUENCY_SHARE * centre)
            around = (distance >= MAINS_AROUND_FROM_HZ + MAINS_FREQUENCY_SHARE * centre) & (
                distance <= MAINS_AROUND_TO_HZ
            )
            with np.errstate(divide="ignore", invalid="ignore"):
                peak = self._power[:, line].max(axis=1)
                ratio = peak / np.median(self._power[:, around], axis=1)
                excess = 10.0 * np.log10(ratio)
            found[:, order - 1] = np.where(peak >= MAINS_LINE_POWER_SHARE * total, excess, 0.0)
        return found
