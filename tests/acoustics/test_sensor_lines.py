"""Lines of sensors in generated fields: speed and decay come back, wrong orders are named, sound is no flow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from corcos_fields import BANDS, HZ, Field, estimated

from tapeline.acoustics.sensor_lines import direction

STRIP = Field(tuple(0.010 * k for k in range(8)))
SHORT = Field((0.0, 0.012, 0.024))
UNEVEN = Field((0.0, 0.008, 0.021, 0.030, 0.048), speed_mps=28.0, decay=0.13, own=0.8)


@pytest.mark.parametrize("field", [STRIP, SHORT, UNEVEN], ids=["strip", "short", "uneven"])
def test_speed_and_decay_come_back(field: Field) -> None:
    """Speed within 2 % and decay within 10 % from 500 Hz on, also where neighbours lie more than half a wave apart."""
    way, bands = estimated(field.drawn(1))
    assert not way.against.any() and way.slowness_s_per_m == pytest.approx(1.0 / field.speed_mps, rel=0.1)
    for hz, band in zip(BANDS.nominal_hz, bands, strict=True):
        if hz < 500.0:
            continue
        assert band.speed_mps == pytest.approx(field.speed_mps, rel=0.02), hz
        assert band.misfit_rad == 0.0
        assert band.speed_lower_mps < band.speed_mps < band.speed_upper_mps
    decays = np.array([band.decay for band in bands])
    weights = np.array([(band.decay_upper - band.decay_lower) ** -2 for band in bands])
    assert np.average(decays, weights=weights) == pytest.approx(field.decay, rel=0.10)
    assert bands[8].at_no_distance == pytest.approx(field.own, abs=0.05)
    assert bands[8].shortest_m == pytest.approx(np.diff(field.along_m).min())


@pytest.mark.parametrize(
    ("order", "against"),
    [
        ((7, 6, 5, 4, 3, 2, 1, 0), [0, 1, 2, 3, 4, 5, 6]),
        ((1, 0, 2, 3, 4, 5, 6, 7), [0]),
        ((0, 1, 2, 4, 3, 5, 6, 7), [3]),
    ],
    ids=["reversed", "ends", "middle"],
)
def test_a_wrong_order_is_named(order: tuple[int, ...], against: list[int]) -> None:
    way = direction(replace(STRIP, order=order, own=0.5).drawn(2), 36.0)
    assert np.flatnonzero(way.against).tolist() == against
    assert way.contradicted == (len(against) < 7)


def test_a_line_fitted_the_other_way_round_keeps_its_speed() -> None:
    way, bands = estimated(replace(STRIP, order=tuple(range(7, -1, -1))).drawn(3))
    assert way.slowness_s_per_m < 0.0 and not way.contradicted
    assert bands[10].speed_mps == pytest.approx(25.0, rel=0.02)


@pytest.mark.parametrize("speed", [-330.0, 340.0])
def test_sound_is_against_no_order_and_no_convection(speed: float) -> None:
    """Up or down the line: its speed is nowhere near the flow's."""
    way, bands = estimated(replace(STRIP, own=0.0, sound=3.0, sound_speed_mps=speed).drawn(4))
    assert not way.against.any()
    assert not any(band.speed_mps < 36.0 for band in bands)


@pytest.mark.parametrize("speed", [-330.0, -1e6, 340.0])
def test_sound_and_hum_of_low_frequencies_above_the_flow_contradict_nothing(speed: float) -> None:
    """10 dB above the flow below 600 Hz, up the line or everywhere at once, and the flow above."""
    flow, loud = STRIP.drawn(8), replace(STRIP, sound=10.0, sound_speed_mps=speed).drawn(9)
    low = HZ < 600.0
    both = replace(flow, csd=np.where(low, loud.csd, flow.csd), auto=np.where(low, loud.auto, flow.auto))
    for spectra in (both, loud):
        way = direction(spectra, 36.0)
        assert not way.against.any() and not way.opposite.any()
    assert direction(both, 36.0).slowness_s_per_m == pytest.approx(1.0 / 25.0, rel=0.15), "where bands start from"


def test_another_polarity_is_named() -> None:
    way = direction(replace(STRIP, own=0.5, turned=(3,)).drawn(10), 36.0)
    assert np.flatnonzero(way.opposite).tolist() == [2, 3] and not way.against.any()


def test_unrelated_sensors_tell_nothing() -> None:
    for seed in range(5):
        way, bands = estimated(replace(STRIP, own=0.0).drawn(seed))
        assert not way.against.any()
        assert not any(np.isfinite(band.speed_mps) for band in bands)


def test_flow_and_sound_together_are_not_taken_for_one_wave() -> None:
    """As much sound as flow: no speed, or one whose interval holds what the sound does to it; never a decay."""
    _, bands = estimated(replace(SHORT, sound=0.7).drawn(5))
    mixed = [band for hz, band in zip(BANDS.nominal_hz, bands, strict=True) if hz >= 1000.0]
    assert all(band.misfit_rad > 0.1 for band in mixed), "the line holds a wave of the flow from 1040 Hz on"
    assert all(np.isnan(band.decay) for band in bands[5:]), "a coherence above 1 at no distance is no decay"
    given = [band for band in mixed if np.isfinite(band.speed_mps)]
    assert all(band.speed_lower_mps < 25.0 < band.speed_upper_mps for band in given)


def test_a_phase_between_channels_widens_the_interval_where_it_counts() -> None:
    spectra = SHORT.drawn(6)
    widths = []
    for mismatch in (0.0, np.radians(3.0)):
        _, bands = estimated(spectra, mismatch_rad=float(mismatch))
        widths.append([(b.speed_upper_mps - b.speed_lower_mps) / b.speed_mps for b in (bands[5], bands[16])])
    # Per wave of phase it is the same angle at any frequency: a tenth of the effect at ten times the frequency.
    added = [np.sqrt(wide**2 - narrow**2) for narrow, wide in zip(*widths, strict=True)]
    assert added[0] > 6.0 * added[1] and widths[1][0] > 1.3 * widths[0][0]


def test_two_sensors_have_a_decay_without_a_coherence_at_no_distance() -> None:
    _, bands = estimated(Field((0.0, 0.01)).drawn(7))
    assert bands[12].decay == pytest.approx(0.11, rel=0.15) and bands[12].at_no_distance == 1.0


def test_the_grid_of_lines_is_what_the_fields_say() -> None:
    assert HZ[0] == 4.0 and len(BANDS) == 17


@pytest.mark.long
@pytest.mark.parametrize("field", [replace(STRIP, own=0.8), replace(SHORT, own=0.9)], ids=["strip", "short"])
def test_intervals_of_speed_and_decay_hold_as_often_as_they_say(field: Field) -> None:
    """Over 120 draws of 17 bands: 0.93 to 0.97."""
    held = []
    for seed in range(120):
        _, bands = estimated(field.drawn(1000 + seed))
        held += [
            (
                band.speed_lower_mps <= field.speed_mps <= band.speed_upper_mps,
                band.decay_lower <= field.decay <= band.decay_upper,
            )
            for band in bands
            if np.isfinite(band.decay)
        ]
    assert len(held) > 0.97 * 120 * len(BANDS)
    assert ((np.mean(held, axis=0) > 0.93) & (np.mean(held, axis=0) < 0.97)).all()
