"""Which channel counts as rung: near its expected level, above its own noise, clear of all others."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.calibration.tone import ToneTrack, rung_blocks, steadiness_limit_db, steady_part

EXPECTED = np.array([1.0, 4.0])
WITHIN_DB = np.array([12.0, 12.0])


def rung(tones: list[float], others: list[float]) -> list[bool]:
    """Which of two channels is rung in one block."""
    column = (np.array(values)[:, None] for values in (tones, others))
    return rung_blocks(*column, EXPECTED, WITHIN_DB)[:, 0].tolist()


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
    """12 dB about the expected level, 10 dB above the block's own rest, 6 dB above the others' (relative) tones."""
    assert rung(tones, others) == expected


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
    near = noise**2 * track.near_share / rms**2
    spread = float(np.std(10 * np.log10(track.tone[0, ::2])))
    assert 0.3 < spread / (4.343 * np.sqrt(2 * near)) < 1.0
    assert track.tone.mean() == pytest.approx(rms**2 + noise**2 * track.near_share, rel=1e-3)
    assert track.other.mean() == pytest.approx(noise**2 * (1 - track.near_share), rel=0.01)


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
