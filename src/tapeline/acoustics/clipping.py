"""What cut crests do to levels: the bias of the rms level and of weak bands, from the share of samples that are cut."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import ndtri

from tapeline.limits import WEAK_BAND_DB


@dataclass(frozen=True)
class ClippingBias:
    """Bias of the rms level, in dB and below zero, and the largest one of a band `WEAK_BAND_DB` below it, in dB."""

    level_db: float
    weak_band_db: float


def clipping_bias(shares: Sequence[float]) -> ClippingBias:
    """Level bias from the shares of samples (0 to 0.5 each) that are clipped at the upper and at the lower end.

    Gaussian noise cut at k standard deviations, with Q the share beyond and f the density at k, loses
    2 (k f + Q - k^2 Q) of its power at two alike ends, half of it at one. What is left is the signal times 1 - Q - Q'
    and a distortion that is uncorrelated with it (Bussgang, MIT RLE technical report 216, 1952, from memory). The
    weak band's bias is the largest there can be: as if the whole distortion fell into it. Crests of a heavier tail are
    cut by more: Laplacian noise has ten times the distortion at a share of 1e-4.
    """
    lost = 0.0
    for share in shares:
        if share > 0.0:
            k = -float(ndtri(min(share, 0.5)))
            density = math.exp(-0.5 * k * k) / math.sqrt(2.0 * math.pi)
            lost += k * density + share - k * k * share
    power, gain = max(1.0 - lost, 1e-12), max(1.0 - sum(shares), 0.0)
    distortion = max(power - gain**2, 0.0)
    weak = gain**2 + distortion * 10.0 ** (0.1 * WEAK_BAND_DB)
    return ClippingBias(10.0 * math.log10(power), 10.0 * math.log10(weak))
