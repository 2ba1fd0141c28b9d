"""Running one command and reading its time and peak memory."""

from __future__ import annotations

import os
import time
from pathlib import Path
from subprocess import Popen


def measured(command: list[str], folder: Path) -> tuple[float, float]:
    """Wall seconds and peak resident memory in MiB of one command, one thread a process."""
    start = time.perf_counter()
    limits = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    process = Popen(command, cwd=folder, env=limits)
    _, status, usage = os.wait4(process.pid, 0)
    if status:
        raise SystemExit(f"{command} failed")
    return time.perf_counter() - start, usage.ru_maxrss / 1024.0
