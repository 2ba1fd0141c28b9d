"""Modes of cavities: which sizes give which, how uncertain they are, and tones matched one to one."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from tapeline.acoustics.cavity_modes import FLANGED, CavityInputs, Mode, cavity_modes, chance_of_agreement, matched

GAP = CavityInputs(0.02, 0.03, 1.1, 1e-3, 2e-3, 0.01, 30.0, 343.0)


def names(known: CavityInputs) -> list[str]:
    return [mode.name for mode in cavity_modes(known, 0.02, 0.005, 0.002)]


def test_families_need_their_sizes() -> None:
    assert {name.split()[0] for name in names(GAP)} == {"shear-layer", "neck", "depth", "width"}
    assert "neck 1" not in names(dataclasses.replace(GAP, neck_m=None))
    assert "depth 1" not in names(dataclasses.replace(GAP, length_m=0.09)), "shallow"
    assert "shear-layer 1" not in names(dataclasses.replace(GAP, speed_mps=0.0))
    assert names(CavityInputs(None, None, None, None, None, None, 30.0, 343.0)) == []


def test_orders_whose_bands_touch_are_left_out() -> None:
    assert "width 8" in names(GAP)
    wide = [mode.name for mode in cavity_modes(GAP, 0.08, 0.005, 0.002) if mode.family == "width"]
    assert wide == ["width 1", "width 2", "width 3"]


def test_the_uncertainty_is_that_of_random_inputs() -> None:
    draw = np.random.default_rng(1)
    modes = {mode.name: mode for mode in cavity_modes(GAP, 0.02, 0.005, 0.002)}
    many: dict[str, list[float]] = {name: [] for name in modes}
    for _ in range(1500):
        e = draw.standard_normal(9)
        known = CavityInputs(
            length_m=0.02 * (1.0 + 0.02 * e[0]),
            depth_m=0.03 * (1.0 + 0.02 * e[1]),
            width_m=1.1 * (1.0 + 0.02 * e[2]),
            opening_m2=1e-3 * (1.0 + 0.04 * e[3]),
            volume_m3=2e-3 * (1.0 + 0.06 * e[4]),
            neck_m=0.01 * (1.0 + 0.02 * e[5]),
            speed_mps=30.0 * (1.0 + 0.005 * e[6]),
            sound_speed_mps=343.0 * (1.0 + 0.002 * e[7]),
            convection=0.57 + 0.03 * e[8],
            neck_ends=2.0 * FLANGED + draw.uniform(-1.0, 1.0) * (FLANGED - 0.6133),
            mouth_factor=0.65 * (1.0 + 0.2 * draw.standard_normal()),
        )
        for mode in cavity_modes(known, 0.02, 0.005, 0.002):
            if mode.name in many:
                many[mode.name].append(mode.frequency_hz)
    for name in ("depth 1", "width 1", "neck 1", "shear-layer 4"):
        assert np.std(np.log(many[name])) == pytest.approx(modes[name].uncertainty_share, rel=0.1), name


def test_longer_cavities_have_a_larger_lag() -> None:
    deep, long = (
        next(
            m
            for m in cavity_modes(dataclasses.replace(GAP, depth_m=d), 0.02, 0.005, 0.002)
            if m.name == "shear-layer 1"
        )
        for d in (0.02, 0.0025)
    )
    assert long.frequency_hz / deep.frequency_hz == pytest.approx((1.0 - 0.54) / 0.75, rel=1e-6)


def test_one_to_one_and_other_candidates() -> None:
    modes = [
        Mode("shear-layer", 1, 400.0, 0.08, ""),
        Mode("width", 5, 390.0, 0.03, ""),
        Mode("depth", 1, 2000.0, 0.05, ""),
    ]
    both = matched([402.0, 385.0, 700.0], modes, 1.96)
    assert [match.mode for match in both] == [0, 1, None]
    assert [match.candidates for match in both] == [(1,), (0,), ()]
    (alone,) = matched([402.0], modes, 1.96)
    assert (alone.mode, alone.candidates) == (0, (1,))
    three = matched([402.0, 385.0, 398.0], modes, 1.96)
    assert sorted(match.mode for match in three if match.mode is not None) == [0, 1]


def test_the_chance_to_agree_is_the_covered_share_of_an_octave() -> None:
    half_octave = np.log(2.0) / 4.0
    one = Mode("depth", 1, 1000.0, half_octave, "")
    assert chance_of_agreement(1000.0, [one], 1.0) == pytest.approx(0.5)
    assert chance_of_agreement(1000.0, [one, one], 1.0) == pytest.approx(0.5)
    assert chance_of_agreement(4000.0, [one], 1.0) == 0.0
