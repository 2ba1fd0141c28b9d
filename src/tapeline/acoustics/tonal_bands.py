"""Prominence of spectral lines in their band, what they add to its power, and tones of run and background alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.bands import Bands
from tapeline.arrays import Reals
from tapeline.limits import (
    HANN_HALF_LOBE_LINES,
    TONE_ABOVE_BACKGROUND_DB,
    TONE_ABOVE_MEDIAN_DB,
    TONE_MEDIAN_AT_LEAST_LINES,
)


@dataclass(frozen=True)
class ProminentLines:
    """The most prominent line of every band, fields of shape (spectra, bands); NaN where a band holds no line.

    The largest line above the median line, what it and its lobe add to the power that the median lets expect there, all
    of the band's power, and the line's frequency. `peaked` is false where a line next to the band, as near as a tone
    fills, is larger still: that line belongs to the neighbouring band.
    """

    above_db: Reals
    added_pa2: Reals
    power_pa2: Reals
    frequency_hz: Reals
    peaked: NDArray[np.bool_]


def prominent_lines(
    psd: NDArray[np.floating], first_hz: float, step_hz: float, lower_hz: Reals, upper_hz: Reals
) -> ProminentLines:
    """The most prominent line of each band of spectra on one grid; `psd` (Pa^2/Hz) has shape (spectra, lines)."""
    above, added, power, frequency = (np.full((psd.shape[0], lower_hz.size), np.nan) for _ in range(4))
    peaked = np.zeros(above.shape, dtype=bool)
    for b, (low, high) in enumerate(zip(lower_hz, upper_hz, strict=True)):
        start, stop = _lines_of(psd.shape[1], first_hz, step_hz, low, high)
        if stop <= start:
            continue
        band = np.asarray(psd[:, start:stop], dtype=np.float64)
        usual = _usual(psd, start, stop)
        with np.errstate(divide="ignore", invalid="ignore"):
            above[:, b] = 10.0 * np.log10(band.max(axis=1) / usual)
        places = np.arange(stop - start)
        largest = band.argmax(axis=1)
        lobe = np.abs(places - largest[:, None]) <= HANN_HALF_LOBE_LINES
        added[:, b] = np.where(lobe, band - usual[:, None], 0.0).sum(axis=1) * step_hz
        power[:, b] = band.sum(axis=1) * step_hz
        frequency[:, b] = first_hz + step_hz * (start + largest)
        peaked[:, b] = _highest_nearby(psd, start + largest)
    return ProminentLines(above, added, power, frequency, peaked)


def prominence_db(
    psd: NDArray[np.floating], first_hz: float, step_hz: float, lower_hz: float, upper_hz: float, frequency_hz: float
) -> float:
    """Prominence in dB of the lines about `frequency_hz` above the median line of a band, of one spectrum (lines,).

    For a second spectrum: whether it has a line where the first one has one. NaN where it has no lines there.
    """
    start, stop = _lines_of(psd.size, first_hz, step_hz, lower_hz, upper_hz)
    at = round((frequency_hz - first_hz) / step_hz)
    near = np.asarray(psd[max(0, at - HANN_HALF_LOBE_LINES) : max(0, at + HANN_HALF_LOBE_LINES + 1)], dtype=np.float64)
    if stop <= start or not near.size:
        return float("nan")
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(10.0 * np.log10(near.max() / _usual(psd[None, :], start, stop)[0]))


def median_density(psd: NDArray[np.floating], step_hz: float, lower_hz: float, upper_hz: float) -> float:
    """Median line of a band of one spectrum (lines,) from 0 Hz, or of the lines about it where the band holds few."""
    start, stop = _lines_of(psd.size, 0.0, step_hz, lower_hz, upper_hz)
    return float(_usual(psd[None, :], start, stop)[0])


def _lines_of(lines: int, first_hz: float, step_hz: float, low_hz: float, high_hz: float) -> tuple[int, int]:
    """First line of a band and the one behind its last."""
    start, stop = (round(np.clip(np.ceil((edge - first_hz) / step_hz), 0, lines)) for edge in (low_hz, high_hz))
    return start, stop


def _usual(psd: NDArray[np.floating], start: int, stop: int) -> Reals:
    """The median line of a band or, where it holds few, of the lines about it, (spectra,)."""
    spare = max(0, TONE_MEDIAN_AT_LEAST_LINES - (stop - start) + 1) // 2
    around = np.asarray(psd[:, max(0, start - spare) : stop + spare], dtype=np.float64)
    return np.asarray(np.median(around, axis=1))


def _highest_nearby(psd: NDArray[np.floating], line: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Whether no line as near as a tone fills is larger than each spectrum's `line`, (spectra,).

    Not so near an end of the spectrum: what is beyond may be larger.
    """
    near = line[:, None] + np.arange(-HANN_HALF_LOBE_LINES, HANN_HALF_LOBE_LINES + 1)
    values = np.take_along_axis(psd, np.clip(near, 0, psd.shape[1] - 1), axis=1)
    inside = (near[:, 0] >= 0) & (near[:, -1] < psd.shape[1])
    return np.asarray(inside & (values.max(axis=1) <= values[:, HANN_HALF_LOBE_LINES]))


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
