"""Synthetic calibrator recordings on disk and the needs of the job that measures them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import soundfile

from tapeline.campaign.plan import Channel, Source, picked
from tapeline.campaign.setting_sections import Calibration
from tapeline.jobs.calibrate import CalibrateLimits, CalibrateNeeds, CalibratorCheck
from tapeline.jobs.calibrate.run import check_rows

Wave = Callable[[int, np.ndarray, np.ndarray], np.ndarray]

FULL_SCALE_V = 10.0
GAIN_DB = 20.0
SENSITIVITIES_V_PER_PA = (0.0100, 0.0121, 0.0083, 0.0100)
"""What the sensors really give; the chart says 0.0100 of all."""


def recorded(
    path: Path,
    applications: list[tuple[int, float, float]],
    *,
    rate: float = 12_800.0,
    hz: float = 1000.0,
    level_db: float = 94.0,
    noise_pa: float = 0.002,
    seconds: float = 12.0,
    leak_db: float = -30.0,
    channels: int = 4,
    extra_gain_db: Mapping[int, float] = MappingProxyType({}),
    wave: Wave | None = None,
    hum_db: Mapping[int, float] = MappingProxyType({}),
    subtype: str = "PCM_24",
) -> None:
    """Write applications (channel, start_s, stop_s) of steady tone, ramps, thumps, leakage and noise.

    `extra_gain_db` is gain that no table knows of; `wave` changes an application's tone, from its number, the time
    since its start and the tone; `hum_db` is a tone that never stops on a channel, against the calibrator's.
    """
    random = np.random.default_rng(17)
    time = np.arange(int(seconds * rate)) / rate
    pascal = noise_pa * random.normal(size=(channels, time.size))
    amplitude = 2e-5 * 10 ** (level_db / 20) * np.sqrt(2.0)
    for number, (channel, start, stop) in enumerate(applications):
        rise = np.clip((time - start + 0.1) / 0.1, 0.0, 1.0) * np.clip((stop + 0.1 - time) / 0.1, 0.0, 1.0)
        tone = amplitude * rise * np.sin(2 * np.pi * hz * time + channel)
        if wave is not None:
            tone = wave(number, time - start, tone)
        pascal[channel] += tone
        for other in set(range(channels)) - {channel}:
            pascal[other] += tone * 10 ** (leak_db / 20)
        for at in (start - 0.35, stop + 0.35):
            pascal[channel] += 4.0 * np.exp(-(((time - at) / 0.04) ** 2)) * random.normal(size=time.size)
    for channel, decibels in hum_db.items():
        pascal[channel] += amplitude * 10 ** (decibels / 20) * np.sin(2 * np.pi * hz * time)
    volts = pascal * np.array(SENSITIVITIES_V_PER_PA[:channels])[:, None] * 10 ** (GAIN_DB / 20)
    for channel, decibels in extra_gain_db.items():
        volts[channel] *= 10 ** (decibels / 20)
    soundfile.write(path, np.clip(volts / FULL_SCALE_V, -1.0, 1.0 - 2.0**-23).T, int(rate), subtype=subtype)


def channel(number: int, **changes: Any) -> Channel:
    """A fitted channel, numbered from 1."""
    values: dict[str, Any] = {
        "channel": number,
        "position": f"p{number}",
        "sensor": f"s{number}",
        "mount": None,
        "unit": "V",
        "full_scale_v": FULL_SCALE_V,
        "gain_db": GAIN_DB,
        "polarity": 1,
        "sensitivity_v_per_pa": 0.01,
        "sensitivity_uncertainty_db": None,
        "chart_hz": (),
        "chart_db": (),
    }
    return Channel(**(values | changes))


def rows_of(
    path: Path, positions: tuple[str, ...] = (), channels: tuple[Channel, ...] = (), **check: Any
) -> dict[str, dict[str, Any]]:
    """Rows of the checks table by position; settings as their defaults are."""
    source = Source("cal1", (path.name,), None, check.pop("start_s", None), check.pop("stop_s", None), None)
    values: dict[str, Any] = {
        "source": source,
        "stage": "before",
        "positions": positions,
        "calibrator": "c1",
        "closed_coupler": False,
        "level_db": 94.0,
        "frequency_hz": 1000.0,
        "level_uncertainty_db": 0.1,
        "adapter_correction_db": 0.0,
        "adapter_uncertainty_db": None,
        "static_pressure_hpa": None,
    }
    made = CalibratorCheck(**(values | check))
    fitted = channels or tuple(channel(number) for number in range(1, 5))
    limits = picked(CalibrateLimits, Calibration())
    calibrators = (("c1", made.frequency_hz), ("other", 1000.0 if made.frequency_hz < 500.0 else 250.0))
    needs = CalibrateNeeds("c", "april", (made,), fitted, calibrators, limits)
    return {row["position"]: row for row in check_rows(path.parent, needs, made)[0]}
