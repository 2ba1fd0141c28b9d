"""Rate of adding blocks to cross-spectra of 64 channels against the plain rate of the linear algebra library."""

from __future__ import annotations

import os
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable

import numpy as np

from tapeline.acoustics.cross_spectra import CrossSpectra

CHANNELS, LINES, BLOCKS = 64, 1000, 16
ROUNDS = 40
OPERATIONS = 8 * CHANNELS * CHANNELS * BLOCKS * LINES
"""Real operations of the full complex matrix product: 8 a channel pair, block and line."""


def best_seconds(works: dict[str, Callable[[], object]]) -> dict[str, float]:
    """The best time of each piece of work, taken in turn so that other load on the machine meets all alike."""
    best = dict.fromkeys(works, np.inf)
    for _ in range(ROUNDS):
        for name, work in works.items():
            start = time.perf_counter()
            work()
            best[name] = min(best[name], time.perf_counter() - start)
    return best


def rates() -> list[str]:
    """The table: adding, and the same product by plain calls in the layouts that suit them best."""
    real, imaginary = np.random.default_rng(1).normal(size=(2, CHANNELS, BLOCKS, LINES)).astype(np.float32)
    lines = (real + 1j * imaginary).astype(np.complex64)
    spectra = CrossSpectra(CHANNELS, 2 * LINES + 2, 1, LINES)
    flat = lines.reshape(CHANNELS, -1)
    turned = np.ascontiguousarray(flat.conj().T)
    left = np.ascontiguousarray(lines.transpose(2, 0, 1).conj())
    right = np.ascontiguousarray(lines.transpose(2, 1, 0))
    one, many = np.empty((CHANNELS, CHANNELS), np.complex64), np.empty((LINES, CHANNELS, CHANNELS), np.complex64)
    add, batch, large, half = (
        "`CrossSpectra.add`",
        f"complex product, {LINES} of {CHANNELS} x {BLOCKS} x {CHANNELS}",
        f"complex product, one of {CHANNELS} x {BLOCKS * LINES} x {CHANNELS}",
        "the same of a matrix with its own transpose, which computes one triangle",
    )
    seconds = best_seconds(
        {
            add: lambda: spectra.add(lines),
            batch: lambda: np.matmul(left, right, out=many),
            large: lambda: np.matmul(flat, turned, out=one),
            half: lambda: np.matmul(flat, flat.T, out=one),
        }
    )
    rows = [
        f"| {name} | {1e3 * wall:.1f} | {OPERATIONS / wall / 1e9:.0f} | {wall / seconds[add]:.2f} |"
        for name, wall in seconds.items()
    ]
    return ["| work | best ms | Gflop/s of the full product | `add`'s rate by its rate |", "|---|---|---|---|", *rows]


def memory() -> str:
    """Memory of 2,000 lines, held and at its highest while blocks are added."""
    lines = np.ones((CHANNELS, BLOCKS, 2 * LINES), dtype=np.complex64)
    tracemalloc.start()
    spectra = CrossSpectra(CHANNELS, 4 * LINES + 2, 1, 2 * LINES)
    spectra.add(lines)
    held, highest = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return f"{CHANNELS} channels and {2 * LINES} lines hold {held / 1e6:.0f} MB, {highest / 1e6:.0f} MB while adding."


def section() -> list[str]:
    """The lines of the page, measured in one process of its own with one thread."""
    limits = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    # The library reads its number of threads as it is loaded: too late in a process that has numpy already.
    command = [sys.executable, __file__, "measure"]
    return subprocess.run(command, env=limits, check=True, stdout=subprocess.PIPE, text=True).stdout.splitlines()


def printed_page() -> list[str]:
    """What the process prints."""
    return [
        f"Cross-spectra: {CHANNELS} channels, {LINES} lines, {BLOCKS} blocks a call, single precision, one thread; "
        f"best of {ROUNDS} rounds, all work in turn in one process. All rates count the "
        f"{OPERATIONS / 1e6:.0f} million real operations of the full complex product; `add` spends half as many, as "
        "the matrix is Hermitian, and rearranges and sums in double precision within its time.",
        "",
        *rates(),
        "",
        memory(),
    ]


if __name__ == "__main__":
    print("\n".join(printed_page() if "measure" in sys.argv[1:] else section()))
