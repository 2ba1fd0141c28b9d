"""A campaign of one session (synthetic): calibrator recordings before and after, backgrounds, a seam open and taped."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

FULL_SCALE_V, VOLTS_PER_PASCAL, TONE_DB, TONE_HZ = 10.0, 0.005, 114.0, 250.0
SPEEDS_KMH = (100, 120, 140)
REDUCTION_DB = {"open": 0.0, "taped": 6.0}
BACKGROUND_DB = -12.0
AT_ONCE = 4
"""Positions that follow each other in one calibrator recording."""

SETTINGS = """campaign: seam
title: One seam, open and taped (synthetic data)
conditions:
  open: {title: Seam open, applied: []}
  taped: {title: Seam taped, applied: [tape]}
comparisons:
  tape: {reference: open, treatment: taped}
spectra: {resolution_hz: 5.0}
bands: {range_hz: [100, 8000]}
overall:
  - {weighting: A, range_hz: [100, 8000]}
"""


def measured(count: int) -> Iterator[tuple[str, str, str, int]]:
    """Name, kind, condition and speed of so many recordings: a third of a dozen backgrounds, then repeats in turn."""
    for number in range(count):
        speed = SPEEDS_KMH[number % len(SPEEDS_KMH)]
        if number < 2 * len(SPEEDS_KMH):
            yield f"b{number:03d}", "background", "", speed
        else:
            yield f"m{number:03d}", "measurement", list(REDUCTION_DB)[number // len(SPEEDS_KMH) % 2], speed


def write_campaign(folder: Path, channels: int, rate_hz: int, seconds: int, recordings: int, checks: bool) -> None:
    """24-bit WAV files and the tables; the same bytes every time."""
    for name in ("config", "recordings"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    random = np.random.default_rng(11)
    noise = _falling_noise(random, 3 * rate_hz, channels)
    rows = list(_calibrations(folder, channels, rate_hz, random, "before")) if checks else []
    for number, (name, kind, condition, speed) in enumerate(measured(recordings)):
        level_db = 55.0 * np.log10(speed / 120.0) + random.normal(0.0, 0.2, channels)
        level_db += BACKGROUND_DB if not condition else -REDUCTION_DB[condition] * np.linspace(1.0, 0.0, channels)
        gains = (10.0 ** (level_db / 20.0) / FULL_SCALE_V).astype(np.float32)
        with soundfile.SoundFile(folder / "recordings" / f"{name}.wav", "w", rate_hz, channels, "PCM_24") as file:
            start = int(random.integers(noise.shape[0]))
            for second in range(seconds):
                at = np.arange(start + second * rate_hz, start + (second + 1) * rate_hz)
                file.write(noise.take(at, axis=0, mode="wrap") * gains)
        time = f"2026-04-14T{9 + number // 60:02d}:{number % 60:02d}:00"
        rows.append(f"{name},{name}.wav,{kind},s,{condition},{speed},20,1000,{time},,,")
    rows += list(_calibrations(folder, channels, rate_hz, random, "after")) if checks else []
    names = [f"p{c + 1:02d}" for c in range(channels)]
    files = {
        "campaign.yaml": SETTINGS,
        "runs.csv": "run,recording,kind,session,condition,speed_kmh,temperature_c,static_pressure_hpa,recorded_at,"
        "calibrator,stage,positions\n" + "".join(f"{row}\n" for row in rows),
        "positions.csv": "position,x_m,y_m,z_m,area\n"
        + "".join(f"{n},{0.3 * (c // 2):.1f},{0.9 * (-1) ** c},1.2,seam\n" for c, n in enumerate(names)),
        "fittings.csv": "session,channel,position,sensor,full_scale_v\n"
        + "".join(f"s,{c + 1},{n},m{n},{FULL_SCALE_V:g}\n" for c, n in enumerate(names)),
        "sensors.csv": "sensor,sensitivity_mv_per_pa\n" + "".join(f"m{n},{1000 * VOLTS_PER_PASCAL:g}\n" for n in names),
        "calibrators.csv": f"calibrator,kind,level_db,frequency_hz\ncoupler,feedback,{TONE_DB:g},{TONE_HZ:g}\n",
    }
    for name, text in files.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")


def _calibrations(folder: Path, channels: int, rate_hz: int, random: np.random.Generator, stage: str) -> Iterator[str]:
    """Rows of recordings in which the calibrator is applied to some positions, 4 s each; written on the way."""
    hour = 8 if stage == "before" else 18
    tone = 2e-5 * 10.0 ** (TONE_DB / 20.0) * np.sqrt(2.0) * VOLTS_PER_PASCAL / FULL_SCALE_V
    for first in range(0, channels, AT_ONCE):
        chosen = range(first, min(first + AT_ONCE, channels))
        samples = random.normal(0.0, 2e-5, (rate_hz * (5 * len(chosen) + 1), channels)).astype(np.float32)
        for turn, channel in enumerate(chosen):
            at = np.arange(rate_hz * (1 + 5 * turn), rate_hz * (5 + 5 * turn))
            samples[at, channel] += (tone * np.sin(2.0 * np.pi * TONE_HZ * at / rate_hz)).astype(np.float32)
        name = f"{stage}-{first // AT_ONCE + 1}"
        soundfile.write(folder / "recordings" / f"{name}.wav", samples, rate_hz, subtype="PCM_24")
        places = " ".join(f"p{c + 1:02d}" for c in chosen)
        yield f"{name},{name}.wav,calibration,s,,,20,1000,2026-04-14T{hour:02d}:{first:02d}:00,coupler,{stage},{places}"


def _falling_noise(random: np.random.Generator, frames: int, channels: int) -> NDArray[np.float32]:
    """Noise in volts that falls with frequency, some 100 dB in all, all channels of their own."""
    lines = np.fft.rfftfreq(frames)
    shape = 1.0 / np.maximum(lines, 1e-3)
    made = np.empty((frames, channels), dtype=np.float32)
    for channel in range(channels):
        phases = np.exp(2j * np.pi * random.random(lines.size))
        wave = np.fft.irfft(shape * phases, frames)
        made[:, channel] = wave / wave.std() * (2e-5 * 10.0 ** (100.0 / 20.0) * VOLTS_PER_PASCAL)
    return made


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--channels", type=int, default=8)
    parser.add_argument("--rate", type=int, default=32_000)
    parser.add_argument("--seconds", type=int, default=20)
    parser.add_argument("--recordings", type=int, default=26)
    parser.add_argument("--no-checks", action="store_true")
    given = parser.parse_args()
    write_campaign(given.folder, given.channels, given.rate, given.seconds, given.recordings, not given.no_checks)
