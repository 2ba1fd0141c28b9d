"""Tones in generated spectra of known content: found, told from humps and noise, and measured."""

from __future__ import annotations

import numpy as np
import pytest
from generated_spectra import averaged

from tapeline.acoustics.tones import (
    Tone,
    ToneRule,
    continuous_spectrum,
    find_tones,
    least_detectable_pa2,
    persistence,
    steady_averages,
    tone_in_other,
)
from tapeline.acoustics.windows import WindowName
from tapeline.arrays import Reals

RULE = ToneRule("hann", 0.01, 4.0, 10.0)
STEP = 4.0


def found(psd: Reals, spread: Reals, averages: float, rule: ToneRule = RULE, step_hz: float = STEP) -> list[Tone]:
    search = find_tones(psd[None], 0.0, step_hz, np.array([averages]), rule, spread[None])
    return search.tones[0]


def square(prominence_db: float, step_hz: float = STEP) -> float:
    """Mean square of a tone on a line whose largest line stands so far above noise of 1 Pa^2/Hz."""
    return float(10.0 ** (prominence_db / 10.0) - 1.0) * 1.5 * step_hz


@pytest.mark.parametrize("name", ["hann", "flattop", "rectangular"])
def test_frequency_and_level_of_a_tone_between_lines(name: WindowName) -> None:
    rule = ToneRule(name, 0.01, 4.0, 10.0)
    draw = np.random.default_rng(3)
    for hz in (801.0, 802.0, 1203.3):
        (tone,) = found(*averaged(draw, 60, tones=[(hz, 1.0e4)], name=name), rule)
        assert tone.frequency_hz == pytest.approx(hz, abs=0.4 if name != "rectangular" else 1.5)
        assert 10.0 * np.log10(tone.power_pa2 / 1.0e4) == pytest.approx(0.0, abs=0.1 if name != "rectangular" else 0.7)
        assert np.isnan(tone.width_hz)


def test_levels_at_15_db_of_prominence_are_right_within_their_uncertainty() -> None:
    draw = np.random.default_rng(4)
    tones = [found(*averaged(draw, 40, tones=[(1000.0, square(15.0))]))[0] for _ in range(40)]
    off = np.array([10.0 * np.log10(tone.power_pa2 / square(15.0)) for tone in tones])
    assert abs(off.mean()) < 0.1
    assert off.std() == pytest.approx(np.mean([tone.level_uncertainty_db for tone in tones]), rel=0.4)
    hz = np.array([tone.frequency_hz for tone in tones])
    assert np.abs(hz - 1000.0).max() < 0.1 * STEP


def test_low_tones_in_a_steep_spectrum() -> None:
    draw = np.random.default_rng(5)
    psd, spread, averages = averaged(
        draw, 60, step_hz=1.0, tones=[(24.0, 3.0e3), (31.5, 3.0e3)], density=lambda hz: 1e3 / (1.0 + (hz / 10.0) ** 3)
    )
    assert [tone.frequency_hz for tone in found(psd, spread, averages, step_hz=1.0)] == pytest.approx(
        [24.0, 31.5], abs=0.1
    )


def test_two_tones_of_one_band_are_two() -> None:
    psd, spread, averages = averaged(np.random.default_rng(6), 40, tones=[(1000.0, 1e3), (1028.0, 2e3)])
    assert [tone.frequency_hz for tone in found(psd, spread, averages)] == pytest.approx([1000.0, 1028.0], abs=0.4)


def test_a_comb_of_tones_does_not_hide_itself() -> None:
    comb = [(50.0 * order, 300.0) for order in range(4, 16)]
    psd, spread, averages = averaged(np.random.default_rng(7), 40, tones=comb)
    assert [tone.frequency_hz for tone in found(psd, spread, averages)] == pytest.approx(
        [hz for hz, _ in comb], abs=0.4
    )


def test_a_broad_hump_is_no_tone_and_one_on_it_is() -> None:
    draw = np.random.default_rng(8)

    def hump(hz: Reals) -> Reals:
        return 1.0 + 20.0 / (1.0 + ((hz - 1000.0) / 120.0) ** 2)

    assert found(*averaged(draw, 60, density=hump)) == []
    (tone,) = found(*averaged(draw, 60, density=hump, tones=[(1040.0, 3e3)]))
    assert tone.frequency_hz == pytest.approx(1040.0, abs=0.4)


def test_noise_on_the_crest_of_a_ripple_is_no_tone() -> None:
    draw = np.random.default_rng(16)

    def ripple(hz: Reals) -> Reals:
        return np.asarray(1.1 + 2.0 * np.sqrt(0.1) * np.cos(2.0 * np.pi * hz / 172.0))

    usual = ToneRule("hann", 0.01, 6.0, 10.0)
    assert sum(bool(found(*averaged(draw, 20, density=ripple), usual)) for _ in range(30)) <= 2
    (tone,) = found(*averaged(draw, 20, density=ripple, tones=[(1030.0, square(18.0))]))
    assert tone.frequency_hz == pytest.approx(1030.0, abs=0.4)


def test_the_width_of_a_resonance_is_given() -> None:
    def narrow(hz: Reals) -> Reals:
        return 1.0 + 100.0 / (1.0 + ((hz - 1200.0) / 15.0) ** 2)

    (tone,) = found(*averaged(np.random.default_rng(9), 200, density=narrow))
    assert tone.width_hz == pytest.approx(30.0, rel=0.25)
    assert 10.0 * np.log10(tone.power_pa2 / (100.0 * 15.0 * np.pi)) == pytest.approx(-0.7, abs=0.7), (
        "its skirts are continuous spectrum"
    )


def test_false_alarms_come_as_seldom_as_stated() -> None:
    draw = np.random.default_rng(10)
    rule = ToneRule("hann", 0.3, 0.0, 10.0)
    with_tones = sum(bool(found(*averaged(draw, 20, lines=320), rule)) for _ in range(200))
    assert 36 <= with_tones <= 72


def test_gusts_raise_the_threshold() -> None:
    steady = steady_averages(np.array([20.0]), np.ones((1, 50)))
    gusty = steady_averages(np.array([20.0]), np.full((1, 50), 2.0))
    assert (steady[0], gusty[0]) == (20.0, 8.0)
    assert steady_averages(np.array([20.0]), np.full((1, 50), np.nan))[0] == 20.0


def test_the_continuous_spectrum_of_noise_has_no_bias() -> None:
    draw = np.random.default_rng(11)
    many = [averaged(draw, 10, density=lambda hz: 1.0 / (1.0 + (hz / 300.0) ** 3)) for _ in range(30)]
    psd = np.stack([each[0] for each in many])
    below = continuous_spectrum(psd, 0.0, STEP, np.full(30, many[0][2]), RULE)
    hz = STEP * np.arange(psd.shape[1])
    off_db = 10.0 * np.log10(below.psd * (1.0 + (hz / 300.0) ** 3))[:, 20:-20]
    assert abs(off_db.mean()) < 0.1


def test_persistence_of_a_tone_that_is_there_a_third_of_the_time() -> None:
    draw = np.random.default_rng(12)
    with_it, without = (averaged(draw, blocks, tones=tones) for blocks, tones in ((20, [(1000.0, 3e3)]), (40, [])))
    n, m = 20, 40
    mean = (n * with_it[0] + m * without[0]) / (n + m)
    squares = sum(
        (count - 1) * (part[1] * part[0]) ** 2 + count * (part[0] - mean) ** 2
        for count, part in ((n, with_it), (m, without))
    )
    (tone,) = found(mean, np.sqrt(squares / (n + m - 1)) / mean, 45.0)
    assert tone.persistence == pytest.approx(1.0 / 3.0, abs=0.05)
    assert np.isnan(persistence(5.0, 0.5))


def test_a_background_has_the_same_tone_or_not() -> None:
    draw = np.random.default_rng(13)
    (tone,) = found(*averaged(draw, 40, tones=[(1000.0, 1e3)]))
    same, other = (averaged(draw, 40, tones=[(hz, 900.0)])[0] for hz in (1005.0, 1100.0))
    psd = np.stack([same, other, np.full(same.size, np.nan)])
    below = continuous_spectrum(psd, 0.0, STEP, np.full(3, 38.0), RULE)
    there, not_there, unknown = (tone_in_other(tone, psd[k], below, k, 38.0, 10.0, STEP, RULE) for k in range(3))
    assert there is not None
    assert there.there
    assert 10.0 * np.log10(there.power_pa2 / 900.0) == pytest.approx(0.0, abs=0.3)
    assert not_there is not None
    assert not not_there.there
    assert unknown is None


def test_what_would_just_have_been_found_is_found_half_of_the_time() -> None:
    draw = np.random.default_rng(14)
    psd, spread, averages = averaged(draw, 40)
    search = find_tones(psd[None], 0.0, STEP, np.array([averages]), RULE, spread[None])
    least = least_detectable_pa2(search, STEP, RULE)[0, 250]
    hits = sum(bool(found(*averaged(draw, 40, tones=[(1000.0, least)]))) for _ in range(40))
    assert 8 <= hits <= 32


def test_lines_without_a_number_are_no_tones() -> None:
    psd, spread, averages = averaged(np.random.default_rng(15), 40, tones=[(1000.0, 1e3)])
    psd[240:260] = np.nan
    assert found(psd, spread, averages) == []
    assert find_tones(np.zeros((2, 0)), 0.0, STEP, np.array([9.0, 9.0]), RULE).tones == [[], []]
