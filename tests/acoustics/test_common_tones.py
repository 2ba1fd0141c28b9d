"""Tones that a run and its background share: intervals cover at any phase. Synthetic draws."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits, corrected_interval
from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.tonal_bands import common_tone_half_width

Reals = NDArray[np.float64]

LIMITS = MarginLimits(15.0, 6.0, 3.0, 1.96)
BAND, STEP_HZ, LINES, AVERAGES, CASES = bands_between(3, 500.0, 500.0), 4.0, 400, 100.0, 1500
HZ = STEP_HZ * np.arange(LINES)
LOBE = np.array([0.25, 1.0, 0.25])
"""Lines of a tone in a Hann window against the middle one (Harris 1978)."""

INSIDE = (BAND.lower_hz[0] <= HZ) & (BAND.upper_hz[0] > HZ)
AT = 128


def spectra(random: np.random.Generator, noise: float, tone: Reals) -> Reals:
    """Noise of that density with a tone of its middle line's density on line 128 in many cases, (cases, lines)."""
    psd = noise * random.chisquare(2.0 * AVERAGES, (CASES, LINES)) / (2.0 * AVERAGES)
    psd[:, AT - 1 : AT + 2] += tone[:, None] * LOBE
    return psd


def share_that_holds(tone_db: float, *, minded: bool) -> float:
    """The source's tone is `tone_db` above the background's, which is 100 times the run's noise; any phase."""
    random = np.random.default_rng(5)
    below_tone, source_tone = 100.0, 100.0 * 10.0 ** (tone_db / 10.0)
    phase = random.uniform(0.0, 2.0 * np.pi, CASES)
    both = source_tone + below_tone + 2.0 * np.sqrt(source_tone * below_tone) * np.cos(phase)
    run, below = spectra(random, 1.0, both), spectra(random, 0.05, np.full(CASES, below_tone))
    half = common_tone_half_width(run, below, STEP_HZ, BAND)
    run, below, half = (psd[:, INSIDE].sum(axis=1) for psd in (run, below, half if minded else 0.0 * half))
    variances = (np.sum(np.full(INSIDE.sum(), 1.0)) * noise**2 / AVERAGES for noise in (1.0, 0.05))
    found = background.subtract(run, below, *(np.full(CASES, v) for v in variances), LIMITS, None, half)
    low, high = corrected_interval(found, 0.95)
    truth = 0.95 * INSIDE.sum() + source_tone * LOBE.sum()
    bound = found.state == background.BOUND
    return float(np.where(bound, found.upper_bound >= truth, (low <= truth) & (truth <= high)).mean())


@pytest.mark.parametrize("tone_db", [-6.0, -3.0, 3.0, 6.0, 10.0, 12.0])
def test_intervals_and_bounds_cover_at_random_phase(tone_db: float) -> None:
    assert share_that_holds(tone_db, minded=True) > 0.95
    assert share_that_holds(tone_db, minded=False) < 0.6


def test_equal_tones_that_leave_nothing_of_each_other_are_the_limit_of_what_is_seen() -> None:
    """In one phase of nine the run's own tone stands out no more: nothing tells that the source has one."""
    assert 0.85 < share_that_holds(0.0, minded=True) < 0.95


def test_noise_alone_and_tones_of_one_alone_are_left_as_they_are() -> None:
    random = np.random.default_rng(6)
    none, some = np.zeros(CASES), np.full(CASES, 100.0)
    noise, loud = spectra(random, 1.0, none), spectra(random, 1.0, some)
    for run, below in ((noise, noise), (loud, noise), (noise, loud), (1e4 * loud, loud)):
        assert not common_tone_half_width(run, below, STEP_HZ, BAND).any()
    assert common_tone_half_width(loud, loud, STEP_HZ, BAND)[:, AT].all()
