"""What a sensor's chart says at and beyond its ends."""

from __future__ import annotations

import pytest

from tapeline.acoustics.response import response_db


def test_the_last_values_of_a_chart_are_not_carried_on() -> None:
    value, covered = response_db([50.0, 100.0, 5000.0, 5001.0], [100.0, 5000.0], [1.0, 3.0])
    assert value.tolist() == pytest.approx([0.0, 1.0, 3.0, 0.0])
    assert covered.tolist() == [False, True, True, False]


def test_the_line_at_0_hz_is_outside_every_chart() -> None:
    value, covered = response_db([0.0, 20.0], [20.0, 100.0], [-1.0, 0.0])
    assert value.tolist() == [0.0, -1.0]
    assert covered.tolist() == [False, True]
