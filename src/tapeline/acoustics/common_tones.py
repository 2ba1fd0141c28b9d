"""Tones that stand in a run and in its background alike: powers of coherent tones do not add."""

from __future__ import annotations

import numpy as np

from tapeline.acoustics.bands import Bands
from tapeline.acoustics.tonal_bands import median_density, prominence_db, prominent_lines
from tapeline.arrays import Reals
from tapeline.limits import HANN_HALF_LOBE_LINES, TONE_ABOVE_BACKGROUND_DB, TONE_ABOVE_MEDIAN_DB


def common_tone_half_width(total: Reals, below: Reals, step_hz: float, bands: Bands) -> Reals:
    """How far (Pa^2/Hz) total - background may be off by tones of both, (positions, lines); lines start at 0 Hz.

    A source's tone of power S that keeps its phase to the background's B makes T = S + B + 2 sqrt(S B) cos(phase), so
    that S lies anywhere from (sqrt T - sqrt B)^2 to (sqrt T + sqrt B)^2: within 2 sqrt(B) (sqrt T + sqrt B) of T - B.
    T and B are what the lines of a tone's lobe have beyond the median line. One tone a band is looked for.
    """
    half = np.zeros(total.shape)
    found = prominent_lines(below, 0.0, step_hz, bands.lower_hz, bands.upper_hz)
    with np.errstate(invalid="ignore"):
        stands_out = (found.above_db >= TONE_ABOVE_MEDIAN_DB) & found.peaked
    for p, b in np.argwhere(stands_out):
        edges = float(bands.lower_hz[b]), float(bands.upper_hz[b])
        hz = float(found.frequency_hz[p, b])
        if prominence_db(total[p], 0.0, step_hz, *edges, hz) < TONE_ABOVE_MEDIAN_DB:
            continue
        at = round(hz / step_hz)
        lobe = slice(max(0, at - HANN_HALF_LOBE_LINES), at + HANN_HALF_LOBE_LINES + 1)
        run, tone = (np.maximum(psd[p, lobe] - median_density(psd[p], step_hz, *edges), 0.0) for psd in (total, below))
        if run.sum() < 10.0 ** (TONE_ABOVE_BACKGROUND_DB / 10.0) * tone.sum():
            half[p, lobe] = np.maximum(half[p, lobe], 2.0 * np.sqrt(tone) * (np.sqrt(run) + np.sqrt(tone)))
    return half
