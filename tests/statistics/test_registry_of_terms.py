"""The registry of uncertainty terms: one entry a term, and what columns, budgets and differences take from it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from tapeline.statistics.comparison import MeanTerms, RunToRun, terms_between_positions
from tapeline.statistics.term_variances import (
    variance_assumed_between_sessions,
    variance_of_difference,
    variance_of_drift,
    variance_of_mean,
)
from tapeline.statistics.uncertainty_terms import (
    ALL_TERMS,
    CANCELLING_TERMS,
    LEVEL_TERMS,
    NON_AVERAGING_TERMS,
    SENSITIVITY_TERMS,
    TERM_BY_NAME,
    UncertaintyTerm,
    whole_term,
)

ONE = np.ones((3, 1, 1))
USED = ONE > 0.0


@pytest.mark.parametrize("terms", [ALL_TERMS, SENSITIVITY_TERMS], ids=["levels", "sensitivities"])
def test_each_term_has_a_name_of_its_own_and_words(terms: tuple[UncertaintyTerm, ...]) -> None:
    assert len({term.name for term in terms}) == len(terms)
    assert all(term.words and (term.degrees_of_freedom is None or term.degrees_of_freedom > 0.0) for term in terms)


def test_terms_of_levels_have_columns_of_their_own() -> None:
    columns = [term.uncertainty_column for term in LEVEL_TERMS]
    assert len(set(columns)) == len(columns) and "_uncertainty_db" not in columns
    assert not any(term.column for term in ALL_TERMS if term not in LEVEL_TERMS)


def test_an_error_of_each_level_averages_out_and_one_that_outlives_runs_does_not() -> None:
    """An error that all runs have in common cannot become less by repeats, whatever the entry says."""
    for term in LEVEL_TERMS:
        if term.cancels_within_session:
            assert term.averages == "never", term.name
        if term.shared_by == "nothing":
            assert term.averages == "always", term.name
    assert set(NON_AVERAGING_TERMS) == set(CANCELLING_TERMS)


@pytest.mark.parametrize(
    ("name", "between_positions", "same_fitting", "same_sensor"),
    [
        ("calibration", False, False, False),
        ("response", False, False, True),
        ("environment", True, False, False),
        ("mounting", False, True, False),
        ("sensor size", False, False, False),
        ("speed", False, False, False),
        ("steadiness", False, False, False),
    ],
)
def test_what_cancels_where(name: str, between_positions: bool, same_fitting: bool, same_sensor: bool) -> None:
    term = TERM_BY_NAME[name]
    assert term.cancels_between_positions == between_positions
    assert term.cancels_between_sessions(same_fitting=True, same_sensor=False) == same_fitting
    assert term.cancels_between_sessions(same_fitting=False, same_sensor=True) == same_sensor


def test_only_what_the_campaign_states_itself_is_stated() -> None:
    mounting = TERM_BY_NAME["mounting"]
    assert mounting.evidence_where(()) == "default"
    assert mounting.evidence_where(("mounting_db",)) == "stated"
    assert TERM_BY_NAME["response"].evidence_where(("mounting_db", "")) == "default"


def test_terms_of_the_sensitivity_are_one_in_a_figure() -> None:
    assert whole_term("calibration: adapter") == whole_term("calibration") == "calibration"
    assert whole_term("speed") == "speed"


def test_a_mean_of_three_runs_has_a_third_of_what_averages_and_all_of_the_rest() -> None:
    stated = 0.3 * ONE
    for term in LEVEL_TERMS:
        whole = 0.09 / 3.0 if term.averages == "always" else 0.09
        for repeated in (False, True):
            found = variance_of_mean(term, stated, USED, np.full((1, 1), 3), np.full((1, 1), repeated))
            expected = 0.0 if repeated and term.averages == "always" else whole
            assert found == pytest.approx(expected), (term.name, repeated)


def test_a_difference_has_the_terms_of_both_sides_and_runs_that_are_not_used_do_not_count() -> None:
    one_run = USED & (np.arange(3)[:, None, None] == 0)
    sides = [(0.3 * ONE, USED), (np.where(one_run, 0.4, np.nan), one_run)]
    never, by_repeats = TERM_BY_NAME["response"], TERM_BY_NAME["speed"]
    assert variance_of_difference(never, sides)[0, 0] == pytest.approx(0.09 + 0.16)
    assert variance_of_difference(by_repeats, sides)[0, 0] == pytest.approx(0.09 / 3.0 + 0.16)


def test_a_drift_is_a_rectangle_for_either_run() -> None:
    """Two runs anywhere between the checks: each uniform over d, so d^2 / 12 twice; by drawing them."""
    place = np.random.default_rng(7).uniform(size=(2, 200_000)) * 0.6
    assert variance_of_drift(np.array([0.6]))[0] == pytest.approx(np.var(place[0] - place[1]), rel=0.01)


def test_a_stated_fitting_stands_for_the_assumed_remounting_and_a_default_one_is_part_of_it() -> None:
    def assumed(stayed: bool, of_fitting: float, stated: bool) -> float:
        parts = (np.array([stayed]), np.array([of_fitting]), np.array([stated]))
        return float(variance_assumed_between_sessions(0.3, 1.0, *parts)[0])

    assert assumed(True, 0.5, False) == pytest.approx(2.0 * 0.09)
    assert assumed(False, 0.0, True) == pytest.approx(2.0 * 0.09)
    assert assumed(False, 0.5, False) == pytest.approx(2.0 - 0.5)
    assert assumed(False, 9.0, False) == pytest.approx(2.0 * 0.09)


def test_what_acts_on_a_whole_session_cancels_between_two_positions_and_assumptions_count_once() -> None:
    of_runs = RunToRun(np.array([0.01]), np.array([0.04]), np.array([4.0]))
    terms = {
        "environment": (np.array([9.0]), np.array([np.inf])),
        "mounting": (np.array([0.25]), np.array([np.inf])),
        "repeats, assumed": (np.array([0.5]), np.array([2.0])),
    }
    variances, degrees = terms_between_positions([MeanTerms(of_runs, terms), MeanTerms(of_runs, terms)])
    assert variances.sum() == pytest.approx(2.0 * (0.01 + 0.04 + 0.25 + 0.5))
    assert degrees[variances[:, 0] == 1.0, 0] == pytest.approx([2.0]), "two of one source are no better known"


def test_a_term_of_everything_cancels_in_every_difference() -> None:
    term = dataclasses.replace(TERM_BY_NAME["response"], shared_by="everything")
    assert term.cancels_within_session and term.cancels_between_positions
    assert term.cancels_between_sessions(same_fitting=False, same_sensor=False)
    assert term.degrees_of_freedom == math.inf
