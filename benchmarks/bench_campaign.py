"""A campaign of one synthetic recording of noise, many channels wide."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ, CHANNELS = 51_200, 64

SETTINGS = """campaign: bench
conditions: {open: {applied: []}}
spectra: {resolution_hz: 5.0}
bands: {range_hz: [125, 8000]}
"""


def write_campaign(folder: Path, seconds: int) -> None:
    """24-bit WAV of so many seconds, and the tables; a second of noise again and again."""
    (folder / "config").mkdir(parents=True, exist_ok=True)
    (folder / "recordings").mkdir(exist_ok=True)
    noise = np.random.default_rng(1).normal(0.0, 0.1, (RATE_HZ * min(seconds, 60), CHANNELS)).astype(np.float32)
    with soundfile.SoundFile(folder / "recordings" / "r1.wav", "w", RATE_HZ, CHANNELS, "PCM_24", format="RF64") as file:
        for _ in range(max(1, seconds // 60)):
            file.write(noise)
    files = {
        "campaign.yaml": SETTINGS,
        "runs.csv": "run,recording,kind,session,condition,speed_mps\nr1,r1.wav,measurement,s,open,30\n",
        "positions.csv": "position\n" + "".join(f"p{c}\n" for c in range(CHANNELS)),
        "fittings.csv": "session,channel,position,sensor,full_scale_v\n"
        + "".join(f"s,{c + 1},p{c},m{c},10\n" for c in range(CHANNELS)),
        "sensors.csv": "sensor,sensitivity_mv_per_pa\n" + "".join(f"m{c},5\n" for c in range(CHANNELS)),
        "calibrators.csv": "calibrator,kind,level_db,frequency_hz\n",
    }
    for name, text in files.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    write_campaign(Path(sys.argv[1]), int(sys.argv[2]))
