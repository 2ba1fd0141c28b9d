"""How near the averaging comes to the transforms alone, what the history and a filter bank add; one process."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np
import scipy.fft

from tapeline.acoustics.averaged_spectra import AveragedSpectrum
from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.filter_bank import FilterBank
from tapeline.acoustics.history import WeightedHistory
from tapeline.acoustics.short_time_spectra import BLOCKS_A_CALL, ShortTimeSpectra, SpectrumConsumer
from tapeline.acoustics.windows import window

RATE_HZ, CHANNELS, FRAMES, SECONDS = 51_200, 64, 10_240, 12
TAKES = 5


def section() -> list[str]:
    """Lines for the page, measured in a process with one thread."""
    done = subprocess.run([sys.executable, __file__], check=True, capture_output=True, text=True)
    return done.stdout.splitlines()


def best_s(work: Callable[[], None]) -> float:
    """Shortest of some takes."""
    taken = []
    for _ in range(TAKES):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return min(taken)


def measured_lines() -> list[str]:
    """Run it."""
    samples = np.random.default_rng(1).normal(size=(CHANNELS, RATE_HZ * SECONDS)).astype(np.float32)
    shape, hop, million = window("hann", FRAMES), FRAMES // 2, samples.size / 1e6
    magnitude = np.zeros((2, CHANNELS, FRAMES // 2 + 1), dtype=np.float32)
    magnitude[..., 5:1784] = 1.0

    def stream(*takers: SpectrumConsumer) -> None:
        blocks = ShortTimeSpectra(shape, hop, np.zeros(CHANNELS), takers)
        for start in range(0, samples.shape[1], 32_768):
            blocks.add(samples[:, start : start + 32_768])
        blocks.finish()

    prepared = np.ascontiguousarray(samples[:, : BLOCKS_A_CALL * FRAMES // 2].reshape(-1, BLOCKS_A_CALL // 2, FRAMES))
    calls = round(samples.size * 2 / FRAMES / BLOCKS_A_CALL)
    twelve = np.concatenate([prepared[0], prepared[1]])

    def transforms() -> None:
        for _ in range(calls):
            scipy.fft.rfft(twelve, axis=-1)

    some = samples[:8]
    bands = bands_between(3, 25.0, 8000.0)

    def filters() -> None:
        bank = FilterBank(bands, RATE_HZ, some.shape[0], 0.125 * RATE_HZ)
        bank.add(some)
        bank.powers()

    limit = million / best_s(transforms)
    kernel = million / best_s(lambda: stream(AveragedSpectrum(shape, hop, CHANNELS)))
    both = million / best_s(
        lambda: stream(
            AveragedSpectrum(shape, hop, CHANNELS), WeightedHistory(magnitude, 0.125 * RATE_HZ, float(RATE_HZ))
        )
    )
    bank = some.size / 1e6 / best_s(filters)
    rows = {
        f"transforms alone, {FRAMES} points, 50 % overlap: the limit": limit,
        "averaging: window, transform, squares, sums": kernel,
        "the same, and two weighted histories with F and S": both,
        f"time-domain third-octave bank, {len(bands)} bands (on request)": bank,
    }
    return [
        f"Kernels: {CHANNELS} channels in memory, single precision, one thread, best of {TAKES}.",
        "",
        "| work | million samples a second | ratio to the limit |",
        "|---|---|---|",
        *(f"| {name} | {rate:.0f} | {rate / limit:.2f} |" for name, rate in rows.items()),
    ]


if __name__ == "__main__":
    print("\n".join(measured_lines()))
