"""What is said of a tone of two conditions: lower, gone, new, or nothing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tapeline.statistics.tone_difference import RepeatVariance, Side, repeat_variance, tone_difference

REPEATS = RepeatVariance(0.09, 6)


def side(levels: Sequence[float], limits: Sequence[float] = (), prominence_db: float = 15.0) -> Side:
    size = len(levels)
    return Side(np.array(levels), np.full(size, 0.1), np.full(size, prominence_db), np.array(limits, dtype=float))


def test_a_lower_tone() -> None:
    found = tone_difference(side([90.0, 90.4]), side([86.0, 86.2, 86.4]), REPEATS, 0.95)
    error = np.sqrt(0.09 * (1 / 2 + 1 / 3))
    assert (found.difference_db, found.standard_error_db) == pytest.approx((-4.0, error))
    assert found.upper_db == pytest.approx(-4.0 + 2.446912 * error, abs=1e-5), "t of 6 degrees of freedom (tables)"
    assert found.finding == "lower"
    assert tone_difference(side([86.0, 86.2]), side([90.0, 90.4]), REPEATS, 0.95).finding == "higher"
    assert tone_difference(side([86.0, 86.2]), side([86.0, 86.4]), REPEATS, 0.95).finding == "not shown"


def test_without_repeats_there_is_no_interval() -> None:
    found = tone_difference(side([90.0]), side([80.0]), RepeatVariance(0.0, 0), 0.95)
    assert (found.difference_db, found.lower_db, found.finding) == (-10.0, None, "not shown")


def test_gone_only_where_it_would_have_been_found() -> None:
    gone = tone_difference(side([90.0, 91.0]), side([], [80.0, 82.0]), REPEATS, 0.95)
    assert (gone.finding, gone.bound_db, gone.difference_db) == ("gone", -8.5, None)
    hidden = tone_difference(side([90.0, 91.0]), side([], [80.0, 95.0]), REPEATS, 0.95)
    assert (hidden.finding, hidden.bound_db) == ("not shown", 4.5)
    new = tone_difference(side([], [80.0, 82.0]), side([90.0, 91.0]), REPEATS, 0.95)
    assert (new.finding, new.bound_db) == ("new", 8.5)


def test_a_false_alarm_is_not_new() -> None:
    weak = side([90.0], [], prominence_db=4.5)
    assert not weak.usual
    assert not side([90.0], [80.0]).usual, "one of two"
    assert side([90.0]).usual
    assert side([90.0, 90.0], [], prominence_db=4.5).usual
    assert tone_difference(side([90.0, 91.0]), side([85.0], [80.0]), REPEATS, 0.95).finding == "comes and goes"


def test_positions_add_no_degrees_of_freedom_to_each_other() -> None:
    found = repeat_variance([("p", [1.0, 2.0, 3.0]), ("q", [5.0, 5.0]), ("p", [7.0]), ("q", [1.0, 3.0])])
    assert found.degrees_of_freedom == 2
    assert found.variance == pytest.approx((2.0 + 0.0 + 2.0) / 4.0)
    assert repeat_variance([]) == RepeatVariance(0.0, 0)
