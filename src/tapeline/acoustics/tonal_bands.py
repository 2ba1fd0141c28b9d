"""How far one spectral line stands out of its band, and what it adds to the band's power."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.windows import Reals

LEAST_LINES = 15
"""Lines that the median is taken over at least, beyond the band where it holds fewer; a tone fills 5 (own choice)."""

LOBE_LINES = 2
"""Lines to either side of the largest one that a tone fills: the main lobe of a Hann window (Harris 1978)."""


@dataclass(frozen=True)
class OutstandingLines:
    """Of every band, (spectra, bands): the largest line above the median line, what it and its lobe add to the power
    that the median lets expect there, and all of the band's power. NaN where a band holds no line."""

    above_db: Reals
    added_pa2: Reals
    power_pa2: Reals


def outstanding_lines(
    psd: NDArray[np.floating], first_hz: float, step_hz: float, lower_hz: Reals, upper_hz: Reals
) -> OutstandingLines:
    """Look at each band of some spectra on one grid; `psd` (Pa^2/Hz) has shape (spectra, lines)."""
    above, added, power = (np.full((psd.shape[0], lower_hz.size), np.nan) for _ in range(3))
    for b, (low, high) in enumerate(zip(lower_hz, upper_hz, strict=True)):
        start, stop = (round(np.clip(np.ceil((edge - first_hz) / step_hz), 0, psd.shape[1])) for edge in (low, high))
        if stop <= start:
            continue
        spare = max(0, LEAST_LINES - (stop - start) + 1) // 2
        around = np.asarray(psd[:, max(0, start - spare) : stop + spare], dtype=np.float64)
        band = np.asarray(psd[:, start:stop], dtype=np.float64)
        usual = np.median(around, axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            above[:, b] = 10.0 * np.log10(band.max(axis=1) / usual)
        places = np.arange(stop - start)
        lobe = np.abs(places - band.argmax(axis=1)[:, None]) <= LOBE_LINES
        added[:, b] = np.where(lobe, band - usual[:, None], 0.0).sum(axis=1) * step_hz
        power[:, b] = band.sum(axis=1) * step_hz
    return OutstandingLines(above, added, power)
