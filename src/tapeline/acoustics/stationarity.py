"""Whether a level stays where it is over a run: block powers, their trend, and the reverse-arrangement test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapeline.arrays import Reals
from tapeline.limits import (
    COMMON_TREND_CHANNELS,
    TREND_AT_LEAST_SEGMENTS,
    TREND_SEGMENTS,
    WANDERING_CORRELATION,
    WANDERING_DOF,
)

MOST_BLOCKS = 4096
"""More blocks than this are joined in pairs, so that a long recording needs no more memory."""


class BlockMeans:
    """A mean of every block of a stream, (channels,) each; blocks are joined in pairs when they become many."""

    def __init__(self) -> None:
        self._sums: list[Reals] = []
        self._frames: list[int] = []
        self._joined = 1
        self._open: list[tuple[Reals, int]] = []

    def add(self, mean: Reals, frames: int) -> None:
        """Take in one block's mean, of the samples or of their squares, of shape (channels,), and its length."""
        self._open.append((mean * frames, frames))
        if len(self._open) < self._joined:
            return
        self._close()
        if len(self._sums) >= MOST_BLOCKS:
            pairs = range(0, len(self._sums) - 1, 2)
            self._sums = [self._sums[i] + self._sums[i + 1] for i in pairs]
            self._frames = [self._frames[i] + self._frames[i + 1] for i in pairs]
            self._joined *= 2

    def _close(self) -> None:
        if self._open:
            totals = [total for total, _ in self._open]
            self._sums.append(totals[0] if len(totals) == 1 else np.sum(totals, axis=0))
            self._frames.append(sum(frames for _, frames in self._open))
            self._open = []

    def segments(self, count: int = TREND_SEGMENTS) -> Reals:
        """Means over up to `count` parts of nearly equal length, shape (channels, parts)."""
        self._close()
        if not self._sums:
            return np.zeros((0, 0))
        sums, frames = np.array(self._sums), np.array(self._frames, dtype=np.float64)
        parts = np.array_split(np.arange(frames.size), min(count, frames.size))
        return np.array([sums[part].sum(axis=0) / frames[part].sum() for part in parts]).T


def change_over(values: Reals) -> Reals:
    """Change from start to end of a straight line through equally long parts, (channels, parts); shape (channels,).

    NaN for fewer than eight parts.
    """
    channels, parts = values.shape
    if parts < TREND_AT_LEAST_SEGMENTS:
        return np.full(channels, np.nan)
    time = np.linspace(-0.5, 0.5, parts)
    return np.asarray(values @ time / (time @ time))


def without_common(powers: Reals) -> Reals:
    """Powers of every channel over the channels' median at the same time, shape (channels, parts) as given.

    What all channels share, a gust or a change of speed, falls out. With fewer than three channels they stand alone.
    """
    if powers.shape[0] < COMMON_TREND_CHANNELS:
        return powers
    with np.errstate(divide="ignore", invalid="ignore"):
        own = powers / powers.mean(axis=1, keepdims=True)
        return np.asarray(own / np.median(own, axis=0, keepdims=True))


@dataclass(frozen=True)
class Trend:
    """Change of a level from the start of a run to its end, in dB, and how sure it is; arrays of shape (channels,)."""

    change_db: Reals
    standard_error_db: Reals
    reverse_arrangements_z: Reals


def level_trend(powers: Reals) -> Trend:
    """Straight line through the levels of equally long parts, `powers` of shape (channels, parts) in any square unit.

    The standard error allows for neighbouring parts being alike (lag-one correlation r: factor sqrt((1 + r) / (1 - r)),
    from memory). The reverse arrangements, counted over all pairs of parts, are given in standard deviations of what
    independent parts would have: mean n (n - 1) / 4, variance n (2 n + 5) (n - 1) / 72 (Bendat and Piersol, Random
    Data, 4.5.2, from memory); above zero for a falling level. NaN for fewer than eight parts or parts without power.
    """
    channels, parts = powers.shape
    unknown = np.full(channels, np.nan)
    if parts < TREND_AT_LEAST_SEGMENTS:
        return Trend(unknown, unknown, unknown)
    with np.errstate(divide="ignore", invalid="ignore"):
        levels = 10.0 * np.log10(powers)
        time = np.linspace(-0.5, 0.5, parts)
        slope = (levels @ time) / (time @ time)
        rest = levels - levels.mean(axis=1, keepdims=True) - slope[:, None] * time
        scatter = np.sum(rest**2, axis=1) / (parts - 2)
        alike = np.clip(
            np.sum(rest[:, 1:] * rest[:, :-1], axis=1) / np.sum(rest**2, axis=1), 0.0, WANDERING_CORRELATION
        )
        alike = np.nan_to_num(alike)
        error = np.sqrt(scatter / (time @ time) * (1.0 + alike) / (1.0 - alike))
        later = np.triu(np.ones((parts, parts), dtype=bool), 1)
        reverse = np.array([np.count_nonzero((row[:, None] > row[None, :]) & later) for row in levels])
    mean, variance = parts * (parts - 1) / 4.0, parts * (2 * parts + 5) * (parts - 1) / 72.0
    known = np.isfinite(levels).all(axis=1)
    return Trend(
        np.where(known, slope, np.nan),
        np.where(known, error, np.nan),
        np.where(known, (reverse - mean) / np.sqrt(variance), np.nan),
    )


def mean_power_variance(powers: Reals, random_relative: Reals) -> tuple[Reals, float]:
    """Relative variance that an unsteady level leaves in the mean over a run, and its degrees of freedom.

    `powers` (channels, parts) are means over equally long parts, `random_relative` (channels,) the relative variance of
    the run's mean by chance alone. What the parts scatter beyond n times that, over n, times (1 + r) / (1 - r) for
    neighbouring parts being alike, r their correlation, and raised by what the mean itself takes off the scatter. For
    24 parts this is right within a sixth from r = 0 to 0.8 (simulated). Nothing for fewer than eight parts.
    """
    channels, parts = powers.shape
    if parts < TREND_AT_LEAST_SEGMENTS:
        return np.zeros(channels), float("inf")
    with np.errstate(divide="ignore", invalid="ignore"):
        own = powers / powers.mean(axis=1, keepdims=True) - 1.0
        squares = np.sum(own**2, axis=1)
        excess = np.maximum(np.nan_to_num(squares / (parts - 1) - parts * random_relative), 0.0)
        alike = np.nan_to_num(np.clip(np.sum(own[:, 1:] * own[:, :-1], axis=1) / squares, 0.0, WANDERING_CORRELATION))
    together = (1.0 + alike) / (1.0 - alike)
    taken_away = np.minimum((together - 1.0) / (parts - 1), 0.5)
    return excess / (1.0 - taken_away) / parts * together, WANDERING_DOF
