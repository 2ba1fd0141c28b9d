"""Synthetic recordings of a day in a wind tunnel: eight channels, a calibrator before and after, two conditions."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ, CHANNELS, FULL_SCALE_V, V_PER_PA = 25_600, 8, 5.0, 0.01
CALIBRATED = (3, 1, 2, 8, 4, 5, 7, 6)
"""Channels from 1, in the order in which the calibrator is applied."""

LEVEL_DB, TONE_HZ = 114.0, 1000.0
MORNING = datetime(2025, 3, 4, 9, 0).timestamp()
OPEN_PA, SEALED_PA, BACKGROUND_PA = 2.0, 1.0, 0.1
DAY: Mapping[str, float | None] = {
    "01_calibrator.wav": None,
    "02_background_100kmh.wav": BACKGROUND_PA,
    "03_open_100kmh.wav": OPEN_PA,
    "04_sealed_100kmh.wav": SEALED_PA,
    "05_open_100kmh.wav": OPEN_PA,
    "06_sealed_100kmh.wav": SEALED_PA,
    "07_background_100kmh.wav": BACKGROUND_PA,
    "08_calibrator.wav": None,
}
"""The rms in pascal of each recording; None: a calibrator's."""


def calibrator(
    hertz: float = TONE_HZ,
    order: tuple[int, ...] = CALIBRATED,
    channels: int = CHANNELS,
    rate_hz: int = RATE_HZ,
    seed: int = 5,
) -> np.ndarray:
    """Pascal of shape (frames, channels): an application of 2 s on each channel in turn, its leak on the others."""
    random = np.random.default_rng(seed)
    time = np.arange(round((1.0 + 3.0 * len(order)) * rate_hz)) / rate_hz
    pascal = 0.003 * random.normal(size=(time.size, channels))
    amplitude = 2e-5 * 10 ** (LEVEL_DB / 20) * np.sqrt(2.0)
    for turn, channel in enumerate(order):
        start = 1.0 + 3.0 * turn
        rise = np.clip((time - start) / 0.1, 0.0, 1.0) * np.clip((start + 2.0 - time) / 0.1, 0.0, 1.0)
        tone = amplitude * rise * np.sin(2.0 * np.pi * hertz * time)
        gains = np.full(channels, 10 ** (-30.0 / 20))
        gains[channel - 1] = 1.0
        pascal += tone[:, None] * gains
    return pascal


def noise(rms_pa: float, seed: int, seconds: float = 5.0, channels: int = CHANNELS) -> np.ndarray:
    """Pascal of shape (frames, channels): white noise."""
    return rms_pa * np.random.default_rng(seed).normal(size=(round(seconds * RATE_HZ), channels))


def write(path: Path, pascal: np.ndarray, ended_s: float | None = None, rate_hz: int = RATE_HZ) -> Path:
    """A 24-bit recording of sensors of 10 mV/Pa, its time set to so many seconds after the morning's begin."""
    path.parent.mkdir(parents=True, exist_ok=True)
    volts = pascal * V_PER_PA
    soundfile.write(path, np.clip(volts / FULL_SCALE_V, -1.0, 1.0 - 2.0**-23), rate_hz, subtype="PCM_24")
    if ended_s is not None:
        os.utime(path, (MORNING + ended_s, MORNING + ended_s))
    return path


def write_day(folder: Path) -> Path:
    """The recordings of the day in `folder`, ten minutes apart."""
    for number, (name, rms_pa) in enumerate(DAY.items()):
        pascal = calibrator(seed=number) if rms_pa is None else noise(rms_pa, number)
        write(folder / name, pascal, 600.0 * (number + 1))
    return folder
