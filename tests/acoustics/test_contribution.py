"""Contributions of what was opened: states, intervals that cover."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits
from tapeline.acoustics.contribution import MeanLevel, contribution

LIMITS = MarginLimits(15.0, 6.0, 3.0, 1.645)


@pytest.mark.parametrize(
    ("rise", "state"), [(20.0, "clear"), (8.0, "corrected"), (4.0, "limited"), (1.0, "bound"), (-2.0, "reversed")]
)
def test_contribution_states(rise: float, state: str) -> None:
    opened, closed = (MeanLevel(np.array([[level]]), np.array([[0.1]])) for level in (90.0, 90.0 - rise))
    reversed_ = np.array([[rise < -1.0]])
    part = contribution(opened, closed, np.zeros((1, 1)), reversed_, np.full((1, 1), 2.0), LIMITS)
    assert part.state[0, 0] == state
    if state in ("clear", "corrected", "limited"):
        assert part.level_db[0, 0] == pytest.approx(10 * np.log10(10**9.0 - 10 ** ((90.0 - rise) / 10)))
        assert part.lower_db[0, 0] < part.level_db[0, 0] < part.upper_db[0, 0]
    else:
        assert np.isnan(part.level_db[0, 0])


def test_one_decibel_with_three_tenths_each_is_a_detection_and_no_value() -> None:
    """Worked number: a rise of 1 dB lies 6.9 dB below the open level; 0.3 dB on each level give 1.9 dB (computed)."""
    opened, closed = (MeanLevel(np.array([[level]]), np.array([[0.3]])) for level in (90.0, 89.0))
    flat = background.MarginLimits(15.0, 6.0, 0.5, 1.645)
    part = contribution(opened, closed, np.zeros((1, 1)), np.zeros((1, 1), bool), np.full((1, 1), 0.01), flat)
    assert 90.0 - part.level_db[0, 0] == pytest.approx(6.87, abs=0.01)
    assert (part.upper_db[0, 0] - part.lower_db[0, 0]) / 0.02 == pytest.approx(1.87, abs=0.03)


def test_contribution_intervals_cover() -> None:
    random = np.random.default_rng(6)
    opened, closed = (
        MeanLevel(random.normal(level, 0.3, (4000, 1)), np.full((4000, 1), 0.3)) for level in (90.0, 82.0)
    )
    nothing, none = np.zeros((4000, 1)), np.zeros((4000, 1), dtype=bool)
    part = contribution(opened, closed, nothing, none, np.full((4000, 1), 1.96), LIMITS)
    true = 10 * np.log10(10**9.0 - 10**8.2)
    assert 0.93 < np.mean((part.lower_db <= true) & (part.upper_db >= true)) < 0.97


def test_a_closed_state_below_a_bound_leaves_both_ends_and_no_value() -> None:
    opened = MeanLevel(np.array([[90.0]]), np.array([[0.1]]))
    closed = MeanLevel(np.array([[np.nan]]), np.array([[0.0]]), np.array([[80.0]]))
    part = contribution(opened, closed, np.zeros((1, 1)), np.zeros((1, 1), bool), np.full((1, 1), 2.0), LIMITS)
    assert part.state[0, 0] == "bound"
    assert np.isnan(part.level_db[0, 0])
    assert 89.0 < part.lower_db[0, 0] < 10 * np.log10(10**9.0 - 10**8.0)
    assert 90.0 < part.upper_db[0, 0] < 90.3
