"""A campaign from nothing to the report beside a plain script of the same task, in turn; a section of the page."""

from __future__ import annotations

import os
import platform
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import seam_campaign
from measured_command import Measured, measured

HERE = Path(__file__).resolve().parent
CORES = 2
CAMPAIGNS = (
    ("26 recordings of 8 channels x 20 s at 32 kHz, 4 calibrator recordings", (), (), 3, 1.2, 2.0),
    (
        "54 recordings of 64 channels x 10 s at 51.2 kHz (the script without differences and figures)",
        ("--channels", "64", "--rate", "51200", "--seconds", "10", "--recordings", "54", "--no-checks"),
        ("--no-figures",),
        1,
        0.35,
        0.7,
    ),
)
"""What is measured, how it is written, what is asked of the script, takes, most wall and processor time over it."""


def section() -> list[str]:
    """Lines of Markdown; a ratio above its limit is said to be missed."""
    lines = [
        f"A campaign from nothing to the report: `tapeline run --cores {CORES}` beside benchmarks/plain_campaign.py, "
        "the best take of each, in turn, files in the cache (synthetic); "
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}. "
        "The script is one process and checks nothing.",
        "",
        "| campaign | takes | | script s | `tapeline run` s | ratio | at most | |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for words, written, asked, takes, most_wall, most_cpu in CAMPAIGNS:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "campaign"
            subprocess.run([sys.executable, seam_campaign.__file__, str(folder), *written], check=True)
            script, run = _in_turn(folder, asked, takes)
        for kind, ours, plain, most in (
            ("wall", run.wall_s, script.wall_s, most_wall),
            ("processor", run.cpu_s, script.cpu_s, most_cpu),
        ):
            verdict = "holds" if ours <= most * plain else "MISSED"
            lines.append(
                f"| {words} | {takes} | {kind} | {plain:.1f} | {ours:.1f} | {ours / plain:.2f} | {most:g} | {verdict} |"
            )
    return lines


def _in_turn(folder: Path, asked: tuple[str, ...], takes: int) -> tuple[Measured, Measured]:
    tapeline = str(Path(sys.executable).parent / "tapeline")
    plain = [sys.executable, str(HERE / "plain_campaign.py"), str(folder), str(folder.parent / "plain"), *asked]
    taken: list[tuple[Measured, Measured]] = []
    for _ in range(takes):
        for name in ("results", ".snakemake"):
            shutil.rmtree(folder / name, ignore_errors=True)
        taken.append((measured(plain, folder), measured([tapeline, "run", ".", "--cores", str(CORES)], folder)))
    return min(script for script, _ in taken), min(run for _, run in taken)


if __name__ == "__main__":
    sys.stdout.write("\n".join(section()) + "\n")
