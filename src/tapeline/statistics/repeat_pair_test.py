"""Whether a pair of repeats differs more than the campaign's repeats usually do: level and shape apart, by regions.

The test against random error alone (`spectrum_equality`) fails wherever runs scatter at all. Here the scatter beyond
random error that other pairs show is expected too: of the level, which many lines share, and of the shape without it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.limits import OTHER_REPEATS_DIFFERENCES, OUTLYING_PAIR_RATIO, REGION_AT_LEAST_LINES
from tapeline.statistics.significance import benjamini_hochberg, holm, student_p_value


@dataclass(frozen=True)
class Regions:
    """Mean differences of pairs by region of the spectrum, second less first, and their variance by random error.

    Both of shape (pairs, positions, regions) in dB and dB^2, NaN where there is none.
    """

    difference_db: Reals
    random_db2: Reals

    @property
    def level_db(self) -> Reals:
        """Difference of the level, (pairs, positions): the median over the regions, which one region does not move."""
        return _median(self.difference_db)


@dataclass(frozen=True)
class Usual:
    """Each pair compared with the other pairs; arrays of shape (pairs, positions), NaN where nothing can be said.

    `others` (pairs,) counts the independent differences between other repeats; `pair_level_db` (pairs,) is the median
    level over the positions. `p_value` of level and shape is adjusted over the pair's positions (Holm), half of the
    chance being given to the median over the positions. `pair_p_value` (pairs,) is the smallest of them, adjusted over
    all pairs (Benjamini and Hochberg). `region` is the place of the region furthest from usual in shape.
    """

    others: NDArray[np.int64]
    pair_level_db: Reals
    pair_p_value: Reals
    level_db: Reals
    level_sd_db: Reals
    level_p_value: Reals
    region: NDArray[np.int64]
    shape_db: Reals
    shape_sd_db: Reals
    shape_p_value: Reals
    p_value: Reals


@dataclass(frozen=True)
class _Held:
    """Differences of one pair at some places held against those of others, arrays of shape (places,)."""

    level_sd_db: Reals
    level_p_value: Reals
    region: NDArray[np.int64]
    shape_sd_db: Reals
    shape_p_value: Reals

    @property
    def p_value(self) -> Reals:
        return np.asarray(np.minimum(2.0 * np.fmin(self.level_p_value, self.shape_p_value), 1.0))


def region_means(
    log_ratio: Reals, variance: float, region: NDArray[np.int64], regions: int, correlation: Reals
) -> tuple[Reals, Reals]:
    """Mean over the lines of each region of a pair's log ratios (dB), and its variance by random error (dB^2).

    `log_ratio` in dB and `region` of shape (lines,), the latter below 0 for lines of none; `variance` (dB^2) is that of
    one line. Neighbours share what windows spread: 1 + 2 sum_m (1 - m/n) rho_m times the variance of independent lines.
    """
    chosen = region >= 0
    count = np.bincount(region[chosen], minlength=regions)
    sums = np.bincount(region[chosen], weights=log_ratio[chosen], minlength=regions)
    share = np.maximum(1.0 - np.arange(1, correlation.size)[:, None] / np.maximum(count, 1), 0.0)
    reach = 1.0 + 2.0 * np.sum(share * correlation[1:, None], axis=0)
    known = count >= REGION_AT_LEAST_LINES
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(known, sums / count, np.nan), np.where(known, variance * reach / count, np.nan)


def pair_test(
    found: Regions, runs: NDArray[np.int64], cell: NDArray[np.int64], sound: NDArray[np.bool_] | None = None
) -> Usual:
    """Test of each pair against the scatter of all pairs that share no run with it.

    `runs` (pairs, 2) numbers the runs, `cell` (pairs,) the groups of repeats; what is not `sound` (pairs, positions) is
    compared with the others and counts for no scatter. Level: t = difference over the scatter of others, at each
    position and in the median over them, since a whole run is louder or not. Shape: the region furthest from the others
    without the level, its chance times the number of regions (Bonferroni). The scatter is the larger of that of all
    positions and of the position's own, where enough pairs show it. Differences of one pair at several positions count
    as one, since a run's shift is common to many, and one degree of freedom goes to leaving out outlying pairs.
    """
    level = found.level_db
    parts = np.concatenate([level[:, :, None], found.difference_db - level[:, :, None]], axis=2)
    known = np.isfinite(found.random_db2)
    of_level = np.nan_to_num(found.random_db2).sum(axis=2) / np.maximum(known.sum(axis=2), 1) ** 2
    random = np.concatenate([of_level[:, :, None], found.random_db2], axis=2)
    pairs, positions = level.shape
    use = np.isfinite(level) & (True if sound is None else sound)
    usable = np.where(use[:, :, None], parts, np.nan)
    whole = _median(np.swapaxes(usable, 1, 2))[:, None, :], _median(np.swapaxes(random, 1, 2))[:, None, :]
    others, of_pair = np.zeros(pairs, dtype=np.int64), np.full(pairs, np.nan)
    level_sd, level_p, shape_db, shape_sd, shape_p, adjusted = (np.full(level.shape, np.nan) for _ in range(6))
    region = np.zeros((pairs, positions), dtype=np.int64)
    for k in range(pairs):
        apart = ~np.isin(runs, runs[k]).any(axis=1) & use.any(axis=1)
        others[k] = independent_differences(runs[apart], cell[apart])
        if others[k] < OTHER_REPEATS_DIFFERENCES:
            continue
        dof = float(others[k] - 1)
        own = _held(parts[k], random[k], usable[apart], random[apart], dof)
        together = _held(whole[0][k], whole[1][k], whole[0][apart], whole[1][apart], dof)
        level_sd[k], level_p[k], region[k] = own.level_sd_db, own.level_p_value, own.region
        shape_db[k], shape_sd[k] = parts[k][np.arange(positions), 1 + own.region], own.shape_sd_db
        shape_p[k] = own.shape_p_value
        each = np.minimum(2.0 * np.fmin(holm(own.p_value), together.p_value[0]), 1.0)
        adjusted[k] = np.where(np.isfinite(own.p_value), each, np.nan)
        of_pair[k] = np.fmin.reduce(adjusted[k], initial=np.nan)
    return Usual(
        others,
        whole[0][:, 0, 0],
        benjamini_hochberg(of_pair),
        level,
        level_sd,
        level_p,
        region,
        shape_db,
        shape_sd,
        shape_p,
        adjusted,
    )


def _held(parts: Reals, random: Reals, others: Reals, others_random: Reals, dof: float) -> _Held:
    """Level (the first item) and shape (the others) of a pair, (places, items), against (pairs, places, items)."""
    sd = _expected(others, others_random, random)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.abs(parts) / sd
    shape = np.nan_to_num(off[:, 1:])
    region, count = shape.argmax(axis=1), np.isfinite(off[:, 1:]).sum(axis=1)
    p = np.minimum(student_p_value(shape.max(axis=1), dof) * np.maximum(count, 1), 1.0)
    at = np.arange(len(region)), 1 + region
    return _Held(sd[:, 0], student_p_value(off[:, 0], dof), region, sd[at], np.where(count > 0, p, np.nan))


def _median(values: Reals) -> Reals:
    """Median over the last axis of what is there, NaN where nothing is."""
    found = np.full(values.shape[:-1], np.nan)
    some = np.isfinite(values).any(axis=-1)
    found[some] = np.nanmedian(values[some], axis=-1)
    return found


def independent_differences(runs: NDArray[np.int64], cell: NDArray[np.int64]) -> int:
    """Number of independent differences between runs in pairs: the runs of each group of repeats less one."""
    return sum(np.unique(runs[cell == name]).size - 1 for name in np.unique(cell))


def _expected(others: Reals, others_random: Reals, random: Reals) -> Reals:
    """Standard deviation (dB) of a pair's differences as usual: random error and scatter beyond it, (positions, items).

    `others` has shape (pairs, positions, items) and random error `others_random`; `random` is the pair's own.
    """
    squares = np.where(_usual_pairs(others)[:, None, None], others**2, np.nan)
    count = np.isfinite(squares).sum(axis=0)
    sums = np.nan_to_num(squares).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        everywhere = sums.sum(axis=0) / count.sum(axis=0)
        own = np.where(count >= OTHER_REPEATS_DIFFERENCES, sums / count, 0.0)
    expected = _median(others_random.reshape(-1, others.shape[2]).T)
    beyond = np.maximum(np.fmax(everywhere, own) - np.nan_to_num(expected), 0.0)
    # A region that too few others have tells nothing: random error alone would call any difference unusual.
    return np.where(count.sum(axis=0) >= OTHER_REPEATS_DIFFERENCES, np.sqrt(random + beyond), np.nan)


def _usual_pairs(others: Reals) -> NDArray[np.bool_]:
    """Pairs (pairs,) whose level (the first item) and shape (the others) are not outlying among them all."""
    usual = np.ones(others.shape[0], dtype=bool)
    for part in (others[:, :, :1], others[:, :, 1:]):
        known = np.isfinite(part).sum(axis=(1, 2))
        square = np.nan_to_num(part**2).sum(axis=(1, 2)) / np.maximum(known, 1)
        if known.any():
            usual &= square <= OUTLYING_PAIR_RATIO * np.median(square[known > 0])
    return usual
