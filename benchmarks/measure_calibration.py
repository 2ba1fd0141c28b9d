"""Speed and memory of `tapeline calibrate` on calibrator recordings of 64 channels, one minute and ten minutes long."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

from measured_command import measured

RATE_HZ, CHANNELS = 51_200, 64
LENGTHS_S = (60, 600)
TURN_S = LENGTHS_S[-1] / CHANNELS
TABLES = {
    "campaign.yaml": "campaign: bench\nconditions: {open: {applied: []}}\n",
    "runs.csv": "run,recording,kind,session,calibrator,stage\nc1,c1.wav,calibration,s,speaker,before\n",
    "positions.csv": "position\n" + "".join(f"p{c}\n" for c in range(CHANNELS)),
    "fittings.csv": "session,channel,position,sensor,full_scale_v\n"
    + "".join(f"s,{c + 1},p{c},m{c},10\n" for c in range(CHANNELS)),
    "sensors.csv": "sensor,sensitivity_mv_per_pa\n" + "".join(f"m{c},50\n" for c in range(CHANNELS)),
    "calibrators.csv": "calibrator,kind,level_db,frequency_hz\nspeaker,feedback,94,1000\n",
}


def write_campaign(folder: Path, seconds: int) -> None:
    """Channels calibrated in turn (synthetic) as far as the time lasts, written second by second."""
    (folder / "config").mkdir(parents=True)
    (folder / "recordings").mkdir()
    for name, text in TABLES.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")
    noise = np.random.default_rng(1).normal(0.0, 2e-5, (RATE_HZ, CHANNELS)).astype(np.float32)
    with soundfile.SoundFile(folder / "recordings" / "c1.wav", "w", RATE_HZ, CHANNELS, subtype="PCM_16") as file:
        for second in range(seconds):
            time = second + np.arange(RATE_HZ) / RATE_HZ
            tone = 0.005 * np.sqrt(2.0) * np.sin(2.0 * np.pi * 1001.3 * time)
            now = np.minimum((time / TURN_S).astype(int), CHANNELS - 1)
            on = (np.mod(time, TURN_S) > 0.1 * TURN_S) & (np.mod(time, TURN_S) < 0.9 * TURN_S)
            samples = noise + 0.01 * tone[:, None].astype(np.float32)
            samples[np.arange(RATE_HZ), now] += (tone * on).astype(np.float32)
            file.write(samples)


def section() -> list[str]:
    """The lines of the page."""
    tapeline = str(Path(sys.executable).parent / "tapeline")
    rows = {}
    for seconds in LENGTHS_S:
        with tempfile.TemporaryDirectory() as name:
            # In a process of its own: a child's peak memory starts from what its parent holds.
            subprocess.run([sys.executable, __file__, name, str(seconds)], check=True)
            rows[seconds] = measured([tapeline, "calibrate", "s"], Path(name))
    first, last = (rows[seconds] for seconds in LENGTHS_S)
    lines = [
        f"Calibrator recordings: {CHANNELS} channels at {RATE_HZ} Hz, 16-bit WAV, an application every {TURN_S:.1f} s "
        "(synthetic).",
        "",
        "| `tapeline calibrate` | wall s | ratio to one minute | peak MiB |",
        "|---|---|---|---|",
    ]
    lines += [
        f"| {seconds} s | {m.wall_s:.1f} | {m.wall_s / first.wall_s:.1f} | {m.peak_mib:.0f} |"
        for seconds, m in rows.items()
    ]
    return [*lines, "", f"Ten times the length takes {last.peak_mib / first.peak_mib:.2f} times the memory."]


if __name__ == "__main__":
    write_campaign(Path(sys.argv[1]), int(sys.argv[2]))
