"""Every fault is seen, and clean channels stay clean."""

from __future__ import annotations

import numpy as np
import pytest
from judged_samples import judged

from tapeline.quality.reasons import FILE_FAULTS, ORDER, REASONS, worst
from tapeline.quality.verdicts import Finding

RATE = 25_600.0


def verdicts(samples: np.ndarray, bits: int | None = 16, full_scale: float | None = 1.0) -> list[list[Finding]]:
    """Findings for each channel of samples in fractions of full scale; 10 Pa at full scale; notes apart."""
    found = judged(samples, RATE, bits, full_scale, 10.0)
    return [[finding for finding in channel if REASONS[finding.code].verdict != "good"] for channel in found]


def converted(samples: np.ndarray, bits: int = 16) -> np.ndarray:
    """What an integer converter keeps."""
    scale = 2.0 ** (bits - 1)
    return np.clip(np.round(samples * scale), -scale, scale - 1) / scale


def codes(samples: np.ndarray, **kwargs: object) -> list[str]:
    """Reason codes of one channel."""
    return [finding.code for finding in verdicts(samples[None], **kwargs)[0]]  # type: ignore[arg-type]


def noise(seed: int = 1, rms: float = 0.1, frames: int = 60_000) -> np.ndarray:
    """Gaussian noise."""
    return np.random.default_rng(seed).normal(0.0, rms, frames)


def test_a_hundred_clean_channels_give_no_reason() -> None:
    clean = np.random.default_rng(3).normal(0.0, 0.08, (100, 60_000))
    assert [found for found in verdicts(converted(clean)) if found] == []


def test_low_frequency_rumble_gives_no_reason() -> None:
    time = np.arange(60_000) / RATE
    smooth = 0.3 * np.sin(2 * np.pi * 12.0 * time) * (1 + 0.3 * np.sin(2 * np.pi * 0.7 * time)) + noise(rms=2e-4)
    assert codes(converted(smooth)) == []


@pytest.mark.parametrize("steps", [1.0, 3.0, 10.0])
def test_quiet_channels_of_a_few_converter_steps_give_no_reason(steps: float) -> None:
    assert codes(converted(noise(rms=steps * 2**-15))) == []


def test_overload_at_full_scale() -> None:
    loud = converted(np.clip(np.repeat(noise(rms=0.4, frames=20_000), 3), -1.0, 1.0))
    found = verdicts(loud[None])[0]
    assert [finding.code for finding in found] == ["overload"]
    assert "places, first at" in found[0].sentence


def test_limiting_below_full_scale() -> None:
    limited = converted(np.clip(np.repeat(noise(rms=0.2, frames=20_000), 3), -0.55, 0.5))
    assert codes(limited) == ["limiting"]
    assert codes(np.clip(np.repeat(noise(rms=0.2, frames=20_000), 3), -0.55, 0.5), bits=None, full_scale=None) == [
        "limiting"
    ]


def test_dropouts_short_and_long() -> None:
    x = converted(noise())
    x[5_000:5_300] = x[5_000]
    assert codes(x) == ["dropout"]
    x[20_000:24_000] = 0.0
    found = verdicts(x[None])[0]
    assert found[0].code == "dropout-long"
    assert "2 places" in found[0].sentence


def test_dead_and_not_finite() -> None:
    assert codes(np.zeros(60_000)) == ["dead"]
    assert codes(converted(noise(rms=1e-6))) == ["dead"]
    broken = noise()
    broken[7] = np.nan
    assert codes(broken, bits=None) == ["not-finite"]


def test_the_worst_reason_is_the_verdict() -> None:
    assert worst([]) == "good"
    assert worst(["dropout"]) == "doubtful"
    assert worst(["dropout", "overload"]) == "unusable"


def test_every_reason_says_what_to_do() -> None:
    assert set(REASONS) >= FILE_FAULTS
    for reason in REASONS.values():
        assert reason.meaning
        assert reason.action
        assert reason.verdict in ORDER
