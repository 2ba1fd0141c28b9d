"""What leaves a band without a level: few lines, short records, filters before the recorder, the chart's ends."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.usable_range import WHY_ABSENT, ChannelRange, RangeLimits, absent, band_limits

BANDS = bands_between(3, 25.0, 20_000.0)
LIMITS = RangeLimits(least_lines=5.0, least_bandwidth_time=10.0, highest_fraction_of_rate=0.4)
NAN = float("nan")
OPEN = ChannelRange(NAN, NAN, NAN, NAN)


def named(found: np.ndarray) -> list[float]:
    """Nominal frequencies of the flagged bands."""
    return BANDS.nominal_hz[found].tolist()


def limits(
    spacing_hz: float = 0.1, averaged_s: float = 100.0, rate_hz: float = 96_000.0, channel: ChannelRange = OPEN
) -> dict[str, np.ndarray]:
    """What speaks against the bands of one channel."""
    lines = (BANDS.upper_hz - BANDS.lower_hz) / spacing_hz
    return band_limits(BANDS, lines, averaged_s, rate_hz, channel, LIMITS)


def test_nothing_speaks_against_a_long_record_of_a_flat_sensor() -> None:
    assert not absent(limits()).any()


@pytest.mark.parametrize(("spacing_hz", "last"), [(1.0, None), (1.2, 25.0), (5.0, 100.0), (10.0, 200.0)])
def test_five_lines(spacing_hz: float, last: float | None) -> None:
    """Common practice: five lines in the lowest band; a third octave is 0.2316 of its midband wide (IEC 61260-1)."""
    found = named(limits(spacing_hz=spacing_hz)["few-lines"])
    assert (max(found) if found else None) == last
    assert all(0.23161 * BANDS.midband_hz[BANDS.nominal_hz == hz][0] / spacing_hz < 5.0 for hz in found)


@pytest.mark.parametrize(("averaged_s", "last"), [(2.0, None), (1.5, 25.0), (0.5, 80.0)])
def test_bandwidth_times_time_of_ten(averaged_s: float, last: float | None) -> None:
    """Common practice: B T of 10 at least, a standard deviation of 1.4 dB."""
    found = named(limits(averaged_s=averaged_s)["short-record"])
    assert (max(found) if found else None) == last


def test_the_filters_before_the_recorder() -> None:
    """From twice the high-pass corner; to the stated pass band, else to 0.4 of the rate (common practice)."""
    assert max(named(limits(channel=ChannelRange(NAN, NAN, 40.0, NAN))["high-pass"])) == 80.0
    assert min(named(limits(rate_hz=25_600.0)["anti-alias"])) == 10_000.0
    assert min(named(limits(rate_hz=25_600.0, channel=ChannelRange(NAN, NAN, NAN, 11_500.0))["anti-alias"])) == 12_500.0
    assert min(named(limits(rate_hz=25_600.0, channel=ChannelRange(NAN, NAN, NAN, 5000.0))["low-pass"])) == 5000.0
    beyond_half = limits(rate_hz=25_600.0, channel=ChannelRange(NAN, NAN, NAN, 20_000.0))
    assert min(named(beyond_half["anti-alias"])) == 12_500.0


@pytest.mark.parametrize(("low", "high"), [(200.0, 8000.0), (199.5, 7943.28)])
def test_a_chart_covers_the_bands_whose_midband_it_reaches(low: float, high: float) -> None:
    """Charts are given at nominal or at exact frequencies: 8 kHz is exactly 7943 Hz (IEC 61260-1)."""
    found = limits(channel=ChannelRange(low, high, NAN, NAN))
    used = ~absent(found)
    assert (min(named(used)), max(named(used))) == (200.0, 8000.0)
    assert named(used & found["response-unknown"]) == [200.0, 8000.0]


def test_every_reason_is_one_of_the_known() -> None:
    assert set(limits()) == {*WHY_ABSENT, "response-unknown"}


@pytest.mark.parametrize(
    ("ranges", "gone"),
    [
        (((49.0, 51.0),), [50.0]),
        (((50.0, 50.0), (100.0, 100.0)), [50.0, 100.0]),
        (((55.0, 57.0),), [50.0, 63.0]),
        (((BANDS.lower_hz[3], BANDS.upper_hz[3]),), [50.0]),
        ((), []),
    ],
)
def test_bands_that_a_range_left_out_reaches_into(ranges: tuple[tuple[float, float], ...], gone: list[float]) -> None:
    found = limits(channel=ChannelRange(NAN, NAN, NAN, NAN, ranges))
    assert named(found["left-out"]) == named(absent(found)) == gone
