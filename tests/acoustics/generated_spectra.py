"""Averaged spectra of generated Gaussian noise with tones, as the spectra job averages them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from tapeline.acoustics.windows import WindowName, all_pairs, effective_averages, window
from tapeline.arrays import Reals


def averaged(
    draw: np.random.Generator,
    blocks: int,
    lines: int = 640,
    step_hz: float = 4.0,
    tones: Sequence[tuple[float, float]] = (),
    density: Callable[[Reals], Reals] | None = None,
    name: WindowName = "hann",
) -> tuple[Reals, Reals, float]:
    """Density (lines,), relative spread (lines,) and effective averages of half-overlapped blocks.

    `tones` are pairs of frequency and mean square; `density` is that of the noise over Hz, 1 Pa^2/Hz without.
    """
    frames = 2 * lines
    hop, rate = frames // 2, frames * step_hz
    total = hop * (blocks + 1)
    noise: Reals = draw.standard_normal(total) * np.sqrt(0.5 * rate)
    if density is not None:
        noise = np.asarray(
            np.fft.irfft(
                np.fft.rfft(noise) * np.sqrt(density(np.fft.rfftfreq(total, 1.0 / rate).astype(np.float64))), total
            )
        )
    time = np.arange(total) / rate
    for hz, square in tones:
        noise = noise + np.sqrt(2.0 * square) * np.cos(2.0 * np.pi * (hz * time + draw.uniform()))
    shape = window(name, frames)
    cut = np.lib.stride_tricks.sliding_window_view(noise, frames)[::hop] * shape
    powers: Reals = 2.0 * np.abs(np.fft.rfft(cut, axis=1)) ** 2 / (rate * np.sum(shape**2))
    mean = powers.mean(axis=0)
    return mean, powers.std(axis=0, ddof=1) / mean, effective_averages(shape, hop, all_pairs(blocks, frames, hop))
