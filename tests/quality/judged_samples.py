"""Samples of many channels through the streamed checks and the verdicts, with the settings' limits."""

from __future__ import annotations

from collections.abc import Iterable
from types import SimpleNamespace
from typing import Any

import numpy as np

from tapeline.campaign.plan import picked
from tapeline.campaign.setting_sections import Quality
from tapeline.jobs.spectra import StreamQuality
from tapeline.jobs.spectra.channel_quality import channel_measures, stream_checks, verdict_limits
from tapeline.quality.verdicts import ChannelMeasures, Finding, judge


def stream_quality(**changes: Any) -> StreamQuality:
    """The settings that one recording's checks depend on, defaults but for the changes."""
    return picked(StreamQuality, Quality(**changes))


def measures_of(
    parts: Iterable[np.ndarray],
    channels: int,
    rate_hz: float,
    bits: int | None,
    full_scale: float | None,
    pa_per_unit: float,
    quality: StreamQuality,
) -> list[ChannelMeasures]:
    """Measures of channels p0, p1, … whose samples come in parts of shape (channels, frames)."""
    recording: Any = SimpleNamespace(sample_rate_hz=rate_hz, bits=bits, declared_frames=None)
    checks = stream_checks(quality, 50.0, [pa_per_unit] * channels, recording)
    frames = 0
    for part in parts:
        checks.add(part)
        frames += part.shape[1]
    checks.finish()
    names = [f"p{index}" for index in range(channels)]
    scales = [full_scale] * channels
    limit = quality.same_signal_correlation
    return channel_measures(names, [pa_per_unit] * channels, scales, recording, frames, checks, limit)


def judged(
    samples: np.ndarray,
    rate_hz: float = 25_600.0,
    bits: int | None = 16,
    full_scale: float | None = 1.0,
    pa_per_unit: float = 100.0,
    **changes: Any,
) -> list[list[Finding]]:
    """Findings of every channel of samples (channels, frames) in fractions of full scale."""
    quality = stream_quality(**changes)
    x = samples.astype(np.float32)
    parts = np.array_split(x, 7, axis=1)
    measures = measures_of(parts, x.shape[0], rate_hz, bits, full_scale, pa_per_unit, quality)
    return [judge(m, verdict_limits(quality, 50.0)) for m in measures]
