"""Memory of the job on a recording against the recording's length: files of 10 s and 600 s, and a stream of an hour."""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bench_campaign import CHANNELS, RATE_HZ, write_campaign
from measured_command import measured
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.spectra import needs as spectra_needs
from tapeline.jobs.spectra import run as spectra
from tapeline.store import parquet, tables

LENGTHS_S = (10, 600)
HOUR_S = 3600
BLOCK_FRAMES = 16_384


class Hour:
    """What reads like a calibrated recording of an hour, always the same block."""

    positions = tuple(f"p{c}" for c in range(CHANNELS))
    sample_rate_hz = float(RATE_HZ)
    frames = RATE_HZ * HOUR_S // BLOCK_FRAMES * BLOCK_FRAMES

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """Blocks in order."""
        noise = np.random.default_rng(1).normal(size=(CHANNELS, BLOCK_FRAMES)).astype(np.float32)
        for _ in range(self.frames // BLOCK_FRAMES):
            yield noise


def peak_of_an_hour(folder: Path) -> float:
    """Peak MiB of this process after the spectra and histories of an hour, in a campaign written before."""
    plan = Plan(load_campaign(folder, check=False))
    source = Hour()
    quality = [{"mean_pa": 0.0, "frames": source.frames, "spike_times_s": []} for _ in source.positions]
    with parquet.writing_parts(tables.HISTORY, folder / "hour.parquet", campaign="bench", digest="") as history:
        spectra._measure(folder, source, spectra_needs(plan, "r1"), quality, history)  # type: ignore[arg-type]
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def section() -> list[str]:
    """Lines for the page."""
    tapeline = str(Path(sys.executable).parent / "tapeline")
    rows = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for seconds in LENGTHS_S:
            # In a process of its own: a child's peak memory starts from what its parent holds.
            subprocess.run([sys.executable, write_campaign.__code__.co_filename, name, str(seconds)], check=True)
            measured([tapeline, "calibrate", "s"], folder)
            rows.append(f"| {seconds} s | {measured([tapeline, 'spectra', 'r1'], folder).peak_mib:.0f} |")
        done = subprocess.run([sys.executable, __file__, name], check=True, capture_output=True, text=True)
        rows.append(f"| {HOUR_S} s, streamed from memory | {float(done.stdout):.0f} |")
    return [
        f"Memory: {CHANNELS} channels at {RATE_HZ} Hz, peak MiB of the whole process.",
        "",
        "| length | `tapeline spectra` |",
        "|---|---|",
        *rows,
    ]


if __name__ == "__main__":
    print(peak_of_an_hour(Path(sys.argv[1])))
