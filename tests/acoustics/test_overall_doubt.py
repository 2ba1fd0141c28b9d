"""The state, the margin and the doubt of a sum over corrected bands."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits, Subtraction, background_uncertainty_db
from tapeline.acoustics.overall import OverallSum, sum_bands

LIMITS = MarginLimits(15.0, 6.0, 3.0, 1.645)


def summed(
    total: list[float],
    below: list[float],
    variances: tuple[float, float] = (0.0, 0.0),
    band_variance: float = 0.0,
    share: float = 0.1,
) -> OverallSum:
    """The sum of one position's bands."""
    t, b = np.array([total]), np.array([below])
    bands = background.subtract(t, b, np.full(t.shape, band_variance), np.zeros(t.shape), LIMITS)
    return sum_bands(bands, (np.array(variances[:1]), np.array(variances[1:])), LIMITS, share)


def state_of(result: Subtraction) -> str:
    """Name of the state of the only position."""
    return ("NONE", "CLEAR", "CORRECTED", "LIMITED", "BOUND")[int(result.state[0])]


@pytest.mark.parametrize(
    ("margin_db", "state"), [(20.0, "CLEAR"), (10.0, "CORRECTED"), (4.0, "LIMITED"), (1.0, "BOUND")]
)
def test_equal_bands_give_the_state_of_each(margin_db: float, state: str) -> None:
    found = summed([1.0, 1.0], [10 ** (-margin_db / 10)] * 2)
    assert state_of(found.result) == state
    assert found.result.margin_db[0] == pytest.approx(margin_db)


def test_a_low_total_margin_is_limited_where_the_bands_that_matter_have_values() -> None:
    """A loud rumble of the background in one band: the other band's value still makes the sum, with a warning."""
    found = summed([100.0, 100.0], [10.0, 99.9], share=0.6)
    assert found.result.margin_db[0] < LIMITS.least_margin_db
    assert state_of(found.result) == "LIMITED"
    assert found.result.corrected[0] == pytest.approx(90.1)


def test_a_bound_of_the_sum_holds_values_and_bounds() -> None:
    found = summed([100.0, 100.0], [10.0, 60.0], variances=(9.0, 0.0), band_variance=4.0)
    assert state_of(found.result) == "BOUND"
    assert np.isnan(found.result.corrected[0])
    assert found.result.upper_bound[0] == pytest.approx(90.0 + 40.0 + 1.645 * 3.0, abs=0.1)
    assert found.bound_share[0] == pytest.approx(43.29 / 133.29, abs=1e-3)


def test_what_bounds_may_hide_enters_the_uncertainty() -> None:
    """A band between nothing and its bound is a rectangle: variance bound^2 / 12 (GUM, 4.3.7), beside the rest."""
    found = summed([100.0, 1.0], [10.0, 0.9], variances=(9.0, 0.25))
    assert state_of(found.result) == "CORRECTED"
    assert found.result.corrected[0] == pytest.approx(90.1)
    assert found.result.below_variance[0] == pytest.approx(0.25 + 0.1**2 / 12)
    assert found.result.variance[0] == 9.0


def test_background_left_in_clear_bands_enters_the_uncertainty() -> None:
    found = summed([100.0, 10.0], [1.0, 2.0])
    assert found.result.corrected[0] == pytest.approx(108.0)
    assert found.result.neglected[0] == pytest.approx(1.0 / 108.0)
    assert background_uncertainty_db(found.result)[0] == pytest.approx(4.343 / 108 / np.sqrt(3), rel=1e-3)


def test_silence_everywhere_is_a_bound() -> None:
    found = summed([0.0, 0.0], [0.0, 0.0])
    assert state_of(found.result) == "BOUND"
    assert found.result.upper_bound[0] == 0.0


def test_positions_do_not_mix() -> None:
    total = np.array([[100.0, 1.0], [1.0, 1.0]])
    below = np.array([[1.0, 0.01], [0.9, 0.9]])
    bands = background.subtract(total, below, np.zeros((2, 2)), np.zeros((2, 2)), LIMITS)
    found = sum_bands(bands, (np.zeros(2), np.zeros(2)), LIMITS, 0.1)
    assert found.result.state.tolist() == [background.CLEAR, background.BOUND]
    assert found.result.corrected[0] == 101.0


def test_what_references_do_not_hear_leaves_the_sum_clear() -> None:
    """Conditioned spectra without bias lie above the total half the time: nothing is removed, nothing limited."""
    total, kept = np.array([[10.0, 10.0]]), np.array([[10.3, 9.9]])
    nothing = np.zeros(total.shape)
    bands = background.subtract(total, nothing, nothing, nothing, LIMITS, kept=kept)
    found = sum_bands(bands, (np.zeros(1), np.zeros(1)), LIMITS, 0.1)
    assert state_of(found.result) == "CLEAR"
    assert found.result.corrected[0] == 20.0
