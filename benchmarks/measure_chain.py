"""Speed of the job on a recording beside plain scripts of the task, in one run; writes docs/benchmarks.md.

The plain scripts lie beside this file. They do no checks and give no histories.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import tempfile
from pathlib import Path

import bench_campaign
import measure_calibration
import measure_campaigns
import measure_cross_spectra
import measure_memory
import measure_pressure_file
import measure_report
import measure_spectra_kernel
import measure_start
from bench_campaign import CHANNELS, RATE_HZ
from measured_command import Measured, measured

HERE = Path(__file__).resolve().parent
SECONDS, TAKES = 60, 3

UNCHECKED = """
import pathlib
from tapeline.acoustics.stream_checks import StreamChecks
from tapeline.campaign.load import load_campaign
from tapeline.campaign.plan import Plan
from tapeline.jobs.spectra import run as spectra
check = StreamChecks.add
def first_block_only(self, samples):
    if self.moments.frames == 0:
        check(self, samples)
StreamChecks.add = first_block_only
spectra.run(Plan(load_campaign(pathlib.Path("."), check=False)), "r1")
"""
NOTHING = "import tapeline.campaign.load, tapeline.campaign.plan, tapeline.jobs.spectra.run"

PLAIN, LOOP, SPECTRA = "plain script", "plain script, best form", "`tapeline spectra`"
LEAST = {PLAIN: 6.0, LOOP: 2.2}
"""How many times less processor time the job is to take."""


def chain_rows(folder: Path) -> dict[str, Measured]:
    """The shortest of some takes of each job, taken in turn."""
    tapeline = str(Path(sys.executable).parent / "tapeline")
    commands = {
        PLAIN: [sys.executable, str(HERE / "plain_script.py"), "recordings/r1.wav", "plain.npy"],
        LOOP: [sys.executable, str(HERE / "plain_loop_script.py"), "recordings/r1.wav", "plain.npy"],
        SPECTRA: [tapeline, "spectra", "r1"],
    }
    best: dict[str, Measured] = {}
    for _ in range(TAKES):
        for name, command in commands.items():
            found = measured(command, folder)
            best[name] = min(best.get(name, found), found)
    return best


def main() -> None:
    """Run the bench and write the page."""
    tapeline = str(Path(sys.executable).parent / "tapeline")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # In a process of its own: a child's peak memory starts from what its parent holds.
        subprocess.run([sys.executable, bench_campaign.__file__, name, str(SECONDS)], check=True)
        measured([tapeline, "calibrate", "s"], folder)
        rows = chain_rows(folder)
        unchecked, start, checked = (
            min(measured(command, folder).cpu_s for _ in range(TAKES))
            for command in (
                [sys.executable, "-c", UNCHECKED],
                [sys.executable, "-c", NOTHING],
                [tapeline, "spectra", "r1"],
            )
        )
    samples = CHANNELS * RATE_HZ * SECONDS / 1e6
    lines = [
        "# Benchmarks",
        "",
        f"`make bench`, one run: {CHANNELS} channels x {SECONDS} s at {RATE_HZ} Hz, 24-bit WAV (synthetic noise), one "
        f"thread a process, best of {TAKES} in turn; {platform.machine()}, {os.cpu_count()} cores, "
        f"Python {platform.python_version()}.",
        "",
        "| job | wall s | CPU s | million samples a CPU second | plain script's wall / CPU time over it | "
        "best plain form's | peak MiB |",
        "|---|---|---|---|---|---|---|",
    ]
    plain, loop = rows[PLAIN], rows[LOOP]
    lines += [
        f"| {job} | {m.wall_s:.2f} | {m.cpu_s:.2f} | {samples / m.cpu_s:.0f} | "
        f"{plain.wall_s / m.wall_s:.1f} / {plain.cpu_s / m.cpu_s:.1f} | "
        f"{loop.wall_s / m.wall_s:.1f} / {loop.cpu_s / m.cpu_s:.1f} | {m.peak_mib:.0f} |"
        for job, m in rows.items()
    ]
    lines += [
        "",
        *(
            f"`tapeline spectra` takes {rows[name].cpu_s / rows[SPECTRA].cpu_s:.1f} times less processor time than the "
            f"{name} (at least {least:g}: {'holds' if rows[name].cpu_s >= least * rows[SPECTRA].cpu_s else 'MISSED'})."
            for name, least in LEAST.items()
        ),
        "The plain scripts (benchmarks/plain_script.py, benchmarks/plain_loop_script.py) hold the whole recording and "
        "give band levels alone. The job streams it twice, and also takes checksums, checks every channel, and gives "
        "weighted histories with F and S.",
        f"The checks of every channel add {(checked - unchecked) / (unchecked - start):.0%} to the rest of its work "
        f"(processor time, best of {TAKES}, the interpreter's start subtracted).",
    ]
    modules = (
        measure_campaigns,
        measure_start,
        measure_spectra_kernel,
        measure_memory,
        measure_pressure_file,
        measure_cross_spectra,
        measure_calibration,
        measure_report,
    )
    for module in modules:
        lines += ["", *module.section()]
    page = HERE.parent / "docs" / "benchmarks.md"
    page.write_text("\n".join(lines) + "\n", encoding="utf-8")
    sys.stdout.write(page.read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
