"""Time weightings F and S against IEC 61672-1: tonebursts, decay rates, and what they start from."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics.history import ExponentialMean, HistoryPart, WeightedHistory
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra
from tapeline.acoustics.windows import window
from tapeline.limits import FAST_TIME_CONSTANT_S, SLOW_TIME_CONSTANT_S

RATE = 48_000
BLOCK = 12_000


def history(samples: np.ndarray, interval_s: float = 0.125) -> HistoryPart:
    """The unweighted history of one channel."""
    track = WeightedHistory(np.ones((1, 1, BLOCK // 2 + 1)), interval_s * RATE, RATE)
    blocks = ShortTimeSpectra(window("hann", BLOCK), BLOCK // 2, np.zeros(1), [track])
    for start in range(0, samples.size, 5000):
        blocks.add(samples[None, start : start + 5000].astype(np.float32))
    blocks.finish()
    return track.drain()


def burst_response_db(seconds: float, weighting: str) -> float:
    """Largest level of a 4 kHz toneburst against that of the steady tone."""
    time = np.arange(14 * RATE) / RATE
    inside = (time >= 7.0) & (time < 7.0 + seconds)
    track = history(np.sqrt(2.0) * np.sin(2.0 * np.pi * 4000.0 * time) * inside)
    largest = track.fast_largest if weighting == "F" else track.slow_largest
    return float(10.0 * np.log10(np.nanmax(largest)))


@pytest.mark.parametrize(
    ("seconds", "weighting", "response_db"),
    [
        (0.2, "F", -0.98),
        (0.05, "F", -4.82),
        (0.01, "F", -11.14),
        (0.001, "F", -20.99),
        (0.2, "S", -7.42),
    ],
)
def test_toneburst_response(seconds: float, weighting: str, response_db: float) -> None:
    """IEC 61672-1:2013, table 4 (from memory) = 10 lg(1 - e^(-T/tau)) to 0.1 dB (computed in the reference tables)."""
    assert burst_response_db(seconds, weighting) == pytest.approx(response_db, abs=0.1)


@pytest.mark.parametrize(("weighting", "decay_db_per_s"), [("F", 34.74), ("S", 4.343)])
def test_decay_after_a_tone_stops(weighting: str, decay_db_per_s: float) -> None:
    """10 / (ln 10 tau): 34.7 and 4.3 dB/s (IEC 61672-1:2013, 5.8.2, from memory)."""
    time = np.arange(16 * RATE) / RATE
    track = history(np.sin(2.0 * np.pi * 1000.0 * time) * (time < 8.0))
    ends = 10.0 * np.log10((track.fast if weighting == "F" else track.slow)[0, 0])
    first = round(8.25 / 0.125) - 1
    assert (ends[first] - ends[first + 8]) / 1.0 == pytest.approx(decay_db_per_s, rel=0.005)


def test_slow_from_half_second_readings() -> None:
    """14 CFR 36, A36.3.7.6: with 0.5 s readings, 0.60653 of the old level and 0.39347 of the new one."""
    mean = ExponentialMean((1,), 0.5, 1.0, 0.5)
    mean.add(np.array([[1.0] + [0.0] * 20]))
    assert mean.drain(12)[0][0, 9:] == pytest.approx(0.39347 * 0.60653 ** np.arange(9, 12), rel=1e-4)


@pytest.mark.parametrize("interval", [2.5, 3.25, 7.0])
def test_an_interval_that_ends_within_a_step_takes_its_share_of_it(interval: float) -> None:
    """y_n = k y_(n-1) + (1 - k) x_n, k = e^(-T/tau), on a straight line between steps; the largest value likewise."""
    powers = np.random.default_rng(8).exponential(size=400)
    mean = ExponentialMean((1,), 1.0, 8.0, interval)
    for part in np.split(powers, [7, 100, 163]):
        mean.add(part[None])
    ends, largest = mean.drain(mean.waiting)
    keep, values = np.exp(-1.0 / 8.0), [0.0]
    for power in powers:
        values.append(keep * values[-1] + (1.0 - keep) * power)
    times = np.arange(1, ends.shape[1] + 1) * interval
    settled = times >= 40.0
    expected = np.interp(times, np.arange(401.0), values)
    assert ends[0, settled] == pytest.approx(expected[settled], rel=1e-12)
    inside = [
        max([expected[k - 1], expected[k], *np.array(values)[int(np.ceil(t - interval)) : int(np.floor(t)) + 1]])
        for k, t in enumerate(times)
        if k
    ]
    assert largest[0, 1:][settled[1:]] == pytest.approx(np.array(inside)[settled[1:]], rel=1e-12)


@pytest.mark.parametrize("weighting", ["F", "S"])
def test_a_steady_tone_reads_its_level_once_settled(weighting: str) -> None:
    """Empty before five time constants: a start from nothing would be 0.03 dB low and more."""
    constant = FAST_TIME_CONSTANT_S if weighting == "F" else SLOW_TIME_CONSTANT_S
    track = history(np.sin(2.0 * np.pi * 1000.0 * np.arange(10 * RATE) / RATE))
    ends = (track.fast if weighting == "F" else track.slow)[0, 0]
    largest = (track.fast_largest if weighting == "F" else track.slow_largest)[0, 0]
    settled = np.arange(1, ends.size + 1) * 0.125 >= 5.0 * constant
    assert np.isnan(ends[~settled]).all()
    assert np.isnan(largest[~settled]).all()
    assert 10.0 * np.log10(ends[settled] / 0.5) == pytest.approx(0.0, abs=0.04)
    assert (largest[settled] >= ends[settled]).all()


def test_intervals_and_cuts_do_not_change_the_weighting() -> None:
    """The value at 3 s is the same for intervals of 0.1, 0.25 and 1 s."""
    samples = np.random.default_rng(3).normal(size=5 * RATE)
    values = [history(samples, step).fast[0, 0, round(3.0 / step) - 1] for step in (0.1, 0.25, 1.0)]
    assert values == pytest.approx([values[0]] * 3, rel=1e-9)
