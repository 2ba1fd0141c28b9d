"""Exponents of speed: exact lines come back, intervals hold, lack of fit is found as often as it should be."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.acoustics.speed_exponent import (
    LACK_OF_FIT,
    SCATTER,
    STATED,
    SpeedFit,
    speed_decibels,
    speed_fit,
)
from tapeline.arrays import Reals

REFERENCE_MPS = 30.0


def fit(
    level_db: Reals, own_db: float, speeds_mps: Reals, shared_db: float = 0.0, confidence: float = 0.95
) -> SpeedFit:
    """Levels (runs, series) at achieved speeds that are the nominal ones."""
    doubt = [np.full(level_db.shape, value) for value in (own_db, shared_db)]
    point = np.unique(speeds_mps, return_inverse=True)[1]
    return speed_fit(level_db, *doubt, speed_decibels(speeds_mps, REFERENCE_MPS), point, confidence)


@given(
    exponent=st.floats(-2.0, 10.0),
    level=st.floats(20.0, 140.0),
    speeds=st.lists(st.floats(10.0, 80.0), min_size=2, max_size=7).filter(lambda s: max(s) > 1.05 * min(s)),
    own=st.floats(0.01, 3.0),
    shared=st.floats(0.0, 3.0),
)
def test_a_power_law_is_found_exactly(
    exponent: float, level: float, speeds: list[float], own: float, shared: float
) -> None:
    speed = np.array(speeds)
    found = fit((level + exponent * speed_decibels(speed, REFERENCE_MPS))[:, None], own, speed, shared)
    assert found.exponent[0] == pytest.approx(exponent, abs=1e-6)
    assert found.level_db[0] == pytest.approx(level, abs=1e-5)
    assert found.lower[0] <= found.exponent[0] <= found.upper[0]
    assert found.basis[0] == STATED


@given(seed=st.integers(0, 1000), shift=st.floats(-30.0, 30.0), more=st.floats(0.5, 2.0))
def test_levels_may_be_shifted_and_speeds_given_in_other_units(seed: int, shift: float, more: float) -> None:
    """A shift that all levels share (calibration, response) cancels; a factor on all speeds too."""
    rng = np.random.default_rng(seed)
    speed = np.array([25.0, 25.0, 30.0, 36.0, 40.0])
    level = rng.normal(90.0, 2.0, (5, 3))
    first, second = fit(level, 0.2, speed), fit(level + shift, 0.2, speed * more)
    for name in ("exponent", "standard_error", "lower", "upper", "rms_db", "lack_of_fit_p_value"):
        assert getattr(second, name) == pytest.approx(getattr(first, name), rel=1e-6, abs=1e-7), name


@given(seed=st.integers(0, 1000))
def test_series_with_gaps_are_fitted_as_if_alone(seed: int) -> None:
    rng = np.random.default_rng(seed)
    speed = np.repeat([25.0, 30.0, 36.0, 40.0], 2)
    level = rng.normal(90.0, 1.0, (8, 4))
    level[rng.random(level.shape) < 0.3] = np.nan
    together = fit(level, 0.2, speed, 0.1)
    for s in range(4):
        there = np.isfinite(level[:, s])
        if np.unique(speed[there]).size < 2:
            assert np.isnan(together.exponent[s])
            continue
        alone = fit(level[there, s : s + 1], 0.2, speed[there], 0.1)
        assert together.exponent[s] == pytest.approx(alone.exponent[0], abs=1e-9)
        assert together.upper[s] == pytest.approx(alone.upper[0], rel=1e-9)
        assert together.levels[s] == there.sum()


def test_one_speed_has_no_exponent() -> None:
    found = fit(np.full((3, 1), 90.0), 0.2, np.full(3, 30.0))
    assert np.isnan([found.exponent[0], found.lower[0], found.upper[0], found.level_db[0]]).all()
    assert (found.speeds[0], found.levels[0]) == (1, 3)


def test_repeats_do_not_lessen_what_the_levels_of_one_speed_share() -> None:
    speed = np.repeat([27.8, 36.1], 100)
    found = fit(90.0 + np.zeros((200, 1)), 0.5, speed, 0.3)
    alone = np.sqrt(2.0) * 0.3 / (10.0 * np.log10(36.1 / 27.8))
    assert found.standard_error[0] == pytest.approx(alone, rel=0.02)


def test_uncertain_levels_count_for_less() -> None:
    """The end that is known four times less well, here 2 dB off, moves the line by a sixteenth of its weight."""
    speed = np.array([20.0, 28.28427125, 40.0])
    x = speed_decibels(speed, REFERENCE_MPS)
    level = (90.0 + 6.0 * x + np.array([0.0, 0.0, 2.0]))[:, None]
    own = np.array([[0.1], [0.1], [0.4]])
    found = speed_fit(level, own, np.zeros(own.shape), x, np.arange(3), 0.95)
    weights = 1.0 / own[:, 0] ** 2
    assert found.exponent[0] == pytest.approx(np.polyfit(x, level[:, 0], 1, w=np.sqrt(weights))[0], abs=1e-9)
    assert found.exponent[0] < np.polyfit(x, level[:, 0], 1)[0] - 0.1


def test_scatter_beyond_what_is_stated_widens_the_interval() -> None:
    """Birge: standard error times root of chi-square over degrees of freedom, t with these."""
    speed = np.array([25.0, 30.0, 36.0, 40.0])
    level = (90.0 + 6.0 * speed_decibels(speed, REFERENCE_MPS) + np.array([0.3, -0.6, 0.6, -0.3]))[:, None]
    small, large = fit(level, 0.05, speed), fit(level, 5.0, speed)
    assert (small.basis[0], large.basis[0]) == (SCATTER, STATED)
    x = speed_decibels(speed, REFERENCE_MPS)
    spread = np.sqrt(np.sum((x - x.mean()) ** 2))
    assert small.standard_error[0] == pytest.approx(small.rms_db[0] / spread, rel=1e-9)
    assert large.standard_error[0] == pytest.approx(5.0 / spread, rel=1e-9)
    assert (small.upper - small.lower)[0] / small.standard_error[0] == pytest.approx(2 * 4.3026527, rel=1e-6), "t(2)"
    assert (large.upper - large.lower)[0] / large.standard_error[0] == pytest.approx(2 * 1.9599640, rel=1e-6)


def test_where_a_line_is_wrong_repeats_do_not_help() -> None:
    """A bend of 2 dB, repeats within 0.1 dB: lack of fit widens, with one degree of freedom for three speeds."""
    speed = np.repeat([25.0, 31.6, 40.0], 5)
    bend = np.repeat([0.0, 2.0, 0.0], 5)
    wiggle = np.tile([-0.1, -0.05, 0.0, 0.05, 0.1], 3)
    found = fit((90.0 + 6.0 * speed_decibels(speed, REFERENCE_MPS) + bend + wiggle)[:, None], 0.1, speed)
    assert found.basis[0] == LACK_OF_FIT
    assert found.lack_of_fit_p_value[0] < 1e-6
    assert (found.upper - found.lower)[0] / found.standard_error[0] == pytest.approx(2 * 12.7062047, rel=1e-6), "t(1)"


@pytest.mark.parametrize("repeats", [1, 3])
def test_lack_of_fit_is_found_by_chance_as_often_as_its_p_says(repeats: int) -> None:
    rng = np.random.default_rng(7)
    speed = np.repeat([22.0, 28.0, 34.0, 40.0], repeats)
    level = 90.0 + 5.0 * speed_decibels(speed, REFERENCE_MPS)[:, None] + rng.normal(0.0, 0.2, (speed.size, 8000))
    p = fit(level, 0.2, speed).lack_of_fit_p_value
    assert np.mean(p <= 0.05) == pytest.approx(0.05, abs=0.008)
    assert np.mean(p <= 0.5) == pytest.approx(0.5, abs=0.02)


DESIGNS = [(2, 1), (2, 2), (2, 3), (3, 1), (3, 2), (5, 1), (5, 3)]


@pytest.mark.parametrize("confidence", [0.9, 0.95])
@pytest.mark.parametrize(("speeds", "repeats"), DESIGNS)
def test_intervals_hold(speeds: int, repeats: int, confidence: float) -> None:
    """Coverage over 8000 simulated series with stated uncertainties that are the true ones.

    0.7 % is three standard errors of the simulation at 95 %. The wider of two intervals holds at least as often.
    """
    rng = np.random.default_rng(100 * speeds + repeats)
    speed = np.repeat(np.linspace(22.0, 42.0, speeds), repeats)
    common = np.repeat(rng.normal(0.0, 0.15, (speeds, 8000)), repeats, axis=0)
    own = rng.normal(0.0, 0.2, (speed.size, 8000))
    found = fit(88.0 + 5.5 * speed_decibels(speed, REFERENCE_MPS)[:, None] + common + own, 0.2, speed, 0.15, confidence)
    held = np.mean((found.lower < 5.5) & (found.upper > 5.5))
    assert confidence - 0.007 < held < 1.0 - 0.05 * (1.0 - confidence)


@pytest.mark.parametrize("times", [2.0, 5.0])
@pytest.mark.parametrize(("speeds", "repeats"), [design for design in DESIGNS if design != (2, 1)])
def test_scatter_that_nobody_stated_is_covered(speeds: int, repeats: int, times: float) -> None:
    """Whatever the scatter, as long as there are more levels than two; 0.9 % is three standard errors and rounding."""
    rng = np.random.default_rng(speeds)
    speed = np.repeat(np.linspace(22.0, 42.0, speeds), repeats)
    own = rng.normal(0.0, 0.2 * times, (speed.size, 8000))
    found = fit(88.0 + 5.5 * speed_decibels(speed, REFERENCE_MPS)[:, None] + own, 0.2, speed)
    assert 0.941 < np.mean((found.lower < 5.5) & (found.upper > 5.5)) < 0.985


def test_two_levels_have_nothing_but_what_was_stated() -> None:
    """Twice the scatter that was stated: a normal interval of half the width holds in 67.3 % (any normal table)."""
    rng = np.random.default_rng(1)
    speed = np.array([25.0, 40.0])
    found = fit(5.5 * speed_decibels(speed, REFERENCE_MPS)[:, None] + rng.normal(0.0, 0.4, (2, 8000)), 0.2, speed)
    assert np.mean((found.lower < 5.5) & (found.upper > 5.5)) == pytest.approx(0.673, abs=0.016)


@pytest.mark.parametrize("speed", [[25.0, 25.0, 40.0, 40.0], [25.0, 31.6, 40.0]])
def test_intervals_do_not_jump_as_the_scatter_grows(speed: list[float]) -> None:
    """Residuals that grow by 1 % make the interval at most 1 % wider, through and beyond where chi-square is 1."""
    speeds = np.array(speed)
    off = np.array([1.0, -1.0, 1.0, -1.0] if speeds.size == 4 else [1.0, -2.0, 1.0])
    grown = off[:, None] * 1.01 ** np.arange(-500.0, 200.0)
    found = fit(90.0 + 0.1 * grown, 0.1, speeds)
    widths = found.upper - found.lower
    assert {STATED, SCATTER} <= set(found.basis.tolist())
    assert np.all(np.diff(widths) >= -1e-9)
    assert np.all(widths[1:] <= 1.0100001 * widths[:-1])


def test_what_cannot_be_fitted_is_refused() -> None:
    with pytest.raises(ValueError, match="must be positive"):
        speed_decibels([30.0, 0.0], REFERENCE_MPS)
    with pytest.raises(ValueError, match="uncertainty above 0"):
        fit(np.full((2, 1), 90.0), 0.0, np.array([25.0, 30.0]))
