"""Where one verdict ends and the next begins, and clean signals that look odd."""

from __future__ import annotations

import numpy as np
import pytest
from judged_samples import judged

from tapeline.quality.reasons import ORDER, REASONS, worst
from tapeline.quality.verdicts import Finding

RATE = 25_600.0
PA_PER_FULL_SCALE = 100.0


def found(samples: np.ndarray, bits: int | None = 16, full_scale: float | None = 1.0, dead_pa: float = 1e-4) -> Finding:
    """The only finding that leads to a doubt on one channel; an empty one where there is none."""
    (findings,) = judged(samples[None], RATE, bits, full_scale, PA_PER_FULL_SCALE, dead_level_pa=dead_pa)
    doubts = [finding for finding in findings if REASONS[finding.code].verdict != "good"]
    assert len(doubts) <= 1
    return doubts[0] if doubts else Finding("", "")


def noise(rms: float, frames: int = 60_000, seed: int = 1) -> np.ndarray:
    """16-bit Gaussian noise."""
    values = np.random.default_rng(seed).normal(0.0, rms, frames)
    return np.clip(np.round(values * 32768), -32768, 32767) / 32768


@pytest.mark.parametrize(
    ("end", "code"),
    [
        (1.0 - 2**-15, "overload-brief"),
        (1.0 - 2**-14, ""),
        (-1.0, "overload-brief"),
        (2**-15 - 1.0, "overload-brief"),
        (0.9, ""),
    ],
)
def test_three_samples_at_the_end_of_the_range_are_overload(end: float, code: str) -> None:
    """Codes 32767, -32767 and -32768 are the end of 16 bits; three samples below are one flat top, by chance.

    Three of 60000 are 0.005 %, half of the share that makes a channel unusable.
    """
    x = noise(0.1)
    x[25_600:25_603] = end
    assert found(x).code == code
    if code:
        assert found(x).sentence == (
            "position p0 overloaded for 0.1 ms in 1 place, first at 1.000 s: 0.005 % of the samples; "
            "bias -0.00041 dB in level, up to 0.2 dB in weak bands"
        )


def test_two_samples_at_the_end_are_a_note() -> None:
    x = noise(0.1)
    x[100:102] = 1.0 - 2**-15
    assert found(x).code == ""
    (findings,) = judged(x[None], RATE)
    assert [(f.code, f.sentence) for f in findings] == [
        ("at-full-scale", "position p0: 2 single samples are at full scale")
    ]
    assert REASONS["at-full-scale"].verdict == "good"


@pytest.mark.parametrize(("samples", "code"), [(5, "overload-brief"), (6, "overload")])
def test_a_hundredth_of_a_percent_at_full_scale_is_too_much(samples: int, code: str) -> None:
    """Of 60000 samples, six are 0.01 %."""
    x = noise(0.1)
    x[25_600 : 25_600 + samples] = -1.0
    assert found(x).code == code
    assert REASONS["overload-brief"].verdict == "doubtful"


@pytest.mark.parametrize(("samples", "code"), [(9, ""), (10, "overload")])
def test_crests_cut_one_sample_each_are_overload_too(samples: int, code: str) -> None:
    """Noise up to half the sample rate leaves no flat tops of three samples."""
    x = noise(0.25)
    x = np.where(np.abs(x) > 0.99, 0.0, x)
    x[1000 : 1000 + 997 * samples : 997] = 1.0 - 2**-15
    assert found(x).code == code


def test_single_samples_thrown_to_the_end_are_spikes() -> None:
    x = noise(0.02)
    x[np.random.default_rng(4).integers(0, x.size, 40)] = 1.0 - 2**-15
    (findings,) = judged(x[None], RATE)
    assert [finding.code for finding in findings][:2] == ["at-full-scale", "spikes"]


@pytest.mark.parametrize("end", [-1.0, 1.0 - 2**-15])
def test_either_end_counts_alone(end: float) -> None:
    x = noise(0.1)
    x[100:106] = end
    assert found(x).code == "overload"


def test_a_flat_bottom_is_no_overload_because_the_top_is_high() -> None:
    """One peak touches full scale for one sample; the flat bottom lies at half of it, in one place."""
    x = np.clip(noise(0.1), -0.5, 0.5)
    x[50] = 1.0 - 2**-15
    x[200:203] = -0.6
    assert found(x).code == ""


def test_both_ends_add_up_and_the_earlier_is_the_first() -> None:
    x = noise(0.1)
    x[51_200:51_210] = 1.0 - 2**-15
    x[12_800:12_816] = -1.0
    words = "position p0 overloaded for 1.0 ms in 2 places, first at 0.500 s: 0.043 % of the samples; bias "
    assert found(x).sentence.startswith(words)


@pytest.mark.parametrize(("frames", "code"), [(60_000, "limiting"), (200_000, "limiting-brief")])
def test_few_samples_at_flat_tops_are_doubted_only(frames: int, code: str) -> None:
    """Twelve samples: 0.02 % of 60000, 0.006 % of 200000."""
    x = noise(0.1, frames)
    for start in (1_000, 2_111, 3_777):
        x[start : start + 4] = 0.75
    assert found(x).code == code


@pytest.mark.parametrize(("places", "code"), [(2, ""), (3, "limiting"), (50, "limiting")])
def test_flat_tops_of_one_value_in_three_places_are_limiting(places: int, code: str) -> None:
    x = noise(0.1)
    for place in range(places):
        start = 1_000 + 1_037 * place + 13 * (place * place % 53)
        x[start : start + 4] = 0.75
    result = found(x)
    assert result.code == code
    if code:
        assert result.sentence.startswith("position p0 limited below full scale for ")
        assert f"in {places} places, first at 0.039 s" in result.sentence


def test_floats_without_full_scale_can_still_be_limiting() -> None:
    x = np.clip(np.random.default_rng(2).normal(0.0, 3.0, 20_000).repeat(4), -5.0, 5.0)
    assert found(x, bits=None, full_scale=None).code == "limiting"


@pytest.mark.parametrize(("steps", "code"), [(40, ""), (70, "limiting")])
def test_quiet_peaks_repeat_by_nature(steps: int, code: str) -> None:
    """Below 64 converter steps flat tops of one value say nothing (own choice of the project)."""
    x = noise(5 * 2**-15)
    for place in range(5):
        x[1_000 * (place + 1) : 1_000 * (place + 1) + 4] = steps * 2**-15
    assert found(x).code == code


@pytest.mark.parametrize(("frames", "code"), [(127, ""), (129, "dropout"), (600, "dropout"), (602, "dropout-long")])
def test_a_hundredth_of_the_time_parts_short_dropouts_from_long(frames: int, code: str) -> None:
    x = noise(0.1)
    x[10_000 : 10_000 + frames] = 0.123
    assert found(x).code == code
    if code:
        assert "in 1 place, first at 0.39" in found(x).sentence


@pytest.mark.parametrize(("rms", "code"), [(0.3, "dead"), (0.7, "")])
def test_half_a_converter_step_is_no_signal(rms: float, code: str) -> None:
    """Noise of 0.3 steps leaves 0.3 steps on the converter, 0.7 steps leave 0.76."""
    assert found(noise(rms * 2**-15), dead_pa=0.0).code == code


@pytest.mark.parametrize(("rms_pa", "code"), [(0.9e-4, "dead"), (1.1e-4, "")])
def test_a_channel_below_the_stated_pressure_is_dead(rms_pa: float, code: str) -> None:
    x = np.random.default_rng(1).normal(0.0, rms_pa / PA_PER_FULL_SCALE, 60_000)
    assert found(x, bits=None, full_scale=None).code == code


def test_an_offset_does_not_make_a_dead_channel_alive() -> None:
    assert found(np.full(60_000, 0.3)).code == "dead"


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_one_sample_that_is_no_number_is_enough(value: float) -> None:
    x = np.random.default_rng(1).normal(0.0, 0.1, 60_000)
    x[777] = value
    assert found(x, bits=None).sentence == "position p0: 1 sample is no finite number"


@pytest.mark.parametrize(
    ("largest_pa", "words"), [(1e30, "1 sample lies beyond 2.03e+05 Pa"), (2.1e5, "1 sample lies beyond 2.03e+05 Pa")]
)
def test_a_sample_of_more_than_two_atmospheres_is_none_of_a_pressure(largest_pa: float, words: str) -> None:
    x = noise(0.1).astype(np.float32)
    x[777] = largest_pa / PA_PER_FULL_SCALE
    result = found(x, bits=None, full_scale=None)
    assert result.code == "impossible-level"
    assert words in result.sentence


@pytest.mark.parametrize(("rms_pa", "code"), [(30_000.0, ""), (110_000.0, "impossible-level")])
def test_one_atmosphere_of_rms_pressure_is_impossible(rms_pa: float, code: str) -> None:
    time = np.arange(60_000) / RATE
    x = np.sqrt(2.0) * rms_pa / PA_PER_FULL_SCALE * np.sin(2 * np.pi * 333.0 * time)
    result = found(x, bits=None, full_scale=None)
    assert result.code == code
    if code:
        assert "1.1e+05 Pa rms, more than the 1.01e+05 Pa" in result.sentence


def test_an_absolute_sensor_has_the_mean_of_the_air() -> None:
    x = (101_325.0 + np.random.default_rng(1).normal(0.0, 5.0, 60_000)) / PA_PER_FULL_SCALE
    assert found(x, bits=None, full_scale=None).code == ""


def test_absurd_samples_of_one_channel_leave_the_others_alone() -> None:
    quiet = np.random.default_rng(1).normal(0.0, 0.1, (4, 60_000))
    quiet[2, 100:200] = 3e38
    findings = judged(quiet, RATE, None, None, PA_PER_FULL_SCALE)
    assert [[f.code for f in channel] for channel in findings] == [[], [], ["impossible-level"], []]


def test_gaussian_noise_of_any_loudness_gives_no_finding() -> None:
    """100 channels of 16 bits from one step to a quarter of full scale (four standard deviations below the end)."""
    for seed, rms in enumerate(np.geomspace(2**-15, 0.2, 100)):
        assert found(noise(rms, 30_000, seed)).code == ""


@pytest.mark.parametrize(("hz", "amplitude"), [(5.0, 0.3), (20.0, 0.3), (31.5, 0.3), (90.0, 0.05), (1.0, 0.003)])
def test_a_pure_low_frequency_sine_gives_no_finding(hz: float, amplitude: float) -> None:
    time = np.arange(int(4 * RATE)) / RATE
    x = np.round(amplitude * np.sin(2 * np.pi * hz * time + 0.3) * 32768) / 32768
    assert found(x).code == ""


@pytest.mark.parametrize("hz", [5.0, 20.0, 90.0])
def test_half_a_step_of_noise_saves_the_slow_sine(hz: float) -> None:
    time = np.arange(int(4 * RATE)) / RATE
    noisy = 0.3 * np.sin(2 * np.pi * hz * time) + np.random.default_rng(3).normal(0.0, 0.5 * 2**-15, time.size)
    assert found(np.round(noisy * 32768) / 32768).code == ""


def test_the_order_of_verdicts() -> None:
    assert sorted(ORDER, key=ORDER.__getitem__) == ["good", "doubtful", "unusable"]
    for code, reason in REASONS.items():
        assert worst([code]) == reason.verdict
        assert worst([code, "dead"]) == "unusable"
