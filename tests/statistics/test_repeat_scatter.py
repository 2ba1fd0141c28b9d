"""Scatter of repeats: each position by its own, near bands as far as they are alike, cells as far as they are."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.limits import LENT_DOF
from tapeline.statistics.repeat_scatter import (
    RepeatRows,
    Scatter,
    homogeneous_cells,
    own_scatter,
    own_scatter_where_larger,
    scatter_by_position,
)

BANDS = 12
NEAR = np.abs(np.subtract.outer(np.arange(BANDS), np.arange(BANDS))) <= 2


def rows(levels: Reals, random_db: float = 0.0, bound: NDArray[np.bool_] | None = None) -> RepeatRows:
    flags = np.zeros(levels.shape, dtype=bool) if bound is None else bound
    return RepeatRows.of(levels, np.full(levels.shape, random_db), flags)


def cells(
    random: np.random.Generator, sd: Reals | float, count: int = 4, runs: int = 3, positions: int = 6
) -> list[RepeatRows]:
    return [rows(80.0 + sd * random.normal(size=(runs, positions, BANDS))) for _ in range(count)]


def test_a_restless_position_has_its_own_scatter_and_gives_none_to_others() -> None:
    random = np.random.default_rng(1)
    sd = np.array([1.5, *[0.3] * 5])[:, None]
    found = scatter_by_position(cells(random, sd), NEAR)
    assert np.sqrt(found.excess[0]) == pytest.approx(np.full(BANDS, 1.5), rel=0.4)
    assert np.sqrt(found.excess[1:].mean()) == pytest.approx(0.3, rel=0.1)
    assert found.degrees_of_freedom.min() >= 8.0, "its own: four cells of two"


def test_near_bands_that_move_by_themselves_are_worth_more_than_those_that_move_together() -> None:
    random = np.random.default_rng(2)
    alone = scatter_by_position(cells(random, 0.3), NEAR).degrees_of_freedom
    shifts = [rows(80.0 + 0.3 * random.normal(size=(3, 6, 1)) + np.zeros((3, 6, BANDS))) for _ in range(4)]
    together = scatter_by_position(shifts, NEAR).degrees_of_freedom
    assert alone[:, 2:-2].mean() > 25.0
    assert together.max() < 9.0


def test_a_band_that_scatters_by_itself_keeps_to_its_own_repeats() -> None:
    random = np.random.default_rng(3)
    sd = np.where(np.arange(BANDS) == 5, 2.0, 0.2)
    found = scatter_by_position(cells(random, sd, 6), NEAR)
    assert np.sqrt(np.median(found.excess[:, 5])) == pytest.approx(2.0, rel=0.3)
    assert np.sqrt(np.median(found.excess[:, [0, 1, 2, 8, 9, 10]])) == pytest.approx(0.2, rel=0.3)


def test_random_error_is_not_counted_twice() -> None:
    random = np.random.default_rng(4)
    made = [rows(80.0 + np.hypot(0.4, 0.3) * random.normal(size=(4, 20, BANDS)), 0.4) for _ in range(6)]
    assert np.sqrt(scatter_by_position(made, NEAR).excess.mean()) == pytest.approx(0.3, rel=0.1)


def test_what_comes_out_below_random_error_is_no_better_known_for_it() -> None:
    """Two equal repeats of 0.3 dB random error: nothing beyond it, with one degree of freedom and no more."""
    found = own_scatter([rows(np.full((2, 1, 1), 80.0), 0.3)])
    assert (found.excess[0, 0], found.degrees_of_freedom[0, 0], found.pooled) == (0.0, 1.0, False)


def test_a_position_without_repeats_is_lent_what_others_have() -> None:
    random = np.random.default_rng(5)
    levels = 80.0 + 0.3 * random.normal(size=(3, 6, BANDS))
    levels[1:, 0] = np.nan
    found = scatter_by_position([rows(levels)] * 3, NEAR)
    assert np.all(found.degrees_of_freedom[0] <= LENT_DOF)
    assert np.sqrt(found.excess[0].mean()) == pytest.approx(0.3, rel=0.4)


def test_a_cell_with_a_bound_says_nothing() -> None:
    levels = np.array([80.0, 80.4, 79.9]).reshape(3, 1, 1)
    bound = np.array([False, False, True]).reshape(3, 1, 1)
    assert not own_scatter([rows(levels, 0.1, bound)]).degrees_of_freedom.any()


def test_cells_that_scatter_alike_are_pooled_and_an_odd_run_sets_its_cell_apart() -> None:
    random = np.random.default_rng(6)
    levels = [80.0 + 0.3 * random.normal(size=(3, 6, BANDS)) for _ in range(6)]
    sound = homogeneous_cells([rows(each) for each in levels])
    levels[2][1] += 5.0
    odd = homogeneous_cells([rows(each) for each in levels])
    others = [0, 1, 3, 4, 5]
    assert np.array_equal(odd[np.ix_(others, others)], sound[np.ix_(others, others)])
    assert not odd[2, others].any() and not odd[others, 2].any() and odd[2, 2]


def test_cells_that_move_as_a_whole_are_told_apart_only_where_they_differ_much() -> None:
    """One degree of freedom each, all positions and bands together: a ratio of 2 is chance, one of 100 is not."""
    random = np.random.default_rng(7)

    def shifted(sd: float) -> RepeatRows:
        return rows(80.0 + sd * random.normal(size=(3, 1, 1)) + 0.001 * random.normal(size=(3, 6, BANDS)))

    apart = [
        float(
            np.mean(
                [
                    not homogeneous_cells([shifted(sd), *[shifted(0.2) for _ in range(5)]])[0, 1:].all()
                    for _ in range(40)
                ]
            )
        )
        for sd in (0.28, 20.0)
    ]
    assert apart[0] < 0.9 and apart[1] == 1.0


def test_a_condition_that_is_restless_at_one_position_keeps_to_its_own_there() -> None:
    whole = Scatter(np.full((2, 1), 0.09), np.full((2, 1), 16.0))
    own = Scatter(np.array([[1.0], [0.09]]), np.full((2, 1), 4.0))
    found = own_scatter_where_larger(whole, own, np.zeros((2, 1)))
    assert found.excess[0, 0] > 0.9
    assert found.degrees_of_freedom[0, 0] == pytest.approx(4.0, abs=0.5)
    assert (found.excess[1, 0], found.degrees_of_freedom[1, 0]) == (pytest.approx(0.09), 16.0)


def test_a_larger_own_scatter_takes_over_without_a_step() -> None:
    whole = Scatter(np.full((1, 400), 0.09), np.full((1, 400), 16.0))
    own = Scatter(np.linspace(0.01, 0.3, 400)[None, :], np.full((1, 400), 4.0))
    found = own_scatter_where_larger(whole, own, np.zeros((1, 400)))
    assert np.abs(np.diff(found.excess[0])).max() < 0.01
    assert np.all(np.diff(found.degrees_of_freedom[0]) <= 0.0)


def test_fractions_of_a_degree_of_freedom_lend_nothing() -> None:
    """Items of which near ones alone tell, and little: what is lent stays as large as what other positions scatter."""
    random = np.random.default_rng(8)
    levels = 80.0 + 0.3 * random.normal(size=(2, 6, 1)) + np.zeros((2, 6, BANDS))
    levels[1, :, :4] = np.nan
    levels[1, 0, :8] = np.nan
    found = scatter_by_position([rows(levels)], NEAR)
    assert found.excess.max() < 2.0
    assert found.degrees_of_freedom.max() < 9.0
