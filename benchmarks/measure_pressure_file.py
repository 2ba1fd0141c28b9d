"""Writing and reading pressure files beside plain writing, reading and copying through the disk's cache."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tapeline.store.arrow_file import PressureFile, writing

CHANNELS, BLOCK_FRAMES, BLOCKS, TAKES = 64, 16_384, 120, 4


def section() -> list[str]:
    """Lines for the page, measured in a process of its own."""
    done = subprocess.run([sys.executable, __file__], check=True, capture_output=True, text=True)
    return done.stdout.splitlines()


def measured_lines() -> list[str]:
    """Run it, in turn, the best of some takes each."""
    block = np.random.default_rng(1).normal(size=(CHANNELS, BLOCK_FRAMES)).astype(np.float32)
    raw, names = block.tobytes(), [f"p{i}" for i in range(CHANNELS)]
    with tempfile.TemporaryDirectory() as folder:
        plain, copied, ours = (Path(folder) / name for name in ("plain.bin", "copied.bin", "pressure.arrow"))

        def write_plain() -> None:
            with plain.open("wb", buffering=0) as stream:
                for _ in range(BLOCKS):
                    stream.write(raw)

        def write_ours() -> None:
            with writing(ours, names, 51_200.0, {}) as writer:
                for _ in range(BLOCKS):
                    writer.write(block)

        def read_plain() -> None:
            with plain.open("rb", buffering=0) as stream:
                while stream.read(len(raw)):
                    pass

        def read_ours() -> None:
            for _ in PressureFile(ours).blocks():
                pass

        def copy_plain() -> None:
            with plain.open("rb", buffering=0) as source, copied.open("wb", buffering=0) as target:
                while part := source.read(len(raw)):
                    target.write(part)

        works: dict[str, Callable[[], None]] = {
            "plain writing": write_plain,
            "plain reading": read_plain,
            "plain copying": copy_plain,
            "writing pressure": write_ours,
            "reading pressure": read_ours,
        }
        best = dict.fromkeys(works, float("inf"))
        for _ in range(TAKES):
            for path in (plain, ours, copied):
                path.unlink(missing_ok=True)
            for name, work in works.items():
                start = time.perf_counter()
                work()
                best[name] = min(best[name], time.perf_counter() - start)
    size, copy = len(raw) * BLOCKS / 1e6, best["plain copying"]
    return [
        f"Pressure files: {CHANNELS} channels, {size:.0f} MB through the disk's cache, best of {TAKES} in turn.",
        "",
        "| work | MB a second | ratio to plain copying |",
        "|---|---|---|",
        *(f"| {name} | {size / seconds:.0f} | {copy / seconds:.2f} |" for name, seconds in best.items()),
    ]


if __name__ == "__main__":
    print("\n".join(measured_lines()))
