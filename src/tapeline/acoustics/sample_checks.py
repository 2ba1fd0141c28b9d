"""Checks on streamed samples of many channels: moments, overload, repeats, used bits, likeness; constant memory."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals, Samples
from tapeline.limits import CORRELATION_EVERY_BLOCKS, EFFECTIVE_BITS_EVERY_BLOCKS, EXTREME_CONVERTER_STEPS


class Moments:
    """Mean, standard deviation, skewness, kurtosis, extremes and count of numbers that are not finite, per channel.

    `beyond` counts finite samples larger than `largest` (one a channel, in the samples' unit): like samples that are
    no numbers they enter nothing else. `block_lowest` and `block_highest` are the extremes of the block taken in last.
    """

    def __init__(self, channels: int, largest: Reals | None = None) -> None:
        self.frames = 0
        self.bad = np.zeros(channels, dtype=np.int64)
        self.beyond = np.zeros(channels, dtype=np.int64)
        most = np.finfo(np.float32).max
        limit = np.full(channels, most) if largest is None else np.minimum(largest, most)
        self._largest = limit.astype(np.float32)
        self.minimum = np.full(channels, np.inf)
        self.maximum = np.full(channels, -np.inf)
        self.block_lowest = self.block_highest = np.zeros(channels, dtype=np.float32)
        self._shift: Reals | None = None
        self._sums = np.zeros((4, channels))

    def add(self, samples: Samples) -> tuple[Samples, Reals, Reals]:
        """Take in samples of shape (channels, frames); returns them less a constant, with the block's powers.

        The constant is the first block's mean, so that an offset costs no accuracy. Powers of one block are summed in
        float32, blocks in float64. The returned arrays are the samples without offset, of the same shape, and their
        sum and sum of squares, of shape (channels,). Samples that are no numbers or too large count as the constant.
        """
        lowest, highest = samples.min(axis=1), samples.max(axis=1)
        # Not "beyond": a value that is no number is neither.
        if not ((lowest >= -self._largest) & (highest <= self._largest)).all():
            finite = np.isfinite(samples)
            beyond = finite & (np.abs(samples) > self._largest[:, None])
            self.bad += np.count_nonzero(~finite, axis=1)
            self.beyond += np.count_nonzero(beyond, axis=1)
            fill = np.float32(0.0) if self._shift is None else self._shift[:, None].astype(np.float32)
            samples = np.where(finite & ~beyond, samples, fill)
            lowest, highest = samples.min(axis=1), samples.max(axis=1)
        totals = samples @ np.ones(samples.shape[1], dtype=np.float32)
        if self._shift is None:
            self._shift = (totals / samples.shape[1]).astype(np.float32).astype(np.float64)
        centred = samples - self._shift[:, None].astype(np.float32)
        squared = centred * centred
        sums = centred @ np.ones(samples.shape[1], dtype=np.float32)
        squares = np.vecdot(centred, centred)
        self._sums += (sums, squares, np.vecdot(squared, centred), np.vecdot(squared, squared))
        self.frames += samples.shape[1]
        self.block_lowest, self.block_highest = lowest, highest
        np.minimum(self.minimum, self.block_lowest, out=self.minimum)
        np.maximum(self.maximum, self.block_highest, out=self.maximum)
        return centred, sums.astype(np.float64), squares.astype(np.float64)

    def _means(self) -> Reals:
        return self._sums / max(self.frames, 1)

    @property
    def mean(self) -> Reals:
        """Mean of each channel, shape (channels,), in the samples' unit."""
        shift = np.zeros(self.bad.shape) if self._shift is None else self._shift
        return np.asarray(shift + self._means()[0])

    @property
    def standard_deviation(self) -> Reals:
        """Standard deviation of each channel, shape (channels,), in the samples' unit."""
        first, second, _, _ = self._means()
        return np.asarray(np.sqrt(np.maximum(second - first**2, 0.0)))

    @property
    def skewness(self) -> Reals:
        """Third central moment over the standard deviation cubed; 0 of a constant."""
        first, second, third, _ = self._means()
        return self._over(third - 3.0 * first * second + 2.0 * first**3, 3)

    @property
    def kurtosis(self) -> Reals:
        """Fourth central moment over the squared variance, 3 of Gaussian noise; 0 of a constant."""
        first, second, third, fourth = self._means()
        return self._over(fourth - 4.0 * first * third + 6.0 * first**2 * second - 3.0 * first**4, 4)

    def _over(self, moment: Reals, power: int) -> Reals:
        deviation = self.standard_deviation
        known = deviation > 0.0
        return np.where(known, moment / np.where(known, deviation, 1.0) ** power, 0.0)


@dataclass
class RunTally:
    """Runs of equal samples on one channel that are long enough to count.

    At an extreme value, `at` counts all samples of that value, and of integers `beside` those within one converter
    step below it, in the blocks that reach it.
    """

    shortest: int
    places: int = 0
    frames: int = 0
    first_frame: int | None = None
    _start: int = -1
    _length: int = 0
    value: float = field(default=float("nan"))
    at: int = 0
    beside: int = 0

    def hits(self, start: int, length: int) -> None:
        """Count a run of `length` equal frames from frame `start`; it continues the last one where it touches it."""
        if self._length and start == self._start + self._length:
            start, before = self._start, self._length
            length += before
        else:
            before = 0
        self._start, self._length = start, length
        if length >= self.shortest:
            if before < self.shortest:
                self.places += 1
                self.frames += length
                self.first_frame = start if self.first_frame is None else self.first_frame
            else:
                self.frames += length - before

    def clear(self, value: float) -> None:
        """Forget all runs: a new extreme value came up."""
        self.places, self.frames, self.first_frame, self._length, self.value = 0, 0, None, 0, value
        self.at = self.beside = 0


class ExtremeRuns:
    """Runs of samples that stay at the channel's largest or smallest value: what overload leaves behind.

    `step` is one converter step in the samples' unit, 0 for floats.
    """

    def __init__(self, channels: int, shortest: int, step: float = 0.0) -> None:
        self.high = [RunTally(shortest) for _ in range(channels)]
        self.low = [RunTally(shortest) for _ in range(channels)]
        self._step = np.float32(EXTREME_CONVERTER_STEPS * step)
        self._reached = np.array([[-np.inf], [np.inf]], dtype=np.float32).repeat(channels, axis=1)
        self._frame = 0

    def add(self, samples: Samples, highest: Samples | None = None, lowest: Samples | None = None) -> None:
        """Take in samples of shape (channels, frames); their extremes, (channels,), where they are known already."""
        high = samples.max(axis=1) if highest is None else highest
        low = samples.min(axis=1) if lowest is None else lowest
        for tallies, extremes, sign in ((self.high, high, 1.0), (self.low, low, -1.0)):
            reached = self._reached[0 if sign > 0.0 else 1]
            # Not "reached or beyond": a value that is no number must not count as either.
            for channel in np.flatnonzero(~(sign * extremes < sign * reached)):
                tally, extreme = tallies[channel], float(extremes[channel])
                if not np.isfinite(tally.value) or sign * extreme > sign * tally.value:
                    tally.clear(extreme)
                    reached[channel] = extreme
                if extreme == tally.value:
                    self._count(tally, samples[channel])
        self._frame += samples.shape[1]

    def _count(self, tally: RunTally, samples: NDArray[np.float32]) -> None:
        reached = samples == np.float32(tally.value)
        for start, length in zip(*(found.tolist() for found in equal_runs(reached)), strict=True):
            tally.hits(self._frame + start, length)
        at = int(np.count_nonzero(reached))
        tally.at += at
        if self._step:
            near = np.abs(samples - np.float32(tally.value)) <= self._step
            tally.beside += int(np.count_nonzero(near)) - at


class RepeatedRuns:
    """Runs in which a channel repeats one value: dropouts and stuck converters."""

    def __init__(self, channels: int, shortest: int) -> None:
        self._shortest = shortest - 1
        self.tallies = [RunTally(self._shortest) for _ in range(channels)]
        self._last: Samples | None = None
        self._frame = 0

    def add(self, samples: Samples) -> None:
        """Take in samples of shape (channels, frames); a run of n equal samples is n - 1 equal steps."""
        channels, frames = samples.shape
        # A column that is never steady keeps the runs of all channels apart in one row of flags.
        steady = np.zeros((channels, frames + 1), dtype=bool)
        np.equal(samples[:, 1:], samples[:, :-1], out=steady[:, 1:frames])
        if self._last is not None:
            steady[:, 0] = samples[:, 0] == self._last
        starts, lengths = equal_runs(steady.ravel())
        channel, first = np.divmod(starts, frames + 1)
        # Shorter ones count only where the blocks before or after may make them longer.
        counts = (lengths >= self._shortest) | (first == 0) | (first + lengths == frames)
        found = (each[counts].tolist() for each in (channel, first, lengths))
        for number, start, length in zip(*found, strict=True):
            self.tallies[number].hits(self._frame + start, length)
        self._last = samples[:, -1].copy()
        self._frame += frames


def equal_runs(flags: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Starts and lengths of the runs of true flags, both of shape (runs,)."""
    places = np.flatnonzero(flags)
    if not places.size:
        return places, places
    ends = np.append(np.flatnonzero(places[1:] - places[:-1] > 1), places.size - 1)
    begins = np.concatenate([[0], ends[:-1] + 1])
    return places[begins], ends - begins + 1


class SignalCorrelation:
    """Correlation of the steps between samples for all pairs of channels, from one block in eight.

    Steps weigh high frequencies, where the flow at two positions has nothing in common; a copied, doubled or shorted
    channel keeps a correlation of one, whatever its gain or sign.
    """

    def __init__(self, channels: int) -> None:
        self._products = np.zeros((channels, channels))
        self._block = 0

    def add(self, steps: Samples) -> None:
        """Take in one block's steps of shape (channels, frames - 1)."""
        if self._block % CORRELATION_EVERY_BLOCKS == 0:
            self._products += steps @ steps.T
        self._block += 1

    def correlation(self) -> Reals:
        """Correlation coefficients, shape (channels, channels); 0 where a channel does not move."""
        size = np.sqrt(np.diag(self._products))
        scale = size[:, None] * size[None, :]
        return np.where(scale > 0.0, self._products / np.where(scale > 0.0, scale, 1.0), 0.0)


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
