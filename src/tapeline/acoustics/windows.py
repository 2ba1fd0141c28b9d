"""Windows of averaged spectra and the statistics that follow from window and overlap."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals

WindowName = Literal["hann", "flattop", "rectangular"]

_COSINE_TERMS: dict[str, tuple[float, ...]] = {
    "rectangular": (1.0,),
    "hann": (0.5, 0.5),
    "flattop": (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368),
}
"""Cosine coefficients; the five-term flat top is the one in common use in measurement (common practice)."""


@lru_cache(maxsize=4)
def window(name: WindowName, frames: int) -> Reals:
    """Periodic window of the given length, shape (frames,), read-only: sum of (-1)^m a_m cos(2 pi m n / N)."""
    phase = 2.0 * np.pi * np.arange(frames) / frames
    terms = _COSINE_TERMS[name]
    made = np.asarray(sum(((-1.0) ** m * a * np.cos(m * phase) for m, a in enumerate(terms)), np.zeros(frames)))
    made.flags.writeable = False
    return made


def one_sided_factors(first_line: int, last_line: int, frames: int) -> Reals:
    """Weights of squared lines in a one-sided spectrum of blocks of `frames` samples: 2, but 1 at 0 Hz and Nyquist."""
    return np.where(np.isin(2 * np.arange(first_line, last_line + 1), (0, frames)), 1.0, 2.0)


def noise_bandwidth_lines(shape: Reals) -> float:
    """Equivalent noise bandwidth in lines: N sum(w^2) / sum(w)^2 (Harris 1978)."""
    return float(shape.size * np.sum(shape**2) / np.sum(shape) ** 2)


def all_pairs(blocks: int, frames: int, hop_frames: int) -> tuple[int, ...]:
    """Numbers of pairs of `blocks` consecutive blocks 0, 1, 2 ... hops apart, as far as blocks overlap."""
    return tuple(max(0, blocks - lag) for lag in range(-(-frames // hop_frames)))


def effective_averages(shape: Reals, hop_frames: int, pairs: Sequence[int]) -> float:
    """Independent averages that overlapped blocks are worth (Welch 1967); `pairs` as in `line_covariance`.

    K / (1 + 2 sum_j (1 - j/K) rho_j) for K consecutive ones, rho_j the squared correlation of windows j hops apart.
    """
    return 1.0 / line_covariance(shape, hop_frames, pairs, 0)[0] if pairs and pairs[0] else 0.0


def line_covariance(shape: Reals, hop_frames: int, pairs: Sequence[int], reach_lines: int = 3) -> Reals:
    """Relative covariance of an averaged line with those 0 to `reach_lines` lines away, shape (reach + 1,).

    cov(P_k, P_k+m)/(P_k P_k+m) = (1/K^2) sum_j c_j |sum_n w_n w_(n+jD) e^(-2 pi i m n / N)|^2 / (sum w^2)^2 for locally
    flat spectra: Welch's (1967) argument carried to neighbouring lines. `pairs[j]` is the number of pairs of averaged
    blocks j hops apart, K = pairs[0]; c_0 = K, else twice that number. Entry 0 is 1/effective averages.
    """
    frames = shape.size
    turns = np.exp(-2j * np.pi * np.outer(np.arange(reach_lines + 1), np.arange(frames)) / frames)
    energy = float(np.sum(shape**2))
    total = np.zeros(reach_lines + 1)
    for lag, count in enumerate(pairs):
        shift = lag * hop_frames
        product = np.zeros(frames)
        product[: frames - shift] = shape[: frames - shift] * shape[shift:]
        total += (1.0 if lag == 0 else 2.0) * count * np.abs(turns @ product) ** 2 / energy**2
    return total / pairs[0] ** 2


def power_variance(parts: NDArray[np.floating], covariance: Reals) -> Reals:
    """Variance (Pa^4) of sums of lines, from each line's term of the sum, shape (..., lines) to (...).

    sum_kl a_k a_l C(|k-l|), with a the lines' expected powers times their shares.
    """
    a = np.asarray(parts, dtype=np.float64)
    variance = covariance[0] * np.sum(a * a, axis=-1)
    for offset in range(1, min(covariance.size, a.shape[-1])):
        variance = variance + 2.0 * covariance[offset] * np.sum(a[..., offset:] * a[..., :-offset], axis=-1)
    return np.asarray(variance)
