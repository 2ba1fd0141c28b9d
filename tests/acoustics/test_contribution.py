"""Contributions of what was opened: states, intervals that cover; whether single ones add up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits
from tapeline.acoustics.contribution import Additivity, MeanLevel, additivity, contribution

LIMITS = MarginLimits(15.0, 6.0, 3.0, 1.645)

LIMIT_DB = 1.0
FACTOR = np.full((1,), 1.959964)

shares = st.lists(st.floats(0.02, 0.3), min_size=2, max_size=3)


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


def level(power: float | np.ndarray, error_db: float = 0.1) -> MeanLevel:
    at = 10.0 * np.log10(np.atleast_1d(power))
    return MeanLevel(at, np.full(at.shape, error_db))


def held(common: float, single: list[float], whole: float, error_db: float = 0.001) -> Additivity:
    return additivity(
        level(common, error_db), [level(p, error_db) for p in single], level(whole, error_db), FACTOR, LIMIT_DB
    )


def test_applied_one_at_a_time_by_hand() -> None:
    """Of 100 one treatment takes 20, the other 30, both together 40: 50 against 40 is 0.97 dB."""
    found = held(100.0, [80.0, 70.0], 60.0)
    assert found.sum[0] == pytest.approx(50.0)
    assert found.whole[0] == pytest.approx(40.0)
    assert found.interaction_db[0] == pytest.approx(10.0 * np.log10(1.25))
    assert found.lower_db[0] < found.interaction_db[0] < found.upper_db[0]


def test_opened_one_at_a_time_counts_upward() -> None:
    """Of 10 sealed one gap adds 20, the other 30, both together 50: they add up."""
    found = held(10.0, [30.0, 40.0], 60.0)
    assert (found.sum[0], found.whole[0]) == pytest.approx((50.0, 50.0))
    assert found.interaction_db[0] == pytest.approx(0.0, abs=1e-9)
    assert found.word[0] == "additive"


def test_words_follow_limit_and_chance() -> None:
    assert held(100.0, [80.0, 60.0], 60.0).word[0] == "interaction"  # 60 against 40: 1.8 dB
    assert held(100.0, [80.0, 60.0], 60.0, error_db=1.0).word[0] == "not shown"
    assert held(100.0, [80.0, 75.0], 60.0).word[0] == "additive", "0.5 dB is beyond chance, but within the limit"


def test_contributions_the_other_way_have_no_ratio() -> None:
    """Each alone makes it louder, both together quieter: no level for the sum, and beyond chance it is interaction."""
    found = held(100.0, [110.0, 105.0], 60.0)
    assert found.sum[0] == pytest.approx(-15.0)
    assert np.isnan([found.interaction_db[0], found.lower_db[0], found.upper_db[0]]).all()
    assert found.word[0] == "interaction"
    assert held(100.0, [110.0, 105.0], 60.0, error_db=3.0).word[0] == "not shown"


def test_sealed_louder_than_open_adds_up_too() -> None:
    """Tape that whistles: 100 becomes 120 and 130, and 150 with both; both sums are counted upward."""
    found = held(100.0, [120.0, 130.0], 150.0)
    assert (found.sum[0], found.whole[0]) == pytest.approx((50.0, 50.0))
    assert found.word[0] == "additive"


def test_nothing_is_said_where_a_level_is_missing() -> None:
    for place in range(4):
        powers = [level(p) for p in (100.0, 80.0, 70.0, 60.0)]
        powers[place] = MeanLevel(np.array([np.nan]), np.array([0.1]))
        assert additivity(powers[0], powers[1:3], powers[3], FACTOR, LIMIT_DB).word[0] is None


def test_a_whole_within_its_error_has_no_ends() -> None:
    found = held(100.0, [99.0, 99.5], 98.5, error_db=0.3)
    assert np.isnan([found.lower_db[0], found.upper_db[0]]).all()
    assert found.word[0] == "not shown"


@given(shares, st.floats(0.02, 0.9), st.floats(-40.0, 40.0))
def test_gain_and_order_of_singles_change_nothing(parts: list[float], taken: float, gain_db: float) -> None:
    gain = 10.0 ** (gain_db / 10.0)
    single = [1.0 - part for part in parts]
    found = held(1.0, single, 1.0 - taken, error_db=0.05)
    moved = held(gain, [gain * p for p in reversed(single)], gain * (1.0 - taken), error_db=0.05)
    assert moved.sum[0] == pytest.approx(gain * found.sum[0], rel=1e-6)
    for name in ("interaction_db", "lower_db", "upper_db"):
        assert getattr(moved, name)[0] == pytest.approx(getattr(found, name)[0], abs=1e-5, nan_ok=True)


@given(shares)
def test_contributions_that_add_up_are_at_zero(parts: list[float]) -> None:
    found = held(1.0, [1.0 - part for part in parts], 1.0 - sum(parts))
    assert found.interaction_db[0] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("error_db", [0.02, 0.05, 0.1, 0.2, 0.4])
@pytest.mark.parametrize(
    ("parts", "true_db"),
    [
        *(((0.3, 0.3), true_db) for true_db in (0.0, 1.0, -1.0)),
        *(((0.1, 0.05), true_db) for true_db in (0.0, 1.0, -1.0)),
        *(((0.4, 0.2, 0.2), true_db) for true_db in (0.0, 1.0)),
    ],
)
def test_words_and_intervals_of_drawn_campaigns(error_db: float, parts: tuple[float, ...], true_db: float) -> None:
    """20000 campaigns know a share of 0.05 within 0.0015."""
    random = np.random.default_rng(8)
    whole = 1.0 - sum(parts) / 10.0 ** (true_db / 10.0)
    powers = [1.0, *(1.0 - part for part in parts), whole]
    drawn = [level(p * 10.0 ** (0.1 * error_db * random.normal(size=20_000)), error_db) for p in powers]
    found = additivity(drawn[0], drawn[1:-1], drawn[-1], np.full(20_000, FACTOR[0]), LIMIT_DB)
    share = {word: float((found.word == word).mean()) for word in ("interaction", "additive", "not shown")}
    assert sum(share.values()) == pytest.approx(1.0)
    if true_db == 0.0:
        assert share["interaction"] <= 0.055
    else:
        assert share["additive"] <= 0.05
    low, high = np.nan_to_num(found.lower_db, nan=-np.inf), np.nan_to_num(found.upper_db, nan=np.inf)
    bounded = (low <= true_db) & (true_db <= high)
    assert float(bounded.mean()) >= 0.93
