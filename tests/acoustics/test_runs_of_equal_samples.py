"""Counting runs at the extremes and runs of one repeated value, sample by sample and across cuts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.acoustics.sample_checks import ExtremeRuns, Moments, RepeatedRuns, RunTally


def streamed(samples: np.ndarray, cuts: list[int], shortest: int) -> tuple[ExtremeRuns, RepeatedRuns, Moments]:
    """The three checks over (channels, frames) cut at the given places."""
    x = samples.astype(np.float32)
    checks = (ExtremeRuns(len(x), shortest), RepeatedRuns(len(x), shortest), Moments(len(x)))
    for part in np.split(x, sorted({cut for cut in cuts if 0 < cut < x.shape[1]}), axis=1):
        for check in checks:
            check.add(part)
    return checks


def plain_runs(flags: np.ndarray, shortest: int) -> tuple[int, int, int | None]:
    """Places, frames and first frame of runs of True, the plain way."""
    runs, start = [], None
    for i, flag in enumerate([*flags.tolist(), False]):
        if flag and start is None:
            start = i
        elif not flag and start is not None:
            runs.append((start, i - start))
            start = None
    long = [run for run in runs if run[1] >= shortest]
    return len(long), sum(run[1] for run in long), long[0][0] if long else None


def counted(tally: RunTally) -> tuple[int, int, int | None]:
    """What a tally holds."""
    return tally.places, tally.frames, tally.first_frame


@given(
    x=st.lists(st.integers(-2, 2), min_size=1, max_size=60),
    cuts=st.lists(st.integers(0, 60), max_size=12),
    shortest=st.integers(2, 5),
)
def test_any_cut_counts_as_the_whole(x: list[int], cuts: list[int], shortest: int) -> None:
    samples = np.array([x])
    extremes, repeated, moments = streamed(samples, cuts, shortest)
    assert counted(extremes.high[0]) == plain_runs(samples[0] == samples.max(), shortest)
    assert counted(extremes.low[0]) == plain_runs(samples[0] == samples.min(), shortest)
    places, steps, second = plain_runs(np.diff(samples[0]) == 0, shortest - 1)
    first = None if second is None else second + 1
    assert counted(repeated.tallies[0]) == (places, steps, first)
    assert (moments.minimum[0], moments.maximum[0], moments.frames) == (min(x), max(x), len(x))
    assert moments.mean[0] == pytest.approx(np.mean(x), abs=1e-6)
    assert moments.standard_deviation[0] == pytest.approx(np.std(x), abs=1e-6)


def test_one_long_run_over_many_blocks_is_one_place() -> None:
    x = np.zeros((1, 4_000))
    x[0, 1_000:3_000] = 0.7
    extremes, repeated, _ = streamed(x, list(range(0, 4_000, 100)), 3)
    assert counted(extremes.high[0]) == (1, 2_000, 1_000)
    assert counted(repeated.tallies[0]) == (3, 3_997, 1)


def test_a_first_sample_repeats_nothing() -> None:
    _, repeated, _ = streamed(np.array([[5.0, 5.0, 1.0, 2.0]]), [], 3)
    assert counted(repeated.tallies[0]) == (0, 0, None)


def test_a_new_extreme_forgets_the_runs_below_it() -> None:
    x = np.array([[1.0, 1.0, 1.0, 0.0, 2.0, 0.0, -1.0, -1.0, -1.0, 0.0]])
    extremes, _, _ = streamed(x, [4], 3)
    assert counted(extremes.high[0]) == (0, 0, None)
    assert counted(extremes.low[0]) == (1, 3, 6)


def test_channels_do_not_mix() -> None:
    x = np.zeros((3, 50))
    x[:] = np.arange(50) % 7
    x[1, 10:20] = 9.0
    extremes, repeated, _ = streamed(x, [13, 15], 4)
    assert [tally.places for tally in extremes.high] == [0, 1, 0]
    assert [tally.places for tally in repeated.tallies] == [0, 1, 0]


@given(offset=st.floats(-0.9, 0.9), cut=st.integers(1, 19_999))
def test_a_small_signal_on_a_large_offset_keeps_its_deviation(offset: float, cut: int) -> None:
    """float32 holds an offset of 0.9 to 3e-8: a signal of 1e-4 keeps its standard deviation to a thousandth."""
    x = (offset + 1e-4 * np.random.default_rng(3).normal(size=(1, 20_000))).astype(np.float32)
    moments = streamed(x, [cut], 3)[2]
    assert moments.standard_deviation[0] == pytest.approx(x.astype(float).std(), rel=1e-3)
