"""Windows of averaged spectra and the statistics that follow from window and overlap."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
WindowName = Literal["hann", "flattop", "rectangular"]

_COSINE_TERMS: dict[str, tuple[float, ...]] = {
    "rectangular": (1.0,),
    "hann": (0.5, 0.5),
    "flattop": (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368),
}
"""Cosine coefficients; the five-term flat top is the one in common use in measurement (common practice)."""


def window(name: WindowName, frames: int) -> Reals:
    """Periodic window of the given length: sum of (-1)^m a_m cos(2 pi m n / N)."""
    phase = 2.0 * np.pi * np.arange(frames) / frames
    terms = _COSINE_TERMS[name]
    return np.asarray(sum(((-1.0) ** m * a * np.cos(m * phase) for m, a in enumerate(terms)), np.zeros(frames)))


def noise_bandwidth_lines(shape: Reals) -> float:
    """Equivalent noise bandwidth in lines: N sum(w^2) / sum(w)^2 (Harris 1978)."""
    return float(shape.size * np.sum(shape**2) / np.sum(shape) ** 2)


def effective_averages(shape: Reals, hop_frames: int, blocks: int) -> float:
    """Independent averages that `blocks` overlapped blocks are worth (Welch 1967).

    K / (1 + 2 sum_j (1 - j/K) rho_j), rho_j the squared correlation of windows j hops apart.
    """
    return 1.0 / line_covariance(shape, hop_frames, blocks, 0)[0] if blocks else 0.0


def line_covariance(shape: Reals, hop_frames: int, blocks: int, reach_lines: int = 3) -> Reals:
    """Relative covariance of an averaged line with those 0 to `reach_lines` lines away, shape (reach + 1,).

    cov(P_k, P_k+m)/(P_k P_k+m) = (1/K) sum_j (1 - |j|/K) |sum_n w_n w_(n+jD) e^(-2 pi i m n / N)|^2 / (sum w^2)^2
    for locally flat spectra: Welch's (1967) argument carried to neighbouring lines. Entry 0 is 1/effective averages.
    """
    frames = shape.size
    turns = np.exp(-2j * np.pi * np.outer(np.arange(reach_lines + 1), np.arange(frames)) / frames)
    energy = float(np.sum(shape**2))
    total = np.zeros(reach_lines + 1)
    for lag in range(blocks):
        shift = lag * hop_frames
        if shift >= frames:
            break
        product = np.zeros(frames)
        product[: frames - shift] = shape[: frames - shift] * shape[shift:]
        share = np.abs(turns @ product) ** 2 / energy**2
        total += share * (1.0 - lag / blocks) * (1.0 if lag == 0 else 2.0)
    return total / blocks


def power_variance(parts: NDArray[np.floating], covariance: Reals) -> Reals:
    """Variance (Pa^4) of sums of lines, from each line's part in the sum, shape (..., lines) to (...).

    sum_kl a_k a_l C(|k-l|), with a the lines' expected powers times their shares.
    """
    a = np.asarray(parts, dtype=np.float64)
    variance = covariance[0] * np.sum(a * a, axis=-1)
    for offset in range(1, min(covariance.size, a.shape[-1])):
        variance = variance + 2.0 * covariance[offset] * np.sum(a[..., offset:] * a[..., :-offset], axis=-1)
    return np.asarray(variance)
