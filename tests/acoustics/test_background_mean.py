"""Means of several background runs: known scatter is found again, stated variances are those of simulations."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tapeline.acoustics.background_mean import (
    BackgroundMean,
    BackgroundScatter,
    between_speeds,
    mean_background,
    scatter_of,
)
from tapeline.acoustics.band_levels import Powers
from tapeline.limits import BACKGROUND_PRIOR_DOF

Reals = NDArray[np.float64]
DB_PER_RELATIVE = 10.0 / np.log(10.0)
BANDS = 20
LEVELS = 10.0 ** np.linspace(-2.0, -6.0, BANDS)


def background_runs(
    rng: np.random.Generator, runs: int, positions: int, averages: float, scatter_db: float
) -> list[Powers]:
    """Runs of one background: gamma distributed about their own mean, which all bands of a run share.

    `averages` are the independent ones of a band: its relative variance is 1/averages, with chi-square form (Bendat and
    Piersol, Random Data).
    """
    shifts = 1.0 + scatter_db / DB_PER_RELATIVE * rng.normal(size=(runs, positions, 1))
    power = LEVELS * shifts * rng.gamma(averages, 1.0 / averages, size=(runs, positions, BANDS))
    return [Powers(each, each**2 / averages) for each in power]


def everywhere(runs: int, positions: int) -> NDArray[np.bool_]:
    return np.ones((runs, positions), dtype=bool)


def nothing(positions: int) -> BackgroundScatter:
    return BackgroundScatter(np.zeros(positions), np.full(positions, np.inf))


@pytest.mark.parametrize("scatter_db", [0.3, 0.8])
def test_a_known_scatter_is_found_again(scatter_db: float) -> None:
    """Of 40 runs at 200 positions; the stated one of 0.2 dB counts for 2 of 41 degrees of freedom."""
    parts = background_runs(np.random.default_rng(1), 40, 200, 300.0, scatter_db)
    found = scatter_of(parts, everywhere(40, 200), 0.2)
    true, stated = (scatter_db / DB_PER_RELATIVE) ** 2, (0.2 / DB_PER_RELATIVE) ** 2
    expected = (BACKGROUND_PRIOR_DOF * stated + 39.0 * true) / (BACKGROUND_PRIOR_DOF + 39.0)
    assert np.mean(found.relative_variance) == pytest.approx(expected, rel=0.06)
    # A variance of 39 degrees of freedom scatters by sqrt(2/39) of itself.
    assert np.std(found.relative_variance) == pytest.approx(expected * np.sqrt(2.0 / 39.0), rel=0.25)
    assert np.all(found.degrees_of_freedom == BACKGROUND_PRIOR_DOF + 39.0)


def test_random_error_alone_is_no_scatter() -> None:
    """The runs differ by 0.43 dB in each band, all of it by chance; what is found is a tenth of that at most."""
    parts = background_runs(np.random.default_rng(2), 30, 100, 100.0, 0.0)
    found = scatter_of(parts, everywhere(30, 100), 0.0)
    assert np.all(found.relative_variance >= 0.0)
    assert np.mean(found.relative_variance) < 0.1 / 100.0


def test_one_run_has_the_stated_scatter_alone() -> None:
    parts = background_runs(np.random.default_rng(3), 1, 3, 50.0, 2.0)
    found = scatter_of(parts, everywhere(1, 3), 0.2)
    assert found.relative_variance == pytest.approx([(0.2 / DB_PER_RELATIVE) ** 2] * 3, rel=1e-9)
    assert list(found.degrees_of_freedom) == [BACKGROUND_PRIOR_DOF] * 3


def test_channels_that_are_left_out_do_not_count() -> None:
    """Position 0 has one run left, position 1 two, position 2 none; what is left out is absurd or missing."""
    parts = background_runs(np.random.default_rng(4), 3, 3, 100.0, 0.5)
    used = np.array([[True, True, False], [False, True, False], [False, False, False]])
    alone = scatter_of([Powers(p.power[1:2], p.variance[1:2]) for p in parts[:2]], everywhere(2, 1), 0.2)
    for run, part in enumerate(parts):
        part.power[~used[run]] = np.array([np.nan, 1e6])[np.arange(np.count_nonzero(~used[run])) % 2, None]
    found = scatter_of(parts, used, 0.2)
    stated = (0.2 / DB_PER_RELATIVE) ** 2
    expected = [stated, float(alone.relative_variance[0]), stated]
    assert found.relative_variance == pytest.approx(expected, rel=1e-12)
    assert list(found.degrees_of_freedom) == [BACKGROUND_PRIOR_DOF, BACKGROUND_PRIOR_DOF + 1.0, BACKGROUND_PRIOR_DOF]
    made = mean_background(parts, used, found, 1.0)
    assert made.powers.power[0] == pytest.approx(parts[0].power[0], rel=1e-12)
    assert made.powers.power[1] == pytest.approx((parts[0].power[1] + parts[1].power[1]) / 2.0, rel=1e-12)
    assert np.all(np.isnan(made.powers.power[2])) and np.all(np.isnan(made.powers.variance[2]))
    assert not made.unsteady[[0, 2]].any()


def test_the_mean_is_one_of_powers_not_of_levels() -> None:
    """60 dB and 70 dB make 67.4 dB (10 lg of the mean of 10^6 and 10^7), not 65 dB."""
    parts = [Powers(np.full((1, 1), level), np.zeros((1, 1))) for level in (1e6, 1e7)]
    made = mean_background(parts, everywhere(2, 1), nothing(1), 1.0)
    assert 10.0 * np.log10(made.powers.power[0, 0]) == pytest.approx(67.404, abs=1e-3)


@pytest.mark.parametrize(("runs", "scatter_db"), [(1, 0.3), (3, 0.3), (3, 0.0), (6, 0.6)])
def test_the_variance_is_that_of_the_background_of_another_run(runs: int, scatter_db: float) -> None:
    """Mean of n runs less what the background is during one more run, whose own random error does not count here."""
    averages, positions = 200.0, 4000
    rng = np.random.default_rng(runs)
    parts = background_runs(rng, runs, positions, averages, scatter_db)
    known = BackgroundScatter(np.full(positions, (scatter_db / DB_PER_RELATIVE) ** 2), np.full(positions, np.inf))
    made = mean_background(parts, everywhere(runs, positions), known, 1.0)
    there = LEVELS * (1.0 + scatter_db / DB_PER_RELATIVE * rng.normal(size=(positions, 1)))
    off = (made.powers.power - there) / LEVELS
    assert np.mean(off) == pytest.approx(0.0, abs=5.0 * np.std(off) / np.sqrt(positions))
    stated = np.mean(made.powers.variance / LEVELS**2)
    assert np.var(off) == pytest.approx(stated, rel=0.05)


def test_degrees_of_freedom_are_those_of_random_error_and_scatter() -> None:
    """Random error alone: 2 n averages; scatter alone: its own; between them by Welch-Satterthwaite (GUM G.4.1)."""
    parts = [Powers(np.ones((2, 1)), np.array([[1.0 / 50.0], [1e-12]]))] * 4
    scatter = BackgroundScatter(np.array([0.0, 0.01]), np.array([5.0, 5.0]))
    made = mean_background(parts, everywhere(4, 2), scatter, 1.0)
    assert made.degrees_of_freedom[:, 0] == pytest.approx([400.0, 5.0], rel=1e-6)
    both = mean_background(
        parts, everywhere(4, 2), BackgroundScatter(np.array([0.004, 0.01]), np.array([5.0, 5.0])), 1.0
    )
    assert both.degrees_of_freedom[0, 0] == pytest.approx(0.01**2 / (0.005**2 / 400.0 + 0.005**2 / 5.0), rel=1e-9)


def test_a_spread_of_three_decibels_is_named_and_steady_noise_seldom() -> None:
    rng = np.random.default_rng(7)
    steady = background_runs(rng, 4, 500, 100.0, 0.0)
    made = mean_background(steady, everywhere(4, 500), nothing(500), 1.0)
    assert np.mean(made.unsteady) < 0.001
    levels_db = np.array([-3.0, 0.0, 3.0, 0.0])
    loud = [
        Powers(p.power * 10.0 ** (db / 10.0), p.variance * 10.0 ** (db / 5.0))
        for p, db in zip(steady, levels_db, strict=True)
    ]
    assert np.mean(mean_background(loud, everywhere(4, 500), nothing(500), 1.0).unsteady) > 0.99


def test_a_spread_that_chance_may_give_is_not_named() -> None:
    """With 3 averages a band scatters by 2.5 dB; at a limit of 0.1 dB chance alone decides, in 1 % of cases."""
    noisy = background_runs(np.random.default_rng(8), 4, 500, 3.0, 0.0)
    exact = [Powers(p.power, np.broadcast_to(LEVELS**2 / 3.0, p.power.shape)) for p in noisy]
    share = np.mean(mean_background(exact, everywhere(4, 500), nothing(500), 0.1).unsteady)
    assert share < 0.05
    calm = [Powers(p.power, p.variance * 1e-4) for p in noisy]
    assert np.mean(mean_background(calm, everywhere(4, 500), nothing(500), 0.1).unsteady) > 0.99


def test_one_run_is_never_unsteady() -> None:
    made = mean_background(background_runs(np.random.default_rng(9), 1, 5, 3.0, 3.0), everywhere(1, 5), nothing(5), 0.1)
    assert not made.unsteady.any()


def at_speed(speed_mps: float, exponents: Reals, relative_variance: float = 0.01) -> BackgroundMean:
    power = (LEVELS * (speed_mps / 20.0) ** exponents)[None]
    dof = np.full(power.shape, 10.0)
    own = 0.5 * relative_variance * power**2
    return BackgroundMean(Powers(power, relative_variance * power**2), own, dof, np.zeros(power.shape, dtype=bool))


@pytest.mark.parametrize("speed", [22.3, 30.0, 39.0])
def test_a_power_law_of_speed_is_met_exactly(speed: float) -> None:
    """Whatever the exponent of a band, 3 to 8 (common practice: 4 for wall pressure to 6 for radiated sound)."""
    exponents = np.linspace(3.0, 8.0, BANDS)
    made = between_speeds(at_speed(20.0, exponents), at_speed(40.0, exponents), (20.0, 40.0), speed, 0.5)
    assert made.powers.power == pytest.approx(at_speed(speed, exponents).powers.power, rel=1e-12)


def test_the_variance_between_speeds_is_that_of_a_simulation() -> None:
    """Both ends and the law itself vary, independent of each other."""
    rng, law_db = np.random.default_rng(11), 0.3
    lower, upper = (at_speed(speed, np.full(BANDS, 5.0), share) for speed, share in ((20.0, 0.004), (30.0, 0.001)))
    stated = between_speeds(lower, upper, (20.0, 30.0), 23.0, law_db).powers
    found = []
    for _ in range(2000):
        ends = [
            BackgroundMean(
                Powers(
                    end.powers.power + rng.normal(size=(1, BANDS)) * np.sqrt(end.powers.variance), end.powers.variance
                ),
                end.own_variance,
                end.degrees_of_freedom,
                end.unsteady,
            )
            for end in (lower, upper)
        ]
        made = between_speeds(ends[0], ends[1], (20.0, 30.0), 23.0, law_db).powers.power
        found.append(made * (1.0 + law_db / DB_PER_RELATIVE * rng.normal(size=made.shape)))
    ratio = np.var(found, axis=0) / stated.variance
    assert np.mean(ratio) == pytest.approx(1.0, abs=0.03)


def test_an_unsteady_end_is_told_and_freedom_lies_with_the_larger_share() -> None:
    lower, upper = at_speed(20.0, np.full(BANDS, 4.0)), at_speed(40.0, np.full(BANDS, 4.0))
    upper.unsteady[0, 3] = True
    made = between_speeds(lower, upper, (20.0, 40.0), 30.0, 0.0)
    assert list(np.flatnonzero(made.unsteady)) == [3]
    # Shares (1-a)^2 and a^2 of 10 degrees of freedom each; the law adds none and is certain.
    a = np.log(1.5) / np.log(2.0)
    expected = 10.0 * ((1.0 - a) ** 2 + a**2) ** 2 / ((1.0 - a) ** 4 + a**4)
    assert made.degrees_of_freedom == pytest.approx(expected, rel=1e-9)
    assert np.all(between_speeds(lower, upper, (20.0, 40.0), 30.0, 1.0).degrees_of_freedom > expected)


@pytest.mark.parametrize(
    ("speeds", "speed"), [((20.0, 40.0), 19.0), ((20.0, 40.0), 41.0), ((20.0, 40.0), 40.0), ((0.0, 40.0), 20.0)]
)
def test_nothing_is_taken_beyond_the_measured_speeds(speeds: tuple[float, float], speed: float) -> None:
    end = at_speed(30.0, np.full(BANDS, 4.0))
    with pytest.raises(ValueError, match=f"{speed:g} m/s does not lie between {speeds[0]:g} and {speeds[1]:g} m/s"):
        between_speeds(end, end, speeds, speed, 0.5)
