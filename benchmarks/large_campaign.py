"""A campaign of some 200 runs with 64 positions (synthetic): two sessions, four conditions, three speeds, repeats."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy import signal

RATE_HZ, CHANNELS, SECONDS, FULL_SCALE_V, VOLTS_PER_PASCAL = 12_800, 64, 4, 10.0, 0.005
SPEEDS_KMH, REPEATS, SESSIONS = (100, 120, 140), 8, ("april", "may")
REDUCTION_DB = {"open": 0.0, "sealed": 6.0, "front": 2.5, "filled": 0.3}
BACKGROUND_DB = -12.0

RUN_COLUMNS = "run,recording,kind,session,condition,speed_kmh,yaw_deg,temperature_c,static_pressure_hpa,recorded_at"

SETTINGS = """campaign: large
title: Camper van, 64 positions (synthetic data)
axes: x rearward, y to the right, z up
reference_condition: open
conditions:
  open: {title: Roof seam open, applied: []}
  sealed: {title: Roof seam taped all along, applied: [front, rear]}
  front: {title: Front half taped, applied: [front]}
  filled: {title: Seam filled, applied: [filler]}
comparisons:
  whole-seam: {reference: open, treatment: sealed}
  front-part: {reference: open, treatment: front}
  filler: {reference: open, treatment: filled}
spectra: {resolution_hz: 5.0}
bands: {range_hz: [100, 4000]}
overall:
  - {weighting: A, range_hz: [100, 4000]}
  - {weighting: Z, range_hz: [100, 4000]}
"""


def runs() -> Iterator[tuple[str, str, str, str, int]]:
    """Name, kind, session, condition and speed of every run, backgrounds before the measurements of a speed."""
    for session in SESSIONS:
        for speed in SPEEDS_KMH:
            for number in range(2):
                yield f"{session}-b{speed}-{number}", "background", session, "", speed
            for number in range(REPEATS):
                for condition in REDUCTION_DB:
                    yield f"{session}-{condition}-{speed}-{number}", "measurement", session, condition, speed


def write_campaign(folder: Path) -> None:
    """Recordings of 16 bits and the tables of the campaign; the same bytes every time."""
    (folder / "config").mkdir(parents=True, exist_ok=True)
    (folder / "recordings").mkdir(exist_ok=True)
    random = np.random.default_rng(7)
    pool = _pool(random)
    every = list(runs())
    for name, _, _, condition, speed in every:
        start = int(random.integers(pool.shape[0] - RATE_HZ * SECONDS))
        level_db = 55.0 * np.log10(speed / 120.0) + random.normal(0.0, 0.2, CHANNELS)
        level_db += BACKGROUND_DB if not condition else -REDUCTION_DB[condition] * np.linspace(1.5, 0.0, CHANNELS)
        volts = pool[start : start + RATE_HZ * SECONDS] * 10.0 ** (level_db / 20.0)
        soundfile.write(folder / "recordings" / f"{name}.wav", volts / FULL_SCALE_V, RATE_HZ, subtype="PCM_16")
    files = {
        "campaign.yaml": SETTINGS,
        "runs.csv": f"{RUN_COLUMNS}\n"
        + "".join(
            f"{name},{name}.wav,{kind},{session},{condition},{speed},0,20,1000,{_time(session, number)}\n"
            for number, (name, kind, session, condition, speed) in enumerate(every)
        ),
        "positions.csv": "position,x_m,y_m,z_m,area\n"
        + "".join(
            f"p{c + 1:02d},{0.3 * (c // 4):.2f},{0.9 * (-1) ** c},{1.2 + 0.4 * (c % 3):.1f},"
            f"{('seam', 'recess', 'ladder', 'panel')[c % 4]}\n"
            for c in range(CHANNELS)
        ),
        "fittings.csv": "session,channel,position,sensor,full_scale_v\n"
        + "".join(
            f"{session},{c + 1},p{c + 1:02d},m{c + 1:02d},{FULL_SCALE_V:g}\n"
            for session in SESSIONS
            for c in range(CHANNELS)
        ),
        "sensors.csv": "sensor,sensitivity_mv_per_pa\n"
        + "".join(f"m{c + 1:02d},{1000 * VOLTS_PER_PASCAL:g}\n" for c in range(CHANNELS)),
        "calibrators.csv": "calibrator,kind,level_db,frequency_hz\n",
    }
    for name, text in files.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")


def _time(session: str, number: int) -> str:
    return f"2026-0{4 + SESSIONS.index(session)}-14T{8 + number // 60 % 12:02d}:{number % 60:02d}:00"


def _pool(random: np.random.Generator) -> NDArray[np.float64]:
    """Twelve seconds of noise in volts that falls with frequency, some 95 dB in all, all channels of their own."""
    white = random.normal(0.0, 1.0, (RATE_HZ * 3 * SECONDS, CHANNELS))
    falling = signal.lfilter([1.0], [1.0, -0.7], white, axis=0)
    scale = 2e-5 * 10.0 ** (95.0 / 20.0) * VOLTS_PER_PASCAL / falling.std()
    return np.asarray(falling * scale)


if __name__ == "__main__":
    write_campaign(Path(sys.argv[1]))
