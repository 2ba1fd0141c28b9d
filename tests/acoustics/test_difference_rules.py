"""The rules of a comparison at their limits: words, own scatter, shared background, sessions."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from tapeline.acoustics.background import MarginLimits, background_uncertainty_db, random_uncertainty_db, subtract
from tapeline.acoustics.background_mean import BackgroundScatter, mean_background
from tapeline.acoustics.band_levels import Powers
from tapeline.statistics.comparison import (
    ConditionMean,
    Difference,
    RunLevels,
    Scatter,
    condition_mean,
    difference,
    findings,
)

CERTAIN: dict[str, tuple[np.ndarray, np.ndarray]] = {}


def cell(levels: list[float], random_db: float = 0.1, background_db: float = 0.0) -> ConditionMean:
    """The repeats of one position and item."""
    values = np.array(levels).reshape(-1, 1, 1)
    shape = values.shape
    return condition_mean(
        RunLevels(
            values,
            np.full(shape, random_db),
            np.full(shape, background_db),
            np.full(shape, np.nan),
            np.zeros(shape, dtype=np.int8),
        )
    )


def compared(reference: ConditionMean, treatment: ConditionMean, excess: float = 0.0, dof: float = 100.0) -> Difference:
    """Difference of two cells of one session with the same background."""
    scatter = Scatter(np.array([[excess]]), np.array([[dof]]))
    return difference(reference, treatment, (scatter, scatter), CERTAIN, 0.95, same_background=True, one_pool=True)


def word(lower: float, value: float, upper: float, adjusted_p: float, threshold_db: float = 0.5) -> object:
    """The word for a difference with its interval."""
    ends = {"difference_db": value, "lower_db": lower, "upper_db": upper, "p_value": adjusted_p}
    some = compared(cell([80.0, 80.0]), cell([80.0, 80.0]))
    result = dataclasses.replace(some, **{name: np.array([[number]]) for name, number in ends.items()})
    return findings(result, np.array([[adjusted_p]]), 0.95, threshold_db)[0, 0]


@pytest.mark.parametrize(
    ("lower", "value", "upper", "adjusted_p", "expected"),
    [
        (-0.9, -0.5, -0.1, 0.04, "lower"),
        (0.1, 0.5, 0.9, 0.04, "higher"),
        (0.1, 0.5, 0.9, 0.051, "not shown"),
        (-0.49, 0.0, 0.49, 0.9, "equivalent"),
        (-0.51, 0.0, 0.49, 0.9, "not shown"),
        (-0.49, 0.0, 0.51, 0.9, "not shown"),
        (0.2, 0.3, 0.4, 1e-6, "equivalent"),
        (np.nan, np.nan, 1.0, np.nan, "bound"),
        (-1.0, np.nan, np.nan, np.nan, "bound"),
        (np.nan, np.nan, np.nan, np.nan, None),
    ],
)
def test_the_word_at_its_limits(lower: float, value: float, upper: float, adjusted_p: float, expected: object) -> None:
    assert word(lower, value, upper, adjusted_p) == expected


def test_a_shared_background_leaves_the_difference_of_its_effects() -> None:
    found = compared(cell([80.0, 80.0], 0.0, 0.5), cell([78.0, 78.0], 0.0, 0.2))
    assert found.standard_error_db[0, 0] == pytest.approx(0.3)


def test_more_repeats_shrink_the_error_by_their_root() -> None:
    two, eight = (compared(cell([80.0] * n), cell([81.0] * n), excess=0.04) for n in (2, 8))
    assert two.standard_error_db[0, 0] == pytest.approx(np.sqrt(0.05))
    assert eight.standard_error_db[0, 0] == pytest.approx(np.sqrt(0.05) / 2)
    assert two.difference_db[0, 0] == pytest.approx(1.0)


def test_what_does_not_average_out_is_added_with_its_own_freedom() -> None:
    """Session change of 0.3 dB known from 3 degrees of freedom: t 3.182 (Student, 95 %) where all else is certain."""
    scatter = Scatter(np.zeros((1, 1)), np.array([[1e9]]))
    lasting = {"between sessions": (np.full((1, 1), 0.09), np.full((1, 1), 3.0))}
    still = cell([80.0] * 3, 0.0)
    found = difference(still, still, (scatter, scatter), lasting, 0.95, same_background=True, one_pool=True)
    assert found.standard_error_db[0, 0] == pytest.approx(0.3)
    assert found.degrees_of_freedom[0, 0] == pytest.approx(3.0)
    assert found.upper_db[0, 0] == pytest.approx(3.182 * 0.3, abs=1e-3)


def test_each_session_brings_its_own_scatter() -> None:
    calm, rough = Scatter(np.array([[0.0]]), np.array([[50.0]])), Scatter(np.array([[0.5]]), np.array([[4.0]]))
    found = difference(
        cell([80.0] * 2), cell([80.0] * 2), (calm, rough), CERTAIN, 0.95, same_background=False, one_pool=False
    )
    assert found.standard_error_db[0, 0] == pytest.approx(np.sqrt(0.01 + 0.25))


def test_a_position_without_usable_runs_compares_to_nothing() -> None:
    empty = cell([np.nan, np.nan])
    found = compared(empty, cell([80.0, 80.0]))
    assert empty.count[0, 0] == 0
    assert np.isnan([found.difference_db[0, 0], found.lower_db[0, 0], found.upper_db[0, 0], found.p_value[0, 0]]).all()
    assert findings(found, found.p_value, 0.95, 0.5)[0, 0] is None


@pytest.mark.parametrize("scatter_db", [0.2, 0.5])
def test_a_shared_background_that_scatters_does_not_cancel(scatter_db: float) -> None:
    """Two single runs over the mean of three background runs, 6 dB below: each run's own background is another draw.

    What the runs share cancels nearly, their own draws do not. 95 % intervals of 4,000 simulated differences of 0 dB.
    """
    random, dof, cases = np.random.default_rng(8), 400.0, 4000
    below = 0.25

    def draw(count: int) -> np.ndarray:
        return np.asarray(below * 10 ** (random.normal(0.0, scatter_db, (count, cases)) / 10.0))

    def estimates(true: np.ndarray) -> np.ndarray:
        return np.asarray(true * random.chisquare(dof, true.shape) / dof)

    parts = [Powers(one[:, None], 2.0 * one[:, None] ** 2 / dof) for one in estimates(draw(3))]
    known = BackgroundScatter(np.full(cases, (scatter_db * np.log(10) / 10) ** 2), np.full(cases, 1e6))
    mean = mean_background(parts, np.ones((3, cases), dtype=bool), known, 9.0)
    limits = MarginLimits(99.0, 1.0, 0.5, 1.96)
    cells = []
    for own in draw(2):
        total = estimates(0.75 + own)[:, None]
        found = subtract(total, mean.powers.power, 2.0 * total**2 / dof, mean.powers.variance, limits)
        level = 10.0 * np.log10(found.corrected)
        of_own = 4.3429 * np.sqrt(mean.own_variance) / found.corrected
        parts_db = (random_uncertainty_db(found), background_uncertainty_db(found))
        nothing = np.full(level[None].shape, np.nan)
        state = np.zeros(nothing.shape, dtype=np.int8)
        cells.append(condition_mean(RunLevels(level[None], *(p[None] for p in parts_db), nothing, state, of_own[None])))
    scatter = Scatter(np.zeros((1, 1)), np.zeros((1, 1)))
    made = difference(cells[0], cells[1], (scatter, scatter), {}, 0.95, same_background=True, one_pool=True)
    share = np.mean((made.lower_db <= 0.0) & (made.upper_db >= 0.0))
    assert share == pytest.approx(0.95, abs=0.02)


def test_the_freedom_is_that_of_the_repeats_even_where_they_agree_by_chance() -> None:
    """Nothing beyond random error, known from 2 degrees of freedom: t 4.303 (Student, 95 %), not 1.96."""
    found = compared(cell([80.0, 80.0]), cell([80.0, 80.0]), excess=0.0, dof=2.0)
    assert found.degrees_of_freedom[0, 0] == pytest.approx(2.0)
    assert found.upper_db[0, 0] == pytest.approx(4.303 * 0.1, abs=1e-3)


def test_two_cells_of_one_source_are_no_better_known_than_it() -> None:
    one, other = Scatter(np.array([[0.04]]), np.array([[6.0]])), Scatter(np.array([[0.04]]), np.array([[6.0]]))
    parts = cell([80.0, 80.0], 0.0), cell([80.0, 80.0], 0.0)
    dof = [
        difference(*parts, (one, other), {}, 0.95, same_background=True, one_pool=pool).degrees_of_freedom[0, 0]
        for pool in (True, False)
    ]
    assert dof == [pytest.approx(6.0), pytest.approx(12.0)]
