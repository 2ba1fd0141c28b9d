"""Scatter within and between sessions: laws that hold for any values, simulated means, and sessions that stand out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.statistics.repeatability import (
    cochran,
    grubbs,
    mandel_h,
    mandel_k,
    one_way,
    reproducibility_interval,
    session_variances,
    within_interval,
)

LEVELS = st.floats(-30.0, 150.0)
SESSIONS = st.lists(st.lists(LEVELS, min_size=1, max_size=5), min_size=2, max_size=6).filter(
    lambda sessions: sum(map(len, sessions)) > len(sessions)
)


def rows(sessions: list[list[float]]) -> tuple[np.ndarray, np.ndarray]:
    values = np.array([level for own in sessions for level in own])
    return values, np.repeat(np.arange(len(sessions)), [len(own) for own in sessions])


def components(sessions: list[list[float]]) -> list[float]:
    found = one_way(*rows(sessions))
    names = ("within_square", "between_square", "per_session", "between_variance", "reproducibility_variance")
    return [float(getattr(found, name)) for name in names]


@given(SESSIONS, st.floats(-1e6, 1e6))
def test_a_shift_of_all_levels_changes_nothing(sessions: list[list[float]], shift: float) -> None:
    shifted = [[level + shift for level in own] for own in sessions]
    np.testing.assert_allclose(components(shifted), components(sessions), rtol=1e-6, atol=1e-6)


@given(SESSIONS, st.randoms(use_true_random=False))
def test_the_order_of_sessions_and_runs_changes_nothing(sessions: list[list[float]], order: object) -> None:
    other = [list(own) for own in sessions]
    order.shuffle(other)  # type: ignore[attr-defined]
    for own in other:
        order.shuffle(own)  # type: ignore[attr-defined]
    np.testing.assert_allclose(components(other), components(sessions), rtol=1e-9, atol=1e-9)


@given(st.integers(2, 6), st.integers(2, 5), st.integers(0, 2**32 - 1))
def test_balanced_sessions_follow_the_classical_formulas(sessions: int, repeats: int, seed: int) -> None:
    """s_r^2 mean of the variances, s_L^2 = s_x^2 - s_r^2 / n, not below zero (ISO 5725-2, ASTM E691)."""
    values = np.random.default_rng(seed).normal(90.0, 1.0, (sessions, repeats))
    found = one_way(values.ravel(), np.repeat(np.arange(sessions), repeats))
    within = values.var(axis=1, ddof=1).mean()
    between = max(0.0, values.mean(axis=1).var(ddof=1) - within / repeats)
    assert found.within_square == pytest.approx(within)
    assert found.between_variance == pytest.approx(between, abs=1e-12)
    assert found.per_session == pytest.approx(repeats)
    assert found.reproducibility_variance == pytest.approx(within + between)


def test_unbalanced_repeats_by_hand() -> None:
    """N = 6, n = (3, 2, 1): n_0 = (6 - 14/6)/2 = 11/6; squares counted by hand."""
    found = one_way([1.0, 2.0, 3.0, 5.0, 7.0, 4.0], [0, 0, 0, 1, 1, 2])
    grand = 22.0 / 6.0
    between = (3 * (2 - grand) ** 2 + 2 * (6 - grand) ** 2 + (4 - grand) ** 2) / 2
    assert found.within_square == pytest.approx((2.0 + 2.0) / 3.0)
    assert found.between_square == pytest.approx(between)
    assert found.per_session == pytest.approx(11.0 / 6.0)
    assert found.between_variance == pytest.approx((between - 4.0 / 3.0) / (11.0 / 6.0))
    assert (found.within_degrees_of_freedom, found.between_degrees_of_freedom) == (3, 2)


def test_what_cannot_be_known_is_not_a_number() -> None:
    nan = np.nan
    values = np.array([[1.0, 1.0, nan, 1.0, 1.0], [2.0, nan, nan, nan, 2.0], [3.0, 3.0, nan, nan, nan]])
    found = one_way(values, [0, 0, 1])
    np.testing.assert_array_equal(found.runs, [3, 2, 0, 1, 2])
    np.testing.assert_array_equal(found.sessions, [2, 2, 0, 1, 1])
    np.testing.assert_allclose(found.within_square, [0.5, nan, nan, nan, 0.5])
    np.testing.assert_array_equal(np.isfinite(found.between_variance), [True, False, False, False, False])
    np.testing.assert_allclose(found.reproducibility_variance[1:], [2.0, nan, nan, nan])
    np.testing.assert_allclose(found.reproducibility_degrees_of_freedom[1:], [1.0, nan, nan, nan])
    assert one_way(np.zeros((0, 2)), []).runs.tolist() == [0, 0]
    with pytest.raises(ValueError, match="each run needs its session"):
        one_way([1.0, 2.0], [0])


@pytest.mark.parametrize("counts", [(3, 3, 3, 3), (2, 3, 1, 4, 2), (2, 2)])
def test_components_are_right_on_the_mean(counts: tuple[int, ...]) -> None:
    """4000 draws with s_r = 0.3, s_L = 0.6: s_r^2 and s_L^2 before it is cut at zero within three standard errors."""
    random = np.random.default_rng(61)
    session = np.repeat(np.arange(len(counts)), counts)
    of_session = random.normal(0.0, 0.6, (len(counts), 4000))[session]
    found = one_way(95.0 + of_session + random.normal(0.0, 0.3, of_session.shape), session)
    for estimate, true in ((found.within_square, 0.09), (found.between_unclipped, 0.36)):
        assert estimate.mean() == pytest.approx(true, abs=3.0 * estimate.std() / np.sqrt(estimate.size))


@pytest.mark.parametrize("counts", [(3,) * 6, (2, 2), (1, 1, 1), (2, 3, 1, 4, 2)])
@pytest.mark.parametrize("sd", [0.6, 0.1, 0.0])
def test_intervals_of_reproducibility_hold(sd: float, counts: tuple[int, ...]) -> None:
    """The 95 % interval of s_R holds the truth in 94 to 98 % of 4000 draws, with and without scatter of sessions."""
    random = np.random.default_rng(62)
    session = np.repeat(np.arange(len(counts)), counts)
    of_session = random.normal(0.0, sd, (len(counts), 4000))[session]
    found = one_way(of_session + random.normal(0.0, 0.3, of_session.shape), session)
    low, high = reproducibility_interval(found, 0.95)
    true = np.hypot(sd, 0.3)
    assert 0.94 < np.mean((low <= true) & (true <= high)) < 0.98
    stated = np.sqrt(found.reproducibility_variance)
    assert ((low <= stated) & (stated <= high)).all()


@pytest.mark.parametrize("counts", [(2, 2), (5, 5, 5), (1, 3, 2), (5, 1, 4, 2, 3, 2)])
@pytest.mark.parametrize("ratio", [0.0, 0.5, 1.0, 3.0])
def test_intervals_hold_in_unbalanced_sessions_too(ratio: float, counts: tuple[int, ...]) -> None:
    """95 % intervals of s_r = 0.3 and of s_R with s_L of so many s_r, in 8000 draws; four standard errors below."""
    random = np.random.default_rng(63)
    session = np.repeat(np.arange(len(counts)), counts)
    of_session = random.normal(0.0, 0.3 * ratio, (len(counts), 8000))[session]
    found = one_way(of_session + random.normal(0.0, 0.3, of_session.shape), session)
    low, high = within_interval(found, 0.95)
    assert 0.94 < np.mean((low <= 0.3) & (high >= 0.3)) < 0.96
    low, high = reproducibility_interval(found, 0.95)
    true = 0.3 * np.hypot(1.0, ratio)
    assert 0.94 - 0.005 < np.mean((low <= true) & (true <= high)) < 0.985


def test_the_interval_of_repeatability_by_hand() -> None:
    """Three differences of pairs, s_r = 1 with 3 degrees of freedom: chi-square 9.348 and 0.2158 (any table)."""
    value = np.array([0.0, np.sqrt(2.0)] * 3)
    low, high = within_interval(one_way(value, [0, 0, 1, 1, 2, 2]), 0.95)
    assert (low, high) == pytest.approx((np.sqrt(3 / 9.348), np.sqrt(3 / 0.2158)), rel=1e-3)
    assert np.isnan(within_interval(one_way([1.0, 2.0], [0, 1]), 0.95)[1])


@pytest.mark.parametrize("counts", [(3, 3, 3, 3, 3), (2, 4, 3, 1, 2)])
def test_outlier_tests_flag_as_often_as_they_say(counts: tuple[int, ...]) -> None:
    """4 to 6 % of 8000 draws without any outlier at 5 %; Grubbs' for equal counts, since it takes means as alike."""
    values = np.random.default_rng(63).normal(size=(sum(counts), 8000))
    found = session_variances(values, np.repeat(np.arange(len(counts)), counts))
    assert 0.04 < np.mean(cochran(found).p_value <= 0.05) < 0.06
    if len(set(counts)) == 1:
        assert 0.04 < np.mean(grubbs(found).p_value <= 0.05) < 0.06


def test_sessions_that_stand_out_are_named() -> None:
    random = np.random.default_rng(64)
    session = np.repeat(np.arange(5), 3)
    values = 90.0 + random.normal(0.0, 0.1, 15)
    values[session == 2] += np.array([-3.0, 0.0, 3.0])
    wild = session_variances(values, session)
    assert cochran(wild).session == 2
    assert cochran(wild).p_value < 1e-6
    assert int(mandel_k(wild).argmax()) == 2
    shifted = session_variances(90.0 + random.normal(0.0, 0.1, 15) - 2.0 * (session == 4), session)
    assert grubbs(shifted).session == 4
    assert grubbs(shifted).p_value < 0.01
    assert int(mandel_h(shifted).argmin()) == 4


def test_two_sessions_have_no_odd_mean_and_one_no_odd_scatter() -> None:
    two = session_variances([1.0, 2.0, 3.0, 4.0], [0, 0, 1, 1])
    assert grubbs(two).session == -1
    assert np.isnan(grubbs(two).p_value)
    assert np.isnan(mandel_h(two)).all()
    one = session_variances([1.0, 2.0, 3.0], [0, 0, 0])
    assert cochran(one).session == -1
    assert np.isnan(mandel_k(one)).all()
    equal = session_variances([1.0] * 6, [0, 0, 1, 1, 2, 2])
    assert np.isnan([float(cochran(equal).p_value), float(grubbs(equal).p_value)]).all(), "all alike: nothing is odd"
    none = session_variances(np.zeros((0, 2)), [])
    assert cochran(none).session.tolist() == [-1, -1]
