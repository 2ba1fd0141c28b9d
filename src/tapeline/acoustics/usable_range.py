"""The frequencies at which a channel's band levels can be used: what limits them, band by band."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.bands import Bands
from tapeline.arrays import Flags, Reals
from tapeline.limits import CHART_ROUNDING_SHARE, HIGH_PASS_CORNERS_RATIO, WHOLE_NUMBER_WITHIN_UNITS

SAME_EDGE = 1e-9
"""Edges that differ by less, relative to themselves, are the same by rounding."""

WHY_ABSENT = ("few-lines", "short-record", "high-pass", "low-pass", "anti-alias", "chart-ends", "left-out")
"""What may leave a band without a level."""

RESPONSE_UNKNOWN = "response-unknown"
"""The band has a level, but one of its edges lies where the chart says nothing."""


@dataclass(frozen=True)
class RangeLimits:
    """Limits of usable bands, as the section `bands` of the settings gives them."""

    least_lines: float
    least_bandwidth_time: float
    highest_fraction_of_rate: float


@dataclass(frozen=True)
class ChannelRange:
    """What limits one channel: ends of its chart and corners of its filters in Hz, NaN where there is none.

    `left_out` are ranges, lower and upper end in Hz, that somebody leaves out.
    """

    chart_low_hz: float
    chart_high_hz: float
    high_pass_hz: float
    low_pass_hz: float
    left_out: tuple[tuple[float, float], ...] = ()


def overlapping(lower_hz: Reals, upper_hz: Reals, ranges: Iterable[tuple[float, float]]) -> Flags:
    """Flags, of the edges' shape, of the bands or lines that reach into any of the ranges by more than an edge."""
    found = np.zeros(np.shape(lower_hz), dtype=bool)
    for low, high in ranges:
        inside = (lower_hz < high * (1.0 - SAME_EDGE)) & (upper_hz > low * (1.0 + SAME_EDGE))
        # A range without width lies in the one that begins at it.
        found |= inside if high > low else (lower_hz <= low) & (upper_hz > low)
    return found


def band_limits(
    bands: Bands, lines: Reals, averaged_s: float, sample_rate_hz: float, channel: ChannelRange, limits: RangeLimits
) -> dict[str, Flags]:
    """Reasons against each band, by the names in `WHY_ABSENT` and `RESPONSE_UNKNOWN`, as flags (bands,).

    `lines` (bands,) is how many spectral lines each band holds, `averaged_s` the length of the averaged record. A
    stated low-pass replaces the fraction of the sample rate. Bands whose midband, exact or nominal, the chart covers
    are used.
    """
    share = 0.5 if np.isfinite(channel.low_pass_hz) else limits.highest_fraction_of_rate
    low, high = channel.chart_low_hz, channel.chart_high_hz
    upper_name, lower_name = (
        np.maximum(bands.midband_hz, bands.nominal_hz),
        np.minimum(bands.midband_hz, bands.nominal_hz),
    )
    return {
        "few-lines": (lines < limits.least_lines - WHOLE_NUMBER_WITHIN_UNITS)
        & (bands.upper_hz <= 0.5 * sample_rate_hz),
        "short-record": (bands.upper_hz - bands.lower_hz) * averaged_s < limits.least_bandwidth_time,
        "high-pass": bands.lower_hz < HIGH_PASS_CORNERS_RATIO * channel.high_pass_hz,
        "low-pass": bands.upper_hz > channel.low_pass_hz,
        "anti-alias": bands.upper_hz > share * sample_rate_hz,
        "chart-ends": (upper_name < low * (1.0 - CHART_ROUNDING_SHARE))
        | (lower_name > high * (1.0 + CHART_ROUNDING_SHARE)),
        "left-out": overlapping(bands.lower_hz, bands.upper_hz, channel.left_out),
        RESPONSE_UNKNOWN: (bands.lower_hz < low) | (bands.upper_hz > high),
    }


def absent(found: dict[str, Flags]) -> Flags:
    """Flags of the bands that get no level, shape (bands,)."""
    return np.asarray(np.any([found[name] for name in WHY_ABSENT], axis=0))
