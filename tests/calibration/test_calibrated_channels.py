"""Which channel counts as calibrated: near its expected level, above its own noise, clear of all others."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.calibration.calibrated_blocks import Expected, calibrated_blocks
from tapeline.calibration.calibrator_applications import calibrated_together, calibrator_applications
from tapeline.calibration.tone import ToneTrack, steadiness_limit_db, steady_part

EXPECTED = Expected(np.array([1.0, 4.0]), np.array([0.01, 0.02]), np.array([True, True]))


def calibrated(tones: list[float], others: list[float]) -> list[bool]:
    """Which of two channels is calibrated in one block."""
    column = (np.array(values)[:, None] for values in (tones, others))
    return calibrated_blocks(*column, EXPECTED, 0.05)[:, 0].tolist()


@pytest.mark.parametrize(
    ("tones", "others", "expected"),
    [
        ([1.0, 0.04], [0.01, 0.01], [True, False]),
        ([0.01, 4.0], [0.001, 0.01], [False, True]),
        ([10**1.19, 0.04], [0.01, 0.01], [True, False]),
        ([10**1.21, 0.04], [0.01, 0.01], [False, False]),
        ([10**-1.21, 1e-4], [1e-4, 1e-4], [False, False]),
        ([1.0, 0.04], [0.099, 0.01], [True, False]),
        ([1.0, 0.04], [0.101, 0.01], [False, False]),
        ([1.0, 4.0 * 10**-0.59], [0.01, 0.01], [False, False]),
        ([1.0, 4.0 * 10**-0.61], [0.01, 0.01], [True, False]),
        ([0.0, 0.0], [0.01, 0.01], [False, False]),
    ],
)
def test_level_noise_and_dominance_decide(tones: list[float], others: list[float], expected: list[bool]) -> None:
    """12 dB about the expected level, 10 dB above the noise beside, 6 dB above the others' (relative) tones."""
    assert calibrated(tones, others) == expected


def test_noise_near_the_tone_widens_what_counts_as_steady() -> None:
    """4.343 sqrt(2 N / P) dB for noise N near a tone P: 20 dB below give 0.614 dB, three of these on top."""
    flags = np.array([True, True, False])
    tone, other = np.array([1.0, 1.0, 9.0]), np.array([0.1, 0.1, 9.0])
    assert steadiness_limit_db(flags, tone, other, 0.1, 0.15) == pytest.approx(0.15 + 3 * 4.343 * np.sqrt(0.02))
    assert steadiness_limit_db(~flags & False, tone, other, 0.1, 0.15) == 0.15


def test_the_scatter_of_a_noisy_tone_stays_below_the_allowance() -> None:
    """Block levels of a tone in white noise scatter less than 4.343 sqrt(2 N / P), and by no less than 0.3 of it."""
    rate, rms, noise = 12_800.0, 1.0, 0.1
    time = np.arange(int(120 * rate)) / rate
    samples = rms * np.sqrt(2) * np.sin(2 * np.pi * 1000.0 * time)
    samples += noise * np.random.default_rng(5).normal(size=time.size)
    track = ToneTrack(1, rate, 1000.0, 2.0)
    track.add(samples[None].astype(np.float32))
    octave = 1000.0 * (2.0**0.5 - 0.5**0.5) / (rate / 2.0)
    beside = noise**2 * octave / (1.0 + track.near_share)
    near = beside * track.near_share / rms**2
    spread = float(np.std(10 * np.log10(track.tone[0, ::2])))
    assert 0.3 < spread / (4.343 * np.sqrt(2 * near)) < 1.0
    assert track.tone.mean() == pytest.approx(rms**2 + beside * track.near_share, rel=1e-3)
    assert track.beside.mean() == pytest.approx(beside, rel=0.02)


@pytest.mark.parametrize(
    ("flags", "levels_db", "part"),
    [
        ("0111110", [0, 0, 0, 0, 0, 0, 0], (2, 4)),
        ("1110011111", [0] * 10, (6, 8)),
        ("1111100111", [0] * 10, (1, 3)),
        ("1111111111", [0, 0, 0, 1, 1, 1, 1, 1, 1, 1], (4, 8)),
        ("0110", [0] * 4, None),
        ("0000", [0] * 4, None),
    ],
)
def test_the_longest_steady_stretch_less_a_block_at_each_end(
    flags: str, levels_db: list[float], part: tuple[int, int] | None
) -> None:
    tone = 10 ** (np.array(levels_db, dtype=float) / 10)
    found = steady_part(np.array([flag == "1" for flag in flags]), tone, 0.05, 0.1, 0.15)
    if part is None:
        assert found is None
    else:
        assert found is not None
        assert (found.start_s, found.stop_s) == pytest.approx((0.05 * part[0], 0.05 * part[1] + 0.1))


def followed(tones: np.ndarray, rate: float = 6400.0) -> ToneTrack:
    """A track of 1 kHz tones whose rms is given for every half second; shape (channels, half seconds)."""
    size = int(0.5 * rate)
    time = np.arange(tones.shape[1] * size) / rate
    samples = np.repeat(tones, size, axis=1) * np.sqrt(2.0) * np.sin(2 * np.pi * 1000.0 * time)
    samples += 1e-6 * np.random.default_rng(3).normal(size=samples.shape)
    track = ToneTrack(tones.shape[0], rate, 1000.0, 2.0)
    track.add(samples.astype(np.float32))
    return track


def calibrated_channels(track: ToneTrack, sensitivities: list[float | None]) -> list[int]:
    """Channels in the order of their applications for a pressure of 1 Pa, samples in volts."""
    assumed = np.array([value or 0.01 for value in sensitivities])
    expected = Expected(assumed**2, assumed, np.array([value is not None for value in sensitivities]))
    return [application.channel for application in calibrator_applications(track, expected, 0.15)]


TRUE_V_PER_PA = np.array([0.05, 0.004, 0.001, 0.0005])


@pytest.mark.parametrize("leak_db", [-35.0, -20.0])
def test_sensors_of_any_sensitivity_are_found_unstated(leak_db: float) -> None:
    """50 to 0.5 mV/Pa, none of them in the table."""
    tones = np.full((4, 12), 1e-9)
    for channel in range(4):
        tones[:, 3 * channel : 3 * channel + 2] = TRUE_V_PER_PA[:, None] * 10 ** (leak_db / 20)
        tones[channel, 3 * channel : 3 * channel + 2] = TRUE_V_PER_PA[channel]
    nothing_stated: list[float | None] = [None] * 4
    assert calibrated_channels(followed(tones), nothing_stated) == [0, 1, 2, 3]


@pytest.mark.parametrize("unstated_v_per_pa", [0.05, 0.012, 0.001])
def test_an_unstated_sensor_takes_no_application_from_its_neighbours(unstated_v_per_pa: float) -> None:
    """The tone leaks at -20 dB into all others; five sensors of 4 mV/Pa are stated."""
    true = np.array([0.004] * 5 + [unstated_v_per_pa])
    tones = np.full((6, 18), 1e-9)
    for channel in range(6):
        tones[:, 3 * channel : 3 * channel + 2] = true[:, None] * 0.1
        tones[channel, 3 * channel : 3 * channel + 2] = true[channel]
    stated: list[float | None] = [0.004] * 5 + [None]
    assert calibrated_channels(followed(tones), stated) == [0, 1, 2, 3, 4, 5]


def test_two_that_carry_the_tone_together_are_told() -> None:
    tones = np.full((3, 6), 1e-9)
    tones[0, 1:3] = tones[1, 1:3] = 0.004
    tones[2, 4:6] = 0.004
    track, sensitivity = followed(tones), np.full(3, 0.004)
    expected = Expected(sensitivity**2, sensitivity, np.full(3, True))
    assert calibrated_together(track, expected) == {0: 1, 1: 0}
    assert [application.channel for application in calibrator_applications(track, expected, 0.15)] == [2]


def test_samples_that_are_no_numbers_silence_their_own_channel_only() -> None:
    samples = np.zeros((2, 6400), dtype=np.float32)
    samples[1] = np.sin(2 * np.pi * 1000.0 * np.arange(6400) / 6400.0)
    samples[0], samples[1, 3200] = np.nan, np.inf
    track = ToneTrack(2, 6400.0, 1000.0, 2.0)
    track.add(samples)
    assert track.not_finite.tolist() == [6400, 1]
    assert np.isfinite(track.tone).all()
    assert np.flatnonzero(track.tone[1] < 0.1).size == 2, "the two blocks that hold the odd sample"
