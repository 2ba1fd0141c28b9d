"""Repeats held against what repeats of their campaign usually differ by: what is named, and what is found."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.limits import OTHER_REPEATS_DIFFERENCES
from tapeline.statistics.repeat_pair_test import Regions, Usual, pair_test, region_means

REGIONS, POSITIONS, CELLS = 18, 8, 14
SD_DB, SHAPE_SD_DB, RANDOM_DB = 0.3, 0.2, 0.05
APART = np.subtract.outer(np.arange(REGIONS), np.arange(REGIONS)) / 3.0
SMOOTH = np.linalg.cholesky(np.exp(-0.5 * APART**2) + 1e-6 * np.eye(REGIONS))
"""Third octaves whose scatter is alike over an octave."""


def held(seed: int, odd: str = "", cells: int = CELLS, common: float = 0.5) -> Usual:
    """Pairs of repeats that scatter in level and in shape, partly alike at all positions; the first one may be odd."""
    random = np.random.default_rng(seed)
    found = np.zeros((cells, 2, POSITIONS, REGIONS))
    for share, places in ((common, 1), (1.0 - common, POSITIONS)):
        found += np.sqrt(share) * random.normal(0.0, SD_DB, (cells, 2, places, 1))
        found += np.sqrt(share) * random.normal(0.0, SHAPE_SD_DB, (cells, 2, places, REGIONS)) @ SMOOTH.T
    found += random.normal(0.0, RANDOM_DB, found.shape)
    found[0, 1] += {"level": 2.0}.get(odd, 0.0)
    found[0, 1, :, 8:11] += {"octave": 3.0}.get(odd, 0.0)
    difference = found[:, 1] - found[:, 0]
    runs = np.arange(2 * cells).reshape(cells, 2)
    return pair_test(Regions(difference, np.full(difference.shape, 2.0 * RANDOM_DB**2)), runs, np.arange(cells))


def named(usual: Usual) -> np.ndarray:
    return usual.pair_p_value < 0.05


@pytest.mark.parametrize("common", [1.0, 0.5])
def test_at_most_five_in_a_hundred_honest_pairs_are_named(common: float) -> None:
    """Of 560 pairs, with two standard errors; fewer once the pairs of a campaign are adjusted for each other."""
    found = [held(seed, common=common) for seed in range(40)]
    alone = np.mean([np.nanmin(each.p_value, axis=1) < 0.05 for each in found])
    assert alone < 0.05 + 2.0 * np.sqrt(0.05 * 0.95 / (40 * CELLS))
    assert np.mean([named(each) for each in found]) < 0.015


@pytest.mark.parametrize("odd", ["level", "octave"])
def test_an_odd_run_is_found_and_no_other(odd: str) -> None:
    found = [held(seed, odd) for seed in range(30)]
    assert np.mean([named(each)[0] for each in found]) > 0.8
    assert np.mean([named(each)[1:].mean() for each in found]) < 0.015
    if odd == "octave":
        at = np.concatenate([each.region[0] for each in found])
        assert np.mean((at >= 8) & (at < 11)) > 0.9


def test_fewer_differences_tell_nothing() -> None:
    few = held(1, cells=OTHER_REPEATS_DIFFERENCES)
    assert few.others.tolist() == [OTHER_REPEATS_DIFFERENCES - 1] * OTHER_REPEATS_DIFFERENCES
    assert np.isnan(few.p_value).all()
    assert np.isfinite(few.level_db).all(), "the difference itself is known"


def test_pairs_that_share_a_run_are_no_evidence() -> None:
    """Three repeats in each of four cells: the two of the other three cells count, six in all."""
    runs = np.array([[3 * c + a, 3 * c + b] for c in range(4) for a, b in ((0, 1), (1, 2), (0, 2))])
    difference = np.random.default_rng(2).normal(0.0, 0.3, (12, 2, REGIONS))
    usual = pair_test(Regions(difference, np.full(difference.shape, 1e-3)), runs, np.repeat(np.arange(4), 3))
    assert usual.others.tolist() == [6] * 12


def test_what_is_not_sound_counts_for_no_scatter() -> None:
    random = np.random.default_rng(3)
    difference = random.normal(0.0, 0.1, (10, 2, REGIONS))
    difference[3:, 1] *= 3.0
    sound = np.ones((10, 2), dtype=bool)
    sound[3:, 1] = False
    regions = Regions(difference, np.full(difference.shape, 1e-4))
    runs = np.arange(20).reshape(10, 2)
    with_all, without = (pair_test(regions, runs, np.arange(10), part) for part in (None, sound))
    assert np.nanmedian(without.shape_sd_db[:, 0]) < 0.7 * np.nanmedian(with_all.shape_sd_db[:, 0])


def test_means_over_lines_and_their_random_error() -> None:
    """Independent lines: v / n; with a neighbour's correlation of 0.5 and 10 lines, 1 + 2 x 0.9 x 0.5 times as much."""
    region = np.repeat([0, 1, -1], [10, 3, 7])
    values = np.arange(20.0)
    mean, variance = region_means(values, 0.2, region, 2, np.array([1.0, 0.5]))
    assert mean[0] == pytest.approx(4.5)
    assert variance[0] == pytest.approx(0.2 / 10 * 1.9)
    assert np.isnan(mean[1]), "three lines are too few"
