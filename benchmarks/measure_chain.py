"""Speed and memory of the per-recording jobs beside a plain script of the task, in one run; writes docs/benchmarks.md.

The plain script reads the whole file with soundfile, scales it and calls scipy.signal.welch: no checks, no streaming.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile

import measure_calibration
from measured_command import measured

ROOT = Path(__file__).resolve().parents[1]
RATE_HZ, CHANNELS, SECONDS = 51_200, 32, 60

PLAIN = """
import sys, numpy, scipy.signal, soundfile
samples, rate = soundfile.read(sys.argv[1], dtype="float32")
f, psd = scipy.signal.welch(samples.T * 3.0, rate, "hann", 10240, 5120, detrend=False)
numpy.save(sys.argv[2], psd.astype("float32"))
"""

UNCHECKED = """
import pathlib
from tapeline.acoustics.stream_checks import StreamChecks
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.steps import pressure
check = StreamChecks.add
def first_block_only(self, samples):
    if self.moments.frames == 0:
        check(self, samples)
StreamChecks.add = first_block_only
pressure.run(Plan(load_campaign(pathlib.Path("."), check=False)), "r1")
"""
NOTHING = "import tapeline.campaign.load, tapeline.campaign.plan, tapeline.steps.pressure"

CAMPAIGN = """campaign: bench
conditions: {open: {applied: []}}
spectra: {resolution_hz: 5.0}
"""


def write_campaign(folder: Path) -> None:
    """One synthetic recording of noise and its tables."""
    (folder / "config").mkdir(parents=True)
    (folder / "recordings").mkdir()
    noise = np.random.default_rng(1).normal(0.0, 0.1, (RATE_HZ * SECONDS, CHANNELS)).astype(np.float32)
    soundfile.write(folder / "recordings" / "r1.wav", noise, RATE_HZ, subtype="PCM_24")
    files = {
        "campaign.yaml": CAMPAIGN,
        "runs.csv": "run,recording,kind,session,condition,speed_mps\nr1,r1.wav,measurement,s,open,30\n",
        "positions.csv": "position\n" + "".join(f"p{c}\n" for c in range(CHANNELS)),
        "fittings.csv": "session,channel,position,sensor,full_scale_v\n"
        + "".join(f"s,{c + 1},p{c},m{c},10\n" for c in range(CHANNELS)),
        "sensors.csv": "sensor,sensitivity_mv_per_pa\n" + "".join(f"m{c},5\n" for c in range(CHANNELS)),
        "calibrators.csv": "calibrator,kind,level_db,frequency_hz\n",
    }
    for name, text in files.items():
        (folder / "config" / name).write_text(text, encoding="utf-8")


def main() -> None:
    """Run the bench and write the page."""
    tapeline = str(Path(sys.executable).parent / "tapeline")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # In a process of its own: a child's peak memory starts from what its parent holds.
        subprocess.run([sys.executable, __file__, "--write", name], check=True)
        measured([tapeline, "calibrate", "s"], folder)
        rows = {
            "plain script (read, scale, Welch)": measured(
                [sys.executable, "-c", PLAIN, "recordings/r1.wav", "plain.npy"], folder
            ),
            "`tapeline pressure`": measured([tapeline, "pressure", "r1"], folder),
            "`tapeline spectra`": measured([tapeline, "spectra", "r1"], folder),
        }
        unchecked, start = (
            min(measured([sys.executable, "-c", code], folder)[0] for _ in range(3)) for code in (UNCHECKED, NOTHING)
        )
        checked = min(measured([tapeline, "pressure", "r1"], folder)[0] for _ in range(3))
    plain = next(iter(rows.values()))[0]
    lines = [
        "# Benchmarks",
        "",
        f"`make bench`, one run: {CHANNELS} channels x {SECONDS} s at {RATE_HZ} Hz, 24-bit WAV (synthetic noise), one "
        f"thread a process; {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}.",
        "",
        "| job | wall s | ratio to the plain script | peak MiB |",
        "|---|---|---|---|",
    ]
    lines += [f"| {job} | {wall:.2f} | {wall / plain:.2f} | {peak:.0f} |" for job, (wall, peak) in rows.items()]
    lines += [
        "",
        "The plain script holds the whole recording; the jobs stream it, and do calibration, checks and history too.",
        f"The checks of every channel add {(checked - unchecked) / (unchecked - start):.0%} to reading and writing in "
        "`tapeline pressure` (best of three, the interpreter's start taken off).",
        "",
        *measure_calibration.section(),
    ]
    page = ROOT / "docs" / "benchmarks.md"
    page.write_text("\n".join(lines) + "\n", encoding="utf-8")
    sys.stdout.write(page.read_text(encoding="utf-8"))


if __name__ == "__main__":
    if sys.argv[1:2] == ["--write"]:
        write_campaign(Path(sys.argv[2]))
    else:
        main()
