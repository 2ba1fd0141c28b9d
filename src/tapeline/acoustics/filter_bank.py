"""Fractional-octave filters in the time domain, streamed: band powers against time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.signal import butter, firwin, kaiserord, sosfilt, sosfreqz, upfirdn

from tapeline.acoustics.bands import FILTER_ORDER, OCTAVE_RATIO, Bands
from tapeline.acoustics.parts import FixedBlocks
from tapeline.arrays import Reals
from tapeline.limits import (
    DECIMATOR_REJECTION_DB,
    FILTER_BLOCK_FRAMES,
    FILTER_DECIMATED_EDGE_SHARE,
    FILTER_HIGHEST_EDGE_SHARE,
    FILTER_INTERVAL_SAMPLES,
    FILTER_SETTLED_BANDWIDTH_TIMES,
    WHOLE_NUMBER_WITHIN_UNITS,
)

ORDER_NEAR_HALF_RATE = FILTER_ORDER + 1

_taps, _beta = kaiserord(DECIMATOR_REJECTION_DB, 1.0 - 2.0 * FILTER_DECIMATED_EDGE_SHARE)
LOW_PASS: Reals = np.asarray(firwin(_taps | 1, 0.5, window=("kaiser", _beta)), dtype=np.float64)
"""Linear phase: passes to 1/4, stops from 3/4 of the rate it leaves; an odd number of taps."""


class FilterBank:
    """Band powers of streamed samples: one causal filter a band, each at the slowest rate that suits it.

    Butterworth band-passes of `FILTER_ORDER` pole pairs behind decimators by two, designed to the class 1 limits of
    IEC 61260-1:2014 as known from public transcriptions. Each filter's half-power edges are moved until its noise
    bandwidth equals the band's, so white noise reads its true band level.

    Times: interval i covers frames round(i d) to round((i + 1) d) of the filters' outputs. A causal filter is late,
    so what interval i shows happened about `delay_s` earlier: some 0.64 / bandwidth (0.83 with four pole pairs) and
    the decimators' delay. It is not subtracted.

    The bilinear transform bends the skirts a little: on the lower one a tone a band away reads up to 0.8 dB higher than
    by the analytic form of `filter_power`, noise that falls by 15 dB an octave 0.04 dB (third octaves, computed).

    Each channel's first sample is subtracted from all its samples: no filter passes a constant, and the stream starts
    without a jump. A sample that is not finite spoils its channel from there on.

    Memory is constant, but for a float64 per band, channel and interval.
    """

    def __init__(self, bands: Bands, sample_rate_hz: float, channels: int, interval_frames: float) -> None:
        """Raises ValueError for bands above `FILTER_HIGHEST_EDGE_SHARE` of the rate and intervals below
        `FILTER_INTERVAL_SAMPLES`."""
        too_high = bands.upper_hz > FILTER_HIGHEST_EDGE_SHARE * sample_rate_hz
        if np.any(too_high):
            raise ValueError(
                f"bands from {bands.nominal_hz[too_high][0]:g} Hz up do not fit a sampling rate of {sample_rate_hz:g} "
                f"Hz: the upper edge must lie below {FILTER_HIGHEST_EDGE_SHARE * sample_rate_hz:g} Hz"
            )
        if interval_frames < FILTER_INTERVAL_SAMPLES:
            raise ValueError(
                f"an interval must hold {FILTER_INTERVAL_SAMPLES} frames at least, not {interval_frames:g}"
            )
        self._rate, self._interval = sample_rate_hz, interval_frames
        halvings = _halvings(bands, sample_rate_hz, interval_frames)
        self._designs = [_design(bands, i, sample_rate_hz, int(halvings[i])) for i in range(len(bands))]
        self._filters = [_BandStream(design, channels, interval_frames) for design in self._designs]
        self._decimators = [_HalfRate(channels) for _ in range(int(max(halvings, default=0)))]
        self._blocks = FixedBlocks(FILTER_BLOCK_FRAMES)
        self._first: Reals | None = None
        self._channels, self._frames = channels, 0

    def add(self, samples: NDArray[np.float32]) -> None:
        """Take in samples, float32 of shape (channels, frames), any number of them."""
        self._frames += samples.shape[1]
        for block in self._blocks.add(samples):
            self._filter(block)

    def _filter(self, block: NDArray[np.float32]) -> None:
        if self._first is None:
            self._first = block[:, :1].astype(np.float64)
        stream = block - self._first
        for halvings in range(len(self._decimators) + 1):
            for band in self._filters:
                if band.design.halvings == halvings:
                    band.add(stream)
            if halvings < len(self._decimators):
                stream = self._decimators[halvings].add(stream)

    def powers(self) -> Reals:
        """Mean squares in each whole interval, shape (bands, channels, intervals); call at the end of the stream.

        NaN in intervals that begin before the band has settled (`FILTER_SETTLED_BANDWIDTH_TIMES`).
        """
        self._finish()
        intervals = int(np.floor(self._frames / self._interval + WHOLE_NUMBER_WITHIN_UNITS))
        out = np.full((len(self._filters), self._channels, intervals), np.nan)
        for i, band in enumerate(self._filters):
            settled = int(np.ceil(band.settled_frames / self._interval))
            out[i, :, settled:] = band.means(intervals)[:, settled:]
        return out

    def mean_powers(self) -> Reals:
        """Mean squares over all of the stream after the band has settled, shape (bands, channels); else NaN."""
        self._finish()
        return np.array([band.settled_mean() for band in self._filters]).reshape(len(self._filters), self._channels)

    def _finish(self) -> None:
        for block in self._blocks.rest():
            self._filter(block)

    @property
    def settled_s(self) -> Reals:
        """Time from the start of the stream until each band has settled, shape (bands,)."""
        return np.array([band.settled_frames / self._rate for band in self._filters])

    @property
    def delay_s(self) -> Reals:
        """Group delay of each band's whole chain at its midband frequency, shape (bands,)."""
        return np.array([design.delay_s for design in self._designs])

    def realised_response(self, band: int, frequency_hz: ArrayLike) -> Reals:
        """Magnitude of a band's whole chain for a tone at each frequency (any shape, 0 to half the rate).

        A tone leaves every decimator as one tone, at its own or its alias frequency, and each stage's response, which
        repeats with the stage's rate, is that at either: root mean square out over in, aliasing included.
        """
        return self._designs[band].response(np.asarray(frequency_hz, dtype=np.float64))


@dataclass(frozen=True)
class _BandDesign:
    """A band-pass in second-order sections for the stream after so many halvings of the input's rate."""

    sections: Reals
    halvings: int
    midband_hz: float
    bandwidth_hz: float
    input_rate_hz: float

    @property
    def rate_hz(self) -> float:
        return float(self.input_rate_hz / 2.0**self.halvings)

    @property
    def decimators_delay_frames(self) -> float:
        """Half the length of all low-passes before it, in frames of the input."""
        return float((LOW_PASS.size - 1) / 2.0 * (2.0**self.halvings - 1.0))

    @property
    def delay_s(self) -> float:
        step_hz = 1e-3 * self.bandwidth_hz
        _, around = sosfreqz(self.sections, self.midband_hz + np.array([-step_hz, step_hz]), fs=self.rate_hz)
        turned = float(np.angle(around[0] / around[1]))
        return turned / (4.0 * np.pi * step_hz) + self.decimators_delay_frames / self.input_rate_hz

    def response(self, frequency_hz: Reals) -> Reals:
        frequency, rate = frequency_hz.ravel(), self.input_rate_hz
        magnitude = np.ones(frequency.size)
        delays = np.arange(LOW_PASS.size)
        for _ in range(self.halvings):
            magnitude *= np.abs(np.exp(-2j * np.pi * np.outer(frequency / rate, delays)) @ LOW_PASS)
            rate /= 2.0
        magnitude *= np.abs(sosfreqz(self.sections, frequency, fs=rate)[1])
        return magnitude.reshape(frequency_hz.shape)


def _halvings(bands: Bands, sample_rate_hz: float, interval_frames: float) -> NDArray[np.int64]:
    """How often the rate is halved for each band."""
    for_edge = np.floor(np.log2(FILTER_DECIMATED_EDGE_SHARE * sample_rate_hz / bands.upper_hz))
    for_interval = np.floor(np.log2(interval_frames / FILTER_INTERVAL_SAMPLES))
    return np.maximum(0, np.minimum(for_edge, for_interval)).astype(np.int64)


def _design(bands: Bands, i: int, sample_rate_hz: float, halvings: int) -> _BandDesign:
    """Butterworth band-pass whose noise bandwidth is the band's own."""
    rate = sample_rate_hz / 2.0**halvings
    midband, bandwidth = float(bands.midband_hz[i]), float(bands.upper_hz[i] - bands.lower_hz[i])
    order = FILTER_ORDER if bands.upper_hz[i] <= FILTER_DECIMATED_EDGE_SHARE * rate else ORDER_NEAR_HALF_RATE
    half_band = OCTAVE_RATIO ** (0.5 / bands.fraction)

    def excess_hz(ratio: float) -> float:
        return _noise_bandwidth_hz(midband / ratio, midband * ratio, order, rate) - bandwidth

    ratio = float(brentq(excess_hz, 1.0 + 0.5 * (half_band - 1.0), half_band, xtol=1e-12))
    sections = butter(order, (midband / ratio, midband * ratio), "bandpass", output="sos", fs=rate)
    return _BandDesign(np.asarray(sections, dtype=np.float64), halvings, midband, bandwidth, sample_rate_hz)


def _noise_bandwidth_hz(lower_hz: float, upper_hz: float, order: int, rate_hz: float) -> float:
    """Integral of the squared magnitude of a bilinear Butterworth band-pass with these half-power edges.

    With w = tan(pi f / rate) it is 1 / (1 + x^(2n)), x = (w² - w_l w_u) / (w (w_u - w_l)); solved for w over a grid
    of x that is dense about the band.
    """
    lower, upper = np.tan(np.pi * lower_hz / rate_hz), np.tan(np.pi * upper_hz / rate_hz)
    x = np.sinh(np.linspace(-5.0, 5.0, 2001))
    offset = 0.5 * x * (upper - lower)
    root = np.sqrt(offset**2 + lower * upper)
    w = np.where(x > 0.0, root + offset, lower * upper / (root - offset))
    return float(np.trapezoid(1.0 / (1.0 + x ** (2 * order)), np.arctan(w) * rate_hz / np.pi))


class _HalfRate:
    """Keeps every second sample of a low-passed stream."""

    def __init__(self, channels: int) -> None:
        self._held = np.zeros((channels, LOW_PASS.size - 1))
        self._skip = 0

    def add(self, samples: Reals) -> Reals:
        """Samples of shape (channels, frames) to those at half the rate, continuing where the last call ended."""
        reach = LOW_PASS.size - 1
        held = np.concatenate([self._held, samples], axis=1)
        kept = max(0, samples.shape[1] - self._skip + 1) // 2
        out = upfirdn(LOW_PASS, held[:, self._skip :], down=2, axis=-1)[:, reach // 2 : reach // 2 + kept]
        self._skip = (self._skip + samples.shape[1]) % 2
        self._held = held[:, held.shape[1] - reach :].copy()
        return np.asarray(out)


class _BandStream:
    """One band's filter at work, and the sums of squares of its output."""

    def __init__(self, design: _BandDesign, channels: int, interval_frames: float) -> None:
        self.design = design
        self._interval = interval_frames / 2.0**design.halvings
        wait_s = FILTER_SETTLED_BANDWIDTH_TIMES / design.bandwidth_hz
        self.settled_frames = wait_s * design.input_rate_hz + 2.0 * design.decimators_delay_frames
        self._settled = int(np.ceil(self.settled_frames / 2.0**design.halvings))
        self._state = np.zeros((design.sections.shape[0], channels, 2))
        self._position = 0
        self._closed: list[Reals] = []
        self._closed_intervals = 0
        self._open = np.zeros(channels)
        self._settled_sum = np.zeros(channels)

    def add(self, samples: Reals) -> None:
        """Filter (channels, frames) at the band's own rate; interval i ends before sample round((i + 1) d)."""
        count = samples.shape[1]
        if not count:
            return
        filtered, self._state = sosfilt(self.design.sections, samples, axis=-1, zi=self._state)
        squares = filtered * filtered
        self._settled_sum += np.sum(squares[:, max(0, self._settled - self._position) :], axis=-1)
        ends = self._ends_within(count)
        starts = np.concatenate([[0], ends])
        sums = np.add.reduceat(squares, starts[starts < count], axis=-1)
        sums[:, 0] += self._open
        if ends.size:
            self._closed.append(sums[:, : ends.size].copy())
        self._open = sums[:, ends.size].copy() if sums.shape[1] > ends.size else np.zeros_like(self._open)
        self._closed_intervals += ends.size
        self._position += count

    def _ends_within(self, count: int) -> NDArray[np.int64]:
        """Ends of intervals in the next `count` samples, counted from their first."""
        last = int((self._position + count) / self._interval) + 1
        ends = np.round(np.arange(self._closed_intervals + 1, last + 1) * self._interval).astype(np.int64)
        return ends[ends <= self._position + count] - self._position

    def means(self, intervals: int) -> Reals:
        """Mean squares of the first intervals, shape (channels, intervals)."""
        sums = np.concatenate([np.zeros((self._open.size, 0)), *self._closed], axis=1)[:, :intervals]
        return np.asarray(sums / np.diff(np.round(np.arange(intervals + 1) * self._interval)))

    def settled_mean(self) -> Reals:
        """Mean square of all samples since the filter settled, shape (channels,); NaN where there is none."""
        count = self._position - self._settled
        return self._settled_sum / count if count > 0 else np.full(self._open.size, np.nan)
