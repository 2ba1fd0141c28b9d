"""Differences of several sessions put together: by hand, unchanged by what must not matter, and true to their name."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from long_evidence import few_or_many
from tapeline.statistics.significance import student_factor
from tapeline.statistics.weighted_session_mean import SessionMean, weighted_session_mean

CONFIDENCE = 0.95
MANY = 1e9

levels = arrays(np.float64, (3, 2, 2), elements=st.floats(-20.0, 20.0))
errors = arrays(np.float64, (3, 2, 2), elements=st.floats(0.05, 2.0))


def mean_of(differences: object, errors_db: object, dof: float = MANY) -> SessionMean:
    """One position and item, or arrays as they are."""
    d, e = (np.asarray(values, dtype=float) for values in (differences, errors_db))
    if d.ndim == 1:
        d, e = d[:, None, None], e[:, None, None]
    return weighted_session_mean(d, e, np.full(d.shape, dof), CONFIDENCE)


def half_width(found: SessionMean) -> np.ndarray:
    return np.asarray(student_factor(np.minimum(found.degrees_of_freedom, MANY), CONFIDENCE) * found.standard_error_db)


def test_two_sessions_by_hand() -> None:
    """d = -2 and -4 dB, each +- 0.5 dB: Q = 8, C = 4, tau^2 = (8 - 1) / 4, and the scatter is that of two values."""
    found = mean_of([-2.0, -4.0], [0.5, 0.5])
    assert found.mean_db[0, 0] == pytest.approx(-3.0)
    assert found.between_sd_db[0, 0] == pytest.approx(np.sqrt(1.75))
    assert found.weights[:, 0, 0] == pytest.approx([0.5, 0.5])
    assert found.standard_error_db[0, 0] == pytest.approx(1.0), "standard deviation sqrt(2) over sqrt(2)"
    assert found.degrees_of_freedom[0, 0] == 1.0
    assert found.agreement_p_value[0, 0] == pytest.approx(scipy.stats.chi2.sf(8.0, 1))


def test_sessions_that_agree_are_weighted_by_their_errors() -> None:
    """1 and 1.1 dB with 0.1 and 0.2 dB: weights 100 and 25, Q = 0.2 < 1, so that tau is 0."""
    found = mean_of([1.0, 1.1], [0.1, 0.2])
    assert found.weights[:, 0, 0] == pytest.approx([0.8, 0.2])
    assert found.mean_db[0, 0] == pytest.approx(1.02)
    assert found.between_sd_db[0, 0] == 0.0
    # 12.7 standard errors by two values' own scatter are longer than 1.96 by their errors.
    assert found.standard_error_db[0, 0] == pytest.approx(np.sqrt(0.2 / 125.0))


def test_sessions_closer_than_their_errors_keep_their_errors() -> None:
    found = mean_of([1.0, 1.0, 1.0], [0.1, 0.1, 0.1], dof=10.0)
    assert found.standard_error_db[0, 0] == pytest.approx(0.1 / np.sqrt(3.0))
    assert found.degrees_of_freedom[0, 0] == pytest.approx(30.0), "Welch-Satterthwaite of three alike"
    assert found.agreement_p_value[0, 0] == pytest.approx(1.0)


def test_agreement_of_two_sessions_is_the_t_test_for_unequal_variances() -> None:
    """Held against scipy's Welch test of two samples."""
    first, second = np.array([1.0, 2.0, 1.5, 1.2]), np.array([2.4, 2.9, 2.2, 3.6, 1.9, 2.5])
    samples = (first, second)
    d = np.array([sample.mean() for sample in samples])[:, None, None]
    error = np.array([scipy.stats.sem(sample) for sample in samples])[:, None, None]
    dof = np.array([sample.size - 1.0 for sample in samples])[:, None, None]
    found = weighted_session_mean(d, error, dof, CONFIDENCE)
    expected = scipy.stats.ttest_ind(first, second, equal_var=False).pvalue
    assert found.agreement_p_value[0, 0] == pytest.approx(expected)


def test_agreement_of_many_sessions_with_known_errors_is_chi_square() -> None:
    d, e = np.array([0.2, -0.1, 0.4, 0.9]), np.array([0.2, 0.3, 0.2, 0.4])
    w = 1.0 / e**2
    q = float((w * (d - (w * d).sum() / w.sum()) ** 2).sum())
    assert mean_of(d, e, MANY).agreement_p_value[0, 0] == pytest.approx(scipy.stats.chi2.sf(q, 3), rel=1e-5)


@pytest.mark.parametrize("sessions", [0, 1])
def test_fewer_than_two_sessions_have_no_mean(sessions: int) -> None:
    d = np.full((2, 1, 1), np.nan)
    d[:sessions] = 1.0
    found = mean_of(d, np.full(d.shape, 0.1))
    for values in (found.mean_db, found.standard_error_db, found.degrees_of_freedom, found.between_sd_db):
        assert np.isnan(values).all()
    assert np.isnan(found.agreement_p_value).all()
    assert not (found.weights > 0.0).any()


def test_a_missing_session_is_as_if_it_were_not_there() -> None:
    d, e = [1.0, 2.0, np.nan, 1.4], [0.2, 0.3, 0.1, np.nan]
    both, without = mean_of(d, e), mean_of(d[:2], e[:2])
    assert both.mean_db == pytest.approx(without.mean_db)
    assert both.standard_error_db == pytest.approx(without.standard_error_db)
    assert both.weights[2:, 0, 0] == pytest.approx([0.0, 0.0])


def test_a_difference_of_no_known_error_has_no_weight() -> None:
    found = mean_of([1.0, 2.0, 30.0, 40.0], [0.1, 0.1, 0.0, np.inf])
    assert found.weights[:, 0, 0] == pytest.approx([0.5, 0.5, 0.0, 0.0])


def test_positions_that_move_together_are_worth_one() -> None:
    """Three sessions: two degrees of freedom where all positions move alike, many where each moves by itself."""
    random = np.random.default_rng(2)
    each = random.normal(size=(3, 20, 4))
    alike = np.broadcast_to(each[:, :1], each.shape)
    error = np.full(each.shape, 0.1)
    assert mean_of(alike, error).degrees_of_freedom == pytest.approx(np.full((20, 4), 2.0))
    assert (mean_of(each, error).degrees_of_freedom > 15.0).all()


@given(levels, errors, st.floats(-50.0, 50.0), st.permutations(range(3)), st.permutations(range(2)))
def test_shift_and_order_change_nothing_else(
    d: np.ndarray, e: np.ndarray, shift: float, sessions: list[int], positions: list[int]
) -> None:
    found = mean_of(d, e)
    moved = mean_of((d + shift)[sessions][:, positions], e[sessions][:, positions])
    assert moved.mean_db == pytest.approx((found.mean_db + shift)[positions], abs=1e-6)
    assert moved.weights == pytest.approx(found.weights[sessions][:, positions], abs=1e-6)
    assert half_width(moved) == pytest.approx(half_width(found)[positions], rel=1e-4, abs=1e-6)
    assert moved.agreement_p_value == pytest.approx(found.agreement_p_value[positions], abs=1e-6)


@given(levels, errors)
def test_weights_add_up_and_the_mean_lies_among_the_sessions(d: np.ndarray, e: np.ndarray) -> None:
    found = mean_of(d, e, 7.0)
    assert found.weights.sum(axis=0) == pytest.approx(np.ones((2, 2)))
    assert (found.mean_db >= d.min(axis=0) - 1e-9).all()
    assert (found.mean_db <= d.max(axis=0) + 1e-9).all()
    assert (found.degrees_of_freedom >= 1.0).all()


def covered(sessions: int, positions: int, tau: float, alike: float, campaigns: int) -> tuple[float, float]:
    """Shares of intervals that hold the truth, and of disagreements found, over campaigns of five bands.

    Own errors 0.2 dB, estimated with 20 degrees of freedom.
    """
    random = np.random.default_rng(70)
    hits, apart = 0.0, 0.0
    for _ in range(campaigns):
        shape = (sessions, positions, 5)
        common = random.normal(size=(sessions, 1, 5))
        true = tau * (np.sqrt(alike) * common + np.sqrt(1.0 - alike) * random.normal(size=shape))
        d = true + 0.2 * random.normal(size=shape)
        error = 0.2 * np.sqrt(random.chisquare(20, size=(sessions, 1, 5)) / 20.0) * np.ones(shape)
        found = mean_of(d, error, 20.0)
        hits += float((np.abs(found.mean_db) <= half_width(found)).mean())
        apart += float((found.agreement_p_value < 0.05).mean())
    return hits / campaigns, apart / campaigns


@pytest.mark.parametrize("sessions", [2, 3, 4, 5])
@pytest.mark.parametrize(
    ("positions", "tau", "alike"), [(1, 0.0, 0.0), (1, 0.3, 0.0), (8, 0.0, 0.0), (8, 0.3, 0.0), (8, 0.3, 1.0)]
)
@pytest.mark.parametrize("campaigns", few_or_many(400, 2000))
def test_intervals_hold_the_truth(sessions: int, positions: int, tau: float, alike: float, campaigns: int) -> None:
    """2000 campaigns of five bands know a share of 0.95 within 0.002.

    Two sessions of one position that agree are covered by 99.0 %: which of both errors is the right one nobody knows.
    """
    share, apart = covered(sessions, positions, tau, alike, campaigns)
    assert 0.93 <= share <= 0.995
    if tau == 0.0:
        assert apart == pytest.approx(0.05, abs=0.02)
    else:
        assert apart > 0.15
