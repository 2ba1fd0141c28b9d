"""Spectra against time and by measured flow: against the plain way, and against known signals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tapeline.acoustics.flow_bins import flow_bins, mean_angle_deg
from tapeline.acoustics.history import WeightedHistory
from tapeline.acoustics.response import response_phase_rad
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra
from tapeline.acoustics.spectrogram import Spectrogram
from tapeline.acoustics.windows import window

RATE = 8000.0


@settings(max_examples=30)
@given(cuts=st.lists(st.integers(1, 4000), min_size=1, max_size=6), a_column=st.integers(1, 7))
def test_a_spectrogram_is_the_mean_of_so_many_blocks(cuts: list[int], a_column: int) -> None:
    samples = np.random.default_rng(1).normal(size=(2, 9000)).astype(np.float32)
    shape = window("hann", 400)
    gram = Spectrogram(shape, 200, 2, a_column, 0, 200)
    blocks = ShortTimeSpectra(shape, 200, np.zeros(2), [gram])
    for piece in np.split(samples, sorted({min(cut, 9000) for cut in np.cumsum(cuts)}), axis=1):
        blocks.add(piece)
    blocks.finish()
    starts = range(0, 9000 - 399, 200)
    squares = np.abs(np.fft.rfft(np.stack([samples[:, s : s + 400] for s in starts]) * shape)) ** 2
    columns = len(starts) // a_column
    expected = squares[: columns * a_column].reshape(columns, a_column, 2, 201).mean(axis=1).transpose(1, 0, 2)
    doubled = np.where(np.isin(np.arange(201), (0, 200)), 1.0, 2.0)
    found = gram.columns(RATE)
    assert found.shape == (2, columns, 201)
    np.testing.assert_allclose(found, expected * doubled / (RATE * np.sum(shape**2)), rtol=1e-4, atol=1e-12)
    assert gram.frames_of(columns - 1)[1] <= 9000


def test_a_tone_that_climbs_is_where_it_should_be() -> None:
    """Known signal: the peak of a linear sweep follows its frequency."""
    time = np.arange(int(8 * RATE)) / RATE
    sweep = np.sin(2.0 * np.pi * (500.0 * time + 0.5 * 200.0 * time**2)).astype(np.float32)[None]
    shape = window("hann", 800)
    gram = Spectrogram(shape, 400, 1, 5, 0, 400)
    blocks = ShortTimeSpectra(shape, 400, np.zeros(1), [gram])
    blocks.add(sweep)
    blocks.finish()
    found = gram.columns(RATE)[0]
    for column in range(found.shape[0]):
        middle = sum(gram.frames_of(column)) / 2.0 / RATE
        assert np.argmax(found[column]) * RATE / 800 == pytest.approx(500.0 + 200.0 * middle, abs=40.0)


def test_segments_fall_into_the_bins_of_their_mean_flow() -> None:
    """Common practice of binning by wind: 1 s segments, bins of 2 m/s and 2 degrees, counts and means kept."""
    time = np.arange(0.0, 10.0, 0.1)
    speed = np.where(time < 4.0, 20.3, 23.9)
    yaw = np.where((time >= 6.0) & (time < 8.0), -3.2, 0.4)
    speed, yaw, time = speed[time < 9.0], yaw[time < 9.0], time[time < 9.0]
    found = flow_bins(time, speed, yaw, 10.0, 1.0, 2.0, 2.0)
    assert [(b.speed_mps, b.yaw_deg, len(b.segments)) for b in found] == [
        (20.0, 0.0, 4),
        (24.0, -4.0, 2),
        (24.0, 0.0, 3),
    ]
    first, slanted = found[0].segments[0], found[1].segments[0]
    assert (first.start_s, first.stop_s) == (0.0, 1.0)
    assert (slanted.speed_mps, slanted.yaw_deg) == (pytest.approx(23.9), pytest.approx(-3.2))
    assert sum(len(b.segments) for b in found) == 9, "the last second has no reading"


def test_bins_are_equally_wide() -> None:
    """A speed half way between two centres goes up, always: 21 to 22, 23 to 24, 25 to 26."""
    time = np.arange(8.0) + 0.5
    speed = np.array([20.0, 20.9, 21.0, 22.9, 23.0, 24.9, 25.0, 26.9])
    found = flow_bins(time, speed, np.zeros(8), 8.0, 1.0, 2.0, 2.0)
    assert [(b.speed_mps, len(b.segments)) for b in found] == [(20.0, 2), (22.0, 2), (24.0, 2), (26.0, 2)]


def test_yaw_is_averaged_on_the_circle() -> None:
    assert abs(mean_angle_deg([179.0, -179.0])) == pytest.approx(180.0)
    assert mean_angle_deg([-4.0, -2.0, 0.0]) == pytest.approx(-2.0)


@pytest.mark.parametrize("highest_hz", [20.0, 80.0, 160.0, 900.0])
@pytest.mark.parametrize("interval", [80.0, 1000.0])
def test_low_ranges_keep_their_steps_and_intervals(highest_hz: float, interval: float) -> None:
    """A range far below the rate: filtered samples stay fine enough for 2 ms steps and short intervals."""
    time = np.arange(40_000) / RATE
    tone_hz = 0.75 * highest_hz
    hz = np.arange(1001) * RATE / 2000
    magnitude = ((hz >= 4.0) & (hz <= highest_hz)).astype(float)[None, None]
    track = WeightedHistory(magnitude, interval, RATE)
    blocks = ShortTimeSpectra(window("hann", 2000), 1000, np.zeros(1), [track])
    signal = np.sin(2.0 * np.pi * tone_hz * time)
    blocks.add(signal.astype(np.float32)[None])
    blocks.finish()
    found = track.drain()
    expected = np.mean(signal.reshape(-1, int(interval)) ** 2, axis=1)
    inner = slice(int(8000 / interval), int(32_000 / interval))
    assert found.powers[0, 0, inner] == pytest.approx(expected[inner], rel=0.06, abs=0.06)
    assert np.isfinite(found.fast[0, 0, inner]).all()


def test_a_range_without_any_line_gives_silence() -> None:
    track = WeightedHistory(np.zeros((1, 1, 1001)), 1000.0, RATE)
    blocks = ShortTimeSpectra(window("hann", 2000), 1000, np.zeros(1), [track])
    blocks.add(np.ones((1, 20_000), dtype=np.float32))
    blocks.finish()
    assert track.drain().powers[0, 0].tolist() == [0.0] * 20


@pytest.mark.parametrize("highest_hz", [900.0, 2500.0, 4000.0])
def test_a_band_limited_history_is_that_of_the_band(highest_hz: float) -> None:
    """The filtered signal is sampled only as finely as its band asks for; against the whole record's ideal filter."""
    samples = np.random.default_rng(2).normal(size=40_000).astype(np.float32)
    hz = np.arange(1001) * RATE / 2000
    magnitude = ((hz >= 200.0) & (hz <= highest_hz)).astype(float)[None, None]
    track = WeightedHistory(magnitude, 4000.0, RATE)
    blocks = ShortTimeSpectra(window("hann", 2000), 1000, np.zeros(1), [track])
    blocks.add(samples[None])
    blocks.finish()
    lines = np.fft.rfft(samples)
    all_hz = np.arange(lines.size) * RATE / samples.size
    ideal = np.fft.irfft(lines * ((all_hz >= 200.0) & (all_hz <= highest_hz)))
    expected = np.mean(ideal.reshape(10, 4000) ** 2, axis=1)
    assert track.drain().powers[0, 0] == pytest.approx(expected, rel=0.02)


def test_phases_between_a_charts_points_turn_steadily() -> None:
    """A delay of 1 ms: -360 degrees a kilohertz, wrapped in the chart; nothing is extrapolated."""
    chart_hz = np.arange(100.0, 2001.0, 100.0)
    wrapped = (-0.36 * chart_hz + 180.0) % 360.0 - 180.0
    hz = np.array([50.0, 150.0, 990.0, 1999.0, 3000.0])
    turned = np.exp(1j * response_phase_rad(hz, chart_hz, wrapped))
    assert turned == pytest.approx(np.where((hz > 99) & (hz < 2001), np.exp(-2j * np.pi * 1e-3 * hz), 1.0), abs=1e-9)
