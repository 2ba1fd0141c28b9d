"""Adjusting for many tests at once against published p-values and against the definition of a closed test."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from reference_tables import reference_rows
from tapeline.statistics.significance import ADJUSTMENTS, benjamini_hochberg, holm

few = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=6)
some = st.lists(st.one_of(st.floats(0.0, 1.0), st.just(np.nan)), max_size=12)


def test_reference_table_of_the_fifteen_p_values() -> None:
    """Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289, section 4 (from memory): 4 rejections, Bonferroni 3."""
    rows = reference_rows("fdr_example_1995.csv")
    p = np.array([float(row["p"]) for row in rows])
    adjusted = benjamini_hochberg(p)
    assert adjusted == pytest.approx([float(row["adjusted_p_bh"]) for row in rows], abs=1e-6)
    assert [int(value <= 0.05) for value in adjusted] == [int(row["reject_bh_5pct"]) for row in rows]
    assert [int(value <= 0.05) for value in p * p.size] == [int(row["reject_bonferroni_5pct"]) for row in rows]


def test_holm_on_the_fifteen_p_values() -> None:
    """Limits 0.05 / 15, / 14, / 13 and / 12 by hand: 0.0095 is above 0.0042, so that three are left."""
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
         0.7590, 1.0000]  # fmt: skip
    adjusted = holm(p)
    assert np.count_nonzero(adjusted <= 0.05) == 3
    assert adjusted[:5] == pytest.approx([0.0015, 0.0056, 0.0247, 0.1140, 0.2211])
    assert adjusted[-1] == 1.0


def test_holm_by_hand() -> None:
    """0.01, 0.02, 0.03, 0.04 times 4, 3, 2, 1, each not below the one before: 0.04, 0.06, 0.06, 0.06."""
    assert holm([0.04, 0.01, 0.03, 0.02]) == pytest.approx([0.06, 0.04, 0.06, 0.06])


@given(few)
def test_holm_is_the_closed_test_of_bonferroni(p_values: list[float]) -> None:
    """A hypothesis falls with all intersections that hold it (Marcus, Peritz and Gabriel, Biometrika 63 (1976) 655)."""
    places = range(len(p_values))
    expected = [
        max(
            min(len(chosen) * min(p_values[k] for k in chosen), 1.0)
            for size in range(1, len(p_values) + 1)
            for chosen in itertools.combinations(places, size)
            if place in chosen
        )
        for place in places
    ]
    assert holm(p_values) == pytest.approx(expected)


@given(few)
def test_false_discoveries_are_adjusted_as_by_the_reference_library(p_values: list[float]) -> None:
    assert benjamini_hochberg(p_values) == pytest.approx(scipy.stats.false_discovery_control(p_values))


@pytest.mark.parametrize("adjust", ADJUSTMENTS.values())
@given(p_values=some, data=st.data())
def test_order_and_missing_tests_do_not_matter(
    adjust: Callable[[object], np.ndarray], p_values: list[float], data: st.DataObject
) -> None:
    order = data.draw(st.permutations(range(len(p_values))))
    p = np.array(p_values, dtype=float)
    adjusted = adjust(p)
    assert adjust(p[order]) == pytest.approx(adjusted[order], nan_ok=True)
    tested = np.isfinite(p)
    assert (np.isfinite(adjusted) == tested).all()
    assert adjusted[tested] == pytest.approx(adjust(p[tested]))
    assert (adjusted[tested] >= p[tested] - 1e-12).all()
    assert (adjusted[tested] <= 1.0).all()


@given(few)
def test_family_wise_is_never_the_milder_one(p_values: list[float]) -> None:
    assert (holm(p_values) >= benjamini_hochberg(p_values) - 1e-12).all()
    assert (holm(p_values) <= np.minimum(np.array(p_values) * len(p_values), 1.0) + 1e-12).all(), "Bonferroni"


def test_no_test_at_all() -> None:
    assert holm([]).size == 0
    assert np.isnan(holm([np.nan, np.nan])).all()


@pytest.mark.parametrize("size", [1, 5, 40])
def test_a_family_without_differences_is_wrong_once_in_twenty(size: int) -> None:
    """8000 families of independent tests: a share of 0.05 is known within 0.0024."""
    random = np.random.default_rng(6)
    wrong = [bool((holm(random.uniform(size=size)) <= 0.05).any()) for _ in range(8000)]
    assert float(np.mean(wrong)) == pytest.approx(0.05, abs=0.01)
