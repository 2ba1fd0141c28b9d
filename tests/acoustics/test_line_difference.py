"""Differences of averaged spectra, line by line."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from tapeline.acoustics.line_difference import LineDifference, LineSide, line_difference

CONFIDENCE = 0.95
NOTHING = np.zeros(1)
CERTAIN = np.full(1, 1e9)

densities = arrays(np.float64, (3, 4), elements=st.floats(1e-9, 1e3))


def side(*densities_by_run: float, averages: float = 100.0, total: tuple[float, ...] | None = None) -> LineSide:
    """Runs of one line each."""
    density = np.array(densities_by_run)[:, None]
    whole = None if total is None else np.array(total)[:, None]
    return LineSide(density, np.full(density.shape[0], averages), whole)


def half(found: LineDifference) -> float:
    return float(found.upper_db[0] - found.difference_db[0])


def test_ten_times_the_power_is_ten_decibels_with_the_random_error_of_both() -> None:
    """4.343 dB / sqrt(100) of each side (Bendat and Piersol, Random Data): 0.614 dB together, 1.96 of them."""
    found = line_difference(side(1.0), side(10.0), NOTHING, CERTAIN, CONFIDENCE)
    assert found.difference_db[0] == pytest.approx(10.0)
    assert half(found) == pytest.approx(1.95996 * 4.34294 * np.sqrt(2.0 / 100.0), rel=1e-4)
    assert found.difference_db[0] - found.lower_db[0] == pytest.approx(half(found))


def test_repeats_make_random_error_less_and_leave_the_rest() -> None:
    one = line_difference(side(1.0), side(1.0), NOTHING, CERTAIN, CONFIDENCE)
    four = line_difference(side(*[1.0] * 4), side(*[1.0] * 4), NOTHING, CERTAIN, CONFIDENCE)
    assert half(four) == pytest.approx(half(one) / 2.0)
    beyond = line_difference(side(*[1.0] * 4), side(*[1.0] * 4), np.full(1, 1.0), CERTAIN, CONFIDENCE)
    assert half(beyond) == pytest.approx(np.hypot(half(four), 1.95996), rel=1e-4)


def test_few_degrees_of_freedom_of_the_rest_make_the_interval_longer() -> None:
    """Without random error the factor is Student's with 4 degrees of freedom, 2.776 (any table of t)."""
    found = line_difference(side(1.0, averages=1e12), side(1.0, averages=1e12), np.ones(1), np.full(1, 4.0), CONFIDENCE)
    assert half(found) == pytest.approx(2.776, abs=1e-3)


@pytest.mark.parametrize("missing", [np.nan, 0.0])
def test_a_line_has_a_value_where_all_runs_have_one(missing: float) -> None:
    for sides in ((side(1.0, missing), side(1.0, 1.0)), (side(1.0, 1.0), side(missing, missing))):
        found = line_difference(*sides, NOTHING, CERTAIN, CONFIDENCE)
        for values in (found.difference_db, found.lower_db, found.upper_db):
            assert np.isnan(values[0])


def test_what_was_taken_off_makes_the_line_less_sure() -> None:
    """3 dB margin: half of the total is subtracted, the random error is twice as large, and as much again is added."""
    bare = line_difference(side(1.0), side(1.0), NOTHING, CERTAIN, CONFIDENCE)
    both = line_difference(side(1.0, total=(2.0,)), side(1.0, total=(2.0,)), NOTHING, CERTAIN, CONFIDENCE)
    assert half(both) == pytest.approx(np.sqrt(4.0 + 1.0) * half(bare))
    same = line_difference(side(1.0, total=(1.0,)), side(1.0, total=(1.0,)), NOTHING, CERTAIN, CONFIDENCE)
    assert half(same) == pytest.approx(half(bare))


@given(densities, densities, st.floats(-60.0, 60.0), st.permutations(range(3)))
def test_gain_and_order_of_runs_change_nothing(a: np.ndarray, b: np.ndarray, gain_db: float, order: list[int]) -> None:
    averages, gain = np.array([20.0, 40.0, 90.0]), 10.0 ** (gain_db / 10.0)
    beyond, dof = np.full(4, 0.1), np.full(4, 7.0)
    found = line_difference(LineSide(a, averages), LineSide(b, averages), beyond, dof, CONFIDENCE)
    sides = [LineSide(gain * x[order], averages[order]) for x in (a, b)]
    moved = line_difference(*sides, beyond, dof, CONFIDENCE)
    assert moved.difference_db == pytest.approx(found.difference_db, abs=1e-9)
    assert moved.lower_db == pytest.approx(found.lower_db, abs=1e-9)
    swapped = line_difference(LineSide(b, averages), LineSide(a, averages), beyond, dof, CONFIDENCE)
    assert swapped.difference_db == pytest.approx(-found.difference_db, abs=1e-9)
    assert swapped.upper_db == pytest.approx(-found.lower_db, abs=1e-9)


@pytest.mark.parametrize("averages", [20, 60, 200])
@pytest.mark.parametrize("scatter_db", [0.0, 0.4])
@pytest.mark.parametrize("runs", [(1, 1), (3, 4)])
def test_intervals_hold_the_true_difference(averages: int, scatter_db: float, runs: tuple[int, int]) -> None:
    """8000 lines of averaged noise, chi-square with 2 n degrees of freedom: a share known within 0.25 %."""
    random = np.random.default_rng(12)

    def drawn(level_db: float, count: int) -> LineSide:
        of_run = 10.0 ** ((level_db + scatter_db * random.normal(size=(count, 8000))) / 10.0)
        return LineSide(
            of_run * random.chisquare(2 * averages, (count, 8000)) / (2 * averages), np.full(count, float(averages))
        )

    beyond = np.full(8000, scatter_db**2 * sum(1.0 / count for count in runs))
    found = line_difference(drawn(60.0, runs[0]), drawn(57.0, runs[1]), beyond, np.full(8000, 1e9), CONFIDENCE)
    share = float(((found.lower_db <= -3.0) & (found.upper_db >= -3.0)).mean())
    assert 0.93 <= share <= 0.97


@pytest.mark.parametrize("margin_db", [3.5, 6.0, 10.0])
def test_intervals_hold_the_truth_above_a_background(margin_db: float) -> None:
    """The background's spectrum is known to as many averages as the runs."""
    random = np.random.default_rng(13)
    averages, lines = 60, 8000
    below = 1.0 / (10.0 ** (margin_db / 10.0) - 1.0)

    def noise() -> np.ndarray:
        return np.asarray(random.chisquare(2 * averages, (1, lines)) / (2 * averages))

    def drawn() -> LineSide:
        total = (1.0 + below) * noise()
        return LineSide(total - below * noise(), np.array([float(averages)]), total)

    sides, nothing = (drawn(), drawn()), (np.zeros(lines), np.full(lines, 1e9))
    found = line_difference(*sides, *nothing, CONFIDENCE)
    held = (found.lower_db <= 0.0) & (found.upper_db >= 0.0)
    assert 0.93 <= float(held[np.isfinite(found.difference_db)].mean()) <= 0.98
    bare = line_difference(*(LineSide(one.density, one.effective_averages) for one in sides), *nothing, CONFIDENCE)
    missed = (bare.lower_db > 0.0) | (bare.upper_db < 0.0)
    assert margin_db > 4.0 or float(missed.mean()) > 0.25, "random error of the total alone is not enough"
