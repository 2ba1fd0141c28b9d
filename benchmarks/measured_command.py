"""Running one command and reading its time and peak memory."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from pathlib import Path
from subprocess import DEVNULL, Popen


@dataclass(frozen=True, order=True)
class Measured:
    """Wall and processor seconds (user and system) of one command, and its peak resident memory."""

    wall_s: float
    cpu_s: float
    peak_mib: float


def measured(command: list[str], folder: Path, statuses: tuple[int, ...] = (0,)) -> Measured:
    """One command, one thread a process, all its processes counted; ends the bench with another exit status."""
    start = time.perf_counter()
    limits = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    # Modules are compiled once, as where the package is installed, not at each start.
    limits.pop("PYTHONDONTWRITEBYTECODE", None)
    process = Popen(command, cwd=folder, env=limits, stdout=DEVNULL, stderr=DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    if os.waitstatus_to_exitcode(status) not in statuses:
        raise SystemExit(f"{command} failed")
    wall = time.perf_counter() - start
    return Measured(wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024.0)
