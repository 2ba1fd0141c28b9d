"""Synthetic wall pressure, healthy and with one fault planted; `make validate` repeats it on 2,000 healthy channels."""

from __future__ import annotations

import numpy as np
import pytest
from judged_samples import judged
from scipy.stats import kurtosis
from wall_pressure import BITS, FAULTS, FULL_SCALE_PA, RATE_HZ, converted, healthy

from tapeline.quality.reasons import REASONS


def codes(pressure: np.ndarray) -> list[list[str]]:
    """Reasons for doubt of every channel."""
    found = judged(converted(pressure), RATE_HZ, BITS, 1.0, FULL_SCALE_PA)
    return [[f.code for f in channel if REASONS[f.code].verdict != "good"] for channel in found]


def test_the_invented_pressure_is_as_peaked_as_measured_one() -> None:
    """Kurtosis of turbulent wall pressure about 4.5 to 5 (from memory)."""
    values = [kurtosis(healthy(np.random.default_rng(s), 8), axis=1, fisher=False) for s in range(6)]
    assert 4.4 < float(np.median(values)) < 5.2


@pytest.mark.parametrize("seed", range(8))
def test_healthy_channels_are_good(seed: int) -> None:
    assert codes(healthy(np.random.default_rng(seed), 12)) == [[]] * 12


@pytest.mark.parametrize("name", FAULTS)
@pytest.mark.parametrize("seed", range(3))
def test_each_planted_fault_is_named_where_it_is(name: str, seed: int) -> None:
    random = np.random.default_rng(500 + seed)
    plant, code = FAULTS[name]
    pressure = healthy(random, 4)
    pressure[1] = plant(pressure[1], random)
    assert codes(pressure) == [[], [code], [], []]


def test_a_copied_channel_is_found_whatever_its_gain_and_sign() -> None:
    pressure = healthy(np.random.default_rng(4), 4)
    pressure[3] = -0.4 * pressure[0]
    found = judged(converted(pressure), RATE_HZ, BITS, 1.0, FULL_SCALE_PA)
    assert [[f.code for f in channel] for channel in found] == [["same-signal"], [], [], ["same-signal"]]
    assert found[0][0].sentence == "position p0 carries the same signal as p3"


def test_unused_bits_and_coarse_steps_are_notes() -> None:
    pressure = healthy(np.random.default_rng(5), 3)
    coarse = converted(pressure, bits=16)
    found = judged(coarse, RATE_HZ, 24, 1.0, FULL_SCALE_PA)
    assert [[f.code for f in channel] for channel in found] == [["unused-bits"]] * 3
    assert found[0][0].sentence == "position p0: 16 of 24 bits are used"
    quiet = judged(converted(pressure / 400.0), RATE_HZ, BITS, 1.0, FULL_SCALE_PA)
    assert {f.code for channel in quiet for f in channel} == {"coarse-steps"}


def test_a_gust_of_all_channels_is_no_fault_of_one() -> None:
    random = np.random.default_rng(6)
    pressure = healthy(random, 6) * 10.0 ** (3.4 * np.linspace(-0.5, 0.5, int(8 * RATE_HZ)) / 20.0)
    assert codes(pressure) == [[]] * 6
