"""Variances drawn towards their prior, against the formulas and limits that Smyth (2004) states.

Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) article 3: sections 4 (moderated t) and 6.2 (moments of the prior).
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.stats

from tapeline.limits import EQUAL_VARIANCES_DOF
from tapeline.statistics.moderated_variance import degrees_of_freedom_of_spread, moderated, variance_prior


@pytest.mark.parametrize(
    ("log_variance", "dof"), [(np.pi**2 / 2.0, 1.0), (np.pi**2 / 6.0, 2.0), (np.pi**2 / 2.0 - 4.0, 3.0)]
)
def test_degrees_of_freedom_of_a_spread_inverts_the_trigamma_function(log_variance: float, dof: float) -> None:
    """trigamma(1/2) = pi^2 / 2, trigamma(1) = pi^2 / 6, trigamma(3/2) = pi^2 / 2 - 4 (Abramowitz and Stegun 6.4)."""
    assert degrees_of_freedom_of_spread(log_variance) == pytest.approx(dof, rel=1e-9)


def test_no_spread_beyond_chance_is_a_certain_prior() -> None:
    assert degrees_of_freedom_of_spread(0.0) == degrees_of_freedom_of_spread(-1.0) == EQUAL_VARIANCES_DOF


def test_the_moderated_variance_lies_between_both_by_their_degrees_of_freedom() -> None:
    """s~^2 = (d0 s0^2 + d s^2) / (d0 + d): 4 of 1 and 2 of 4 make 2 with 6; its limits are the two themselves."""
    one, four = np.array([1.0]), np.array([4.0])
    assert [float(part[0]) for part in moderated(four, np.array([2.0]), one, np.array([4.0]))] == [2.0, 6.0]
    assert moderated(four, np.array([2.0]), one, np.array([0.0]))[0][0] == 4.0
    assert moderated(four, np.array([2.0]), one, np.array([1e12]))[0][0] == pytest.approx(1.0)
    assert moderated(np.array([np.nan]), np.array([0.0]), one, np.array([3.0]))[0][0] == 1.0


@pytest.mark.parametrize(("prior_degrees_of_freedom", "dof"), [(3.0, 4.0), (8.0, 2.0), (20.0, 6.0)])
def test_the_prior_is_found_again(prior_degrees_of_freedom: float, dof: float) -> None:
    """20,000 variances whose true ones are 0.09 d0 / chi-square_d0."""
    random, count = np.random.default_rng(1), 20_000
    true = 0.09 * prior_degrees_of_freedom / random.chisquare(prior_degrees_of_freedom, count)
    found = true * random.chisquare(dof, count) / dof
    prior = variance_prior(found[:, None], np.full((count, 1), dof))
    assert prior.degrees_of_freedom == pytest.approx(prior_degrees_of_freedom, rel=0.15)
    assert prior.location[0] == pytest.approx(0.09, rel=0.05)


def test_equal_true_variances_have_a_certain_prior_at_their_mean() -> None:
    random = np.random.default_rng(2)
    prior = variance_prior(0.25 * random.chisquare(3.0, (5000, 4)) / 3.0, np.full((5000, 4), 3.0))
    assert prior.degrees_of_freedom > 100.0
    assert prior.location == pytest.approx(np.full(4, 0.25), rel=0.05)


def test_the_moderated_statistic_is_students_t_with_the_sum_of_both() -> None:
    """Section 4: t~ has d0 + d degrees of freedom where nothing differs; Kolmogorov and Smirnov on 20,000 of them."""
    random, d0, d, count = np.random.default_rng(3), 4.0, 2.0, 20_000
    true = d0 / random.chisquare(d0, count)
    variance, dof = moderated(
        true * random.chisquare(d, count) / d, np.full(count, d), np.ones(count), np.full(count, d0)
    )
    t = random.normal(size=count) * np.sqrt(true / variance)
    assert np.all(dof == 6.0)
    assert scipy.stats.kstest(t, scipy.stats.t(6.0).cdf).pvalue > 0.01
    assert scipy.stats.kstest(t, scipy.stats.t(2.0).cdf).pvalue < 1e-6


def test_a_single_variance_says_nothing_of_how_they_differ() -> None:
    assert variance_prior(np.array([[1.0]]), np.array([[5.0]])).degrees_of_freedom == 0.0
    assert variance_prior(np.array([[1.0], [np.nan]]), np.array([[5.0], [0.0]])).degrees_of_freedom == 0.0
