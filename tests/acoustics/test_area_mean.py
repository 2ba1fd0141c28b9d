"""Energy means over places."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from tapeline.acoustics.area_mean import AreaMean, energy_mean

levels = arrays(np.float64, (4, 2), elements=st.floats(20.0, 140.0))
variances = arrays(np.float64, (4, 2), elements=st.floats(0.0, 2.0))


def column(*values: float) -> np.ndarray:
    return np.array(values)[:, None]


def mean_of(levels_db: np.ndarray, own: np.ndarray, correlation: float = 0.0) -> AreaMean:
    return energy_mean(levels_db, own, correlation, np.zeros(levels_db.shape))


def test_mean_of_90_and_80_decibels() -> None:
    """10 lg((10^9 + 10^8) / 2) = 87.404 dB (common practice)."""
    found = mean_of(column(90.0, 80.0), column(0.0, 0.0))
    assert found.level_db[0] == pytest.approx(87.4036, abs=1e-4)
    assert found.spread_db[0] == pytest.approx(10.0 / np.sqrt(2.0))


def test_equal_places_and_equal_errors_by_hand() -> None:
    """Four places of 0.4 dB: 0.2 dB where independent, 0.4 dB where alike, in between 0.5 (0.16 + 0.04)."""
    at, own = column(80.0, 80.0, 80.0, 80.0), np.full((4, 1), 0.16)
    assert mean_of(at, own, 0.0).own_variance_db2[0] == pytest.approx(0.04)
    assert mean_of(at, own, 1.0).own_variance_db2[0] == pytest.approx(0.16)
    assert mean_of(at, own, 0.5).own_variance_db2[0] == pytest.approx(0.10)
    shared = energy_mean(at, np.zeros((4, 1)), 0.0, own)
    assert shared.shared_variance_db2[0] == pytest.approx(0.16), "what all share does not become less"


def test_the_loudest_place_decides_the_error() -> None:
    """Shares 10/11 and 1/11 of the sum of powers."""
    found = mean_of(column(90.0, 80.0), column(0.25, 4.0))
    assert found.own_variance_db2[0] == pytest.approx((10 / 11) ** 2 * 0.25 + (1 / 11) ** 2 * 4.0)


def test_one_place_is_itself_and_has_no_spread() -> None:
    found = mean_of(column(np.nan, 75.0), column(0.1, 0.2), 0.3)
    assert found.level_db[0] == pytest.approx(75.0)
    assert found.own_variance_db2[0] == pytest.approx(0.2)
    assert np.isnan(found.spread_db[0])


def test_no_place_has_no_level() -> None:
    found = mean_of(column(np.nan, np.nan), column(0.1, 0.2))
    assert np.isnan(found.level_db[0])
    assert np.isnan(found.spread_db[0])


def test_unknown_errors_of_places_without_a_level_do_not_matter() -> None:
    found = mean_of(column(np.nan, 75.0, 75.0), column(np.nan, 0.2, 0.2))
    assert found.own_variance_db2[0] == pytest.approx(0.1)


@given(levels, variances, st.floats(-40.0, 40.0), st.permutations(range(4)), st.floats(0.0, 1.0))
def test_shift_and_order_of_places(at: np.ndarray, own: np.ndarray, shift: float, order: list[int], rho: float) -> None:
    found = energy_mean(at, own, rho, own)
    moved = energy_mean((at + shift)[order], own[order], rho, own[order])
    assert moved.level_db == pytest.approx(found.level_db + shift)
    assert moved.own_variance_db2 == pytest.approx(found.own_variance_db2, rel=1e-6, abs=1e-9)
    assert moved.shared_variance_db2 == pytest.approx(found.shared_variance_db2, rel=1e-6, abs=1e-9)
    assert moved.spread_db == pytest.approx(found.spread_db, rel=1e-6, abs=1e-6)


@given(levels, variances)
def test_the_mean_lies_between_and_correlation_makes_it_less_sure(at: np.ndarray, own: np.ndarray) -> None:
    apart, alike = mean_of(at, own, 0.0), mean_of(at, own, 1.0)
    assert (at.min(axis=0) - 1e-9 <= apart.level_db).all()
    assert (apart.level_db <= at.max(axis=0) + 1e-9).all()
    assert (apart.own_variance_db2 <= alike.own_variance_db2 + 1e-12).all()
    assert (alike.own_variance_db2 <= own.max(axis=0) + 1e-12).all()


@pytest.mark.parametrize("rho", [0.0, 0.5, 1.0])
def test_the_error_is_that_of_drawn_campaigns(rho: float) -> None:
    """5000 campaigns of six places with 0.3 dB errors: 95 % intervals hold 93 to 97 %, the error is true within 5 %."""
    random = np.random.default_rng(9)
    true = np.array([80.0, 84.0, 79.0, 86.0, 85.0, 70.0])[:, None]
    shape = (6, 5000)
    drawn = np.sqrt(rho) * random.normal(size=(1, 5000)) + np.sqrt(1.0 - rho) * random.normal(size=shape)
    found = energy_mean(true + 0.3 * drawn, np.full(shape, 0.09), rho, np.zeros(shape))
    truth = 10.0 * np.log10((10.0 ** (true / 10.0)).mean())
    error = np.sqrt(found.own_variance_db2)
    off = found.level_db - truth
    assert 0.93 <= float((np.abs(off) <= 1.96 * error).mean()) <= 0.97
    assert float(np.sqrt((off**2).mean()) / error.mean()) == pytest.approx(1.0, abs=0.05)
