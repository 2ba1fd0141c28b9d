"""Spectra of several speeds over Strouhal number and over frequency: the right word, and no wrong one."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from long_evidence import few_or_many
from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.speed_exponent import speed_decibels
from tapeline.acoustics.strouhal_collapse import Collapse, _splines, collapse
from tapeline.arrays import Reals

MIDBAND_HZ = bands_between(3, 100.0, 4000.0).midband_hz
NOISE_DB, RUN_DB = 0.3, 0.1
CAMPAIGNS = [([100.0, 130.0], 2), ([80.0, 100.0, 130.0], 1), ([80.0, 100.0, 120.0, 140.0, 160.0], 2)]


@pytest.fixture(params=few_or_many(60, 200))
def seeds(request: pytest.FixtureRequest) -> range:
    return range(request.param)


def spectra(kind: str, speed_mps: Reals, rng: np.random.Generator) -> Reals:
    """Third-octave levels, (runs, bands): a hump that moves with speed, a resonance that stays, or neither."""
    lines = np.log10(MIDBAND_HZ)
    x = speed_decibels(speed_mps, 30.0)[:, None]
    reduced = lines - np.log10(speed_mps)[:, None]
    if kind == "hump":
        centre = rng.uniform(1.1, 1.6)
        return np.asarray(80.0 + 5.5 * x - 10.0 * reduced + 8.0 * np.exp(-0.5 * ((reduced - centre) / 0.12) ** 2))
    level = 80.0 + 6.0 * x - 15.0 * (lines - 3.0)
    if kind == "resonance":
        quality, at = rng.uniform(8.0, 20.0), 10.0 ** rng.uniform(2.5, 3.1)
        level = level + 10.0 * np.log10(1.0 + 6.3 / (1.0 + (2.0 * quality * (MIDBAND_HZ / at - 1.0)) ** 2))
    return np.asarray(level)


def simulated(kind: str, speeds_kmh: list[float], repeats: int, seed: int, gaps: float = 0.15) -> Collapse:
    """One simulated position; `gaps` is the share of levels that are missing."""
    rng = np.random.default_rng(seed)
    speed = np.repeat(speeds_kmh, repeats) / 3.6
    level = spectra(kind, speed, rng) + NOISE_DB * rng.standard_normal((speed.size, MIDBAND_HZ.size))
    level += RUN_DB * rng.standard_normal((speed.size, 1))
    level[rng.random(level.shape) < gaps] = np.nan
    shared = (np.arange(speed.size), np.full(speed.size, RUN_DB))
    found = collapse(level, [shared], speed_decibels(speed, 30.0), speed, MIDBAND_HZ, 0.95)
    assert found is not None
    return found


@pytest.mark.parametrize(("speeds_kmh", "repeats"), CAMPAIGNS)
@pytest.mark.parametrize(
    ("kind", "word", "least"),
    [("hump", "strouhal", 0.95), ("resonance", "frequency", 0.9), ("plain", "not shown", 0.95)],
)
def test_the_word_is_right_and_a_wrong_one_rare(
    kind: str, word: str, least: float, speeds_kmh: list[float], repeats: int, seeds: range
) -> None:
    """A word that is wrong is rarer than 5 %; `not shown` is no wrong word."""
    words = Counter(simulated(kind, speeds_kmh, repeats, seed).better for seed in seeds)
    assert words[word] >= least * len(seeds)
    wrong = {"strouhal", "frequency"} - {word}
    assert sum(words[each] for each in wrong) < 0.05 * len(seeds)


@pytest.mark.parametrize(("speeds_kmh", "repeats"), CAMPAIGNS)
def test_intervals_of_the_exponent_hold(speeds_kmh: list[float], repeats: int, seeds: range) -> None:
    """95 % over the seeds, within three standard errors below; what runs share makes them wider, never narrower."""
    for kind, exponent, side in (("hump", 5.5, "moving"), ("plain", 6.0, "fixed"), ("resonance", 6.0, "fixed")):
        fits = [getattr(simulated(kind, speeds_kmh, repeats, seed), side) for seed in seeds]
        held = np.mean([fit.lower < exponent < fit.upper for fit in fits])
        assert held > 0.95 - 3.0 * np.sqrt(0.05 * 0.95 / len(seeds)), kind


def test_scatter_is_that_of_the_noise_under_the_right_model(seeds: range) -> None:
    """Degrees of freedom are counted: the mean variance over the seeds is the noise's and the runs' own."""
    for kind, side in (("hump", "moving"), ("resonance", "fixed")):
        variance = np.mean([getattr(simulated(kind, *CAMPAIGNS[2], seed), side).scatter_db ** 2 for seed in seeds])
        assert np.sqrt(variance) == pytest.approx(np.hypot(NOISE_DB, RUN_DB), rel=0.06), kind


def test_the_peak_is_found_where_the_hump_is(seeds: range) -> None:
    """Within a sixth of an octave, half a band, for nearly all seeds with a hump that rises above the low end."""
    off = []
    for seed in seeds:
        centre = np.random.default_rng(seed).uniform(1.1, 1.6)
        if centre > 1.3:
            continue
        peak = simulated("hump", *CAMPAIGNS[2], seed).moving.peak
        off.append(abs(np.log10(peak) - centre) if peak else np.inf)
    assert np.mean(np.array(off) < 0.05) > 0.95


def test_without_a_hump_there_is_no_peak() -> None:
    speed = np.array([25.0, 32.0, 40.0])
    level = 80.0 + 5.0 * speed_decibels(speed, 30.0)[:, None] - 10.0 * np.log10(MIDBAND_HZ / speed[:, None])
    found = collapse(level, [], speed_decibels(speed, 30.0), speed, MIDBAND_HZ, 0.95)
    assert found is not None
    assert found.moving.peak is None
    assert found.better == "not shown"
    assert found.moving.exponent == pytest.approx(5.0, abs=1e-6)


def test_an_exponent_at_one_frequency_holds_the_slope_of_the_spectrum() -> None:
    """Band levels that fall as St^-s about a collapse with n rise as n + s at one frequency: 8 is no quadrupole."""
    speed = np.array([25.0, 32.0, 40.0])
    level = 80.0 + 5.0 * speed_decibels(speed, 30.0)[:, None] - 30.0 * np.log10(MIDBAND_HZ / speed[:, None])
    found = collapse(level, [], speed_decibels(speed, 30.0), speed, MIDBAND_HZ, 0.95)
    assert found is not None
    assert found.moving.exponent == pytest.approx(5.0, abs=1e-6)
    assert found.fixed.exponent == pytest.approx(5.0 + 3.0, abs=1e-6)


def test_a_length_would_change_nothing() -> None:
    """St = f l / U shifts the logarithm by lg l for all levels: as if all speeds were lower by that factor."""
    rng = np.random.default_rng(3)
    speed = np.repeat([25.0, 32.0, 40.0], 2)
    level = spectra("hump", speed, rng) + rng.normal(0.0, 0.3, (6, MIDBAND_HZ.size))
    x = speed_decibels(speed, 30.0)
    one, other = (collapse(level, [], x, speed / length, MIDBAND_HZ, 0.95) for length in (1.0, 0.008))
    assert one is not None
    assert other is not None
    for name in ("exponent", "standard_error", "scatter_db"):
        assert getattr(other.moving, name) == pytest.approx(getattr(one.moving, name), rel=1e-6)
    assert one.moving.peak is not None
    assert other.moving.peak == pytest.approx(0.008 * one.moving.peak, rel=0.01)


def test_too_few_levels_have_no_collapse() -> None:
    level = np.full((2, MIDBAND_HZ.size), np.nan)
    speed = np.array([25.0, 32.0])
    x = speed_decibels(speed, 30.0)
    assert collapse(level, [], x, speed, MIDBAND_HZ, 0.95) is None
    level[0] = 80.0
    assert collapse(level, [], x, speed, MIDBAND_HZ, 0.95) is None, "one speed"
    level[1, :2] = 83.0
    assert collapse(level[:, :2], [], x, speed, MIDBAND_HZ[:2], 0.95) is None, "nothing to spare"
    for bands in (0, 1):
        assert collapse(level[:, :bands], [], x, speed, MIDBAND_HZ[:bands], 0.95) is None, "bands have no distance"


def test_splines_are_those_of_the_library_that_takes_long_to_load() -> None:
    from scipy.interpolate import BSpline

    rng = np.random.default_rng(5)
    for pieces in (1, 2, 9):
        knots = 0.7 + 0.13 * np.arange(-3, pieces + 4, dtype=np.float64)
        inside = np.concatenate([rng.uniform(knots[3], knots[-4], 40), knots[3:-3]])
        expected = BSpline.design_matrix(inside, knots, 3).toarray()
        np.testing.assert_allclose(_splines(inside, knots), expected, rtol=1e-14, atol=1e-15)
    assert _splines(np.array([-9.0, 9.0]), knots)[[0, 1], [0, -1]] == pytest.approx([1.0 / 6.0, 1.0 / 6.0])
