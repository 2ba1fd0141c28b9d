"""Which bands of a run have a level at each position: lines enough, long enough, within chart and filters."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.band_levels import Method, shares_of
from tapeline.acoustics.bands import Bands
from tapeline.acoustics.usable_range import ChannelRange, RangeLimits, absent, band_limits
from tapeline.arrays import Reals
from tapeline.campaign import settings
from tapeline.jobs.tables.session_spectra import RunSpectra

Corners = Mapping[str, tuple[float, float]]
"""High-pass and low-pass corners in Hz by position, NaN where there is none."""

RangesLeftOut = Mapping[str, tuple[tuple[str, float, float], ...]]
"""Ranges of frequencies that are left out, by run: position (empty: all positions), lower and upper end in Hz."""


def held_lines(run: RunSpectra, bands: Bands, method: Method) -> Reals:
    """How many lines each band holds."""
    return np.array([band.share.sum() for band in shares_of(bands, run.spectra, method)])


def ranges_at(run: RunSpectra, p: int, left_out: RangesLeftOut) -> tuple[tuple[float, float], ...]:
    """The ranges that are left out of a run at one of its positions."""
    return tuple((low, high) for name, low, high in left_out.get(run.run, ()) if name in ("", run.positions[p]))


def limits_of(
    run: RunSpectra,
    bands: Bands,
    lines: Reals,
    p: int,
    settings: settings.Bands,
    corners: Corners,
    left_out: RangesLeftOut,
    averaged_s: float | None = None,
) -> dict[str, NDArray[np.bool_]]:
    """What limits the bands of one position; see `band_limits`. `averaged_s` where it is not all of the run's."""
    high_pass, low_pass = corners.get(run.positions[p], (np.nan, np.nan))
    ranges = ranges_at(run, p, left_out)
    channel = ChannelRange(run.response_low_hz[p], run.response_high_hz[p], high_pass, low_pass, ranges)
    limits = RangeLimits(settings.least_lines, settings.least_bandwidth_time, settings.highest_fraction_of_rate)
    return band_limits(
        bands, lines, run.averaged_s if averaged_s is None else averaged_s, run.sample_rate_hz, channel, limits
    )


def with_levels(
    run: RunSpectra, bands: Bands, settings: settings.Bands, corners: Corners, left_out: RangesLeftOut
) -> NDArray[np.bool_]:
    """Which bands have a level, (positions, bands)."""
    lines = held_lines(run, bands, settings.method)
    gone = [absent(limits_of(run, bands, lines, p, settings, corners, left_out)) for p in range(len(run.positions))]
    return ~np.array(gone, dtype=bool).reshape(len(gone), len(bands))
