"""Band powers of averaged spectra together with their variances."""

from __future__ import annotations

import itertools
from collections.abc import Hashable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.bands import Bands, LineShares, filter_shares, line_shares
from tapeline.acoustics.windows import power_variance
from tapeline.arrays import Reals

Method = Literal["lines", "filters"]


@dataclass(frozen=True)
class LineSpectra:
    """Averaged spectra on one line grid from 0 Hz: densities (positions, lines) and the lines' relative covariance.

    `known` holds powers that were made of them, by whatever tells them apart: those of a background are asked for again
    with every run that it is subtracted from.
    """

    psd: NDArray[np.floating]
    step_hz: float
    covariance: Reals
    known: dict[Hashable, Powers] = field(default_factory=dict, init=False, repr=False, compare=False)

    def at(self, index: list[int]) -> LineSpectra:
        """The spectra of some positions, by their index."""
        return LineSpectra(self.psd[index], self.step_hz, self.covariance)

    @property
    def lines_hz(self) -> Reals:
        """Frequencies of the lines."""
        return np.asarray(np.arange(self.psd.shape[1]) * self.step_hz, dtype=np.float64)

    @property
    def variance(self) -> Reals:
        """Variance of each line's density, (Pa^2/Hz)^2."""
        return np.asarray(self.covariance[0] * np.asarray(self.psd, dtype=np.float64) ** 2)


@dataclass(frozen=True)
class Powers:
    """Mean squares in Pa^2 and their variances in Pa^4, both of shape (positions, bands)."""

    power: Reals
    variance: Reals

    @property
    def degrees_of_freedom(self) -> Reals:
        """Degrees of freedom of a chi-square with the same mean and variance: 2 P^2 / var."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(2.0 * self.power**2 / self.variance)


def shares_of(bands: Bands, spectra: LineSpectra, method: Method = "lines") -> list[LineShares]:
    """Share of each spectral line in each band: lines cut at the exact band edges, or weighted by band filters."""
    return list(_shares(bands.edges_hz, spectra.step_hz, spectra.psd.shape[1], method))


@lru_cache(maxsize=16)
def _shares(
    edges_hz: tuple[tuple[float, float, float], ...], step_hz: float, lines: int, method: Method
) -> tuple[LineShares, ...]:
    if method == "filters":
        return tuple(filter_shares(mid, lo, hi, step_hz, lines) for mid, lo, hi in edges_hz)
    return tuple(line_shares(lo, hi, step_hz, lines) for _, lo, hi in edges_hz)


def band_sums(spectra: LineSpectra, shares: list[LineShares], weights: Reals | None = None) -> Powers:
    """Powers in bands with their variances: sums of density x line spacing x share, times any `weights` (lines,)."""
    power = np.zeros((spectra.psd.shape[0], len(shares)))
    variance = np.zeros_like(power)
    for i, band in enumerate(shares):
        part = slice(band.first, band.first + band.share.size)
        factor = band.share * spectra.step_hz
        if weights is not None:
            factor = factor * weights[part]
        lines = np.asarray(spectra.psd[:, part], dtype=np.float64) * factor
        power[:, i] = lines.sum(axis=1)
        variance[:, i] = power_variance(lines, spectra.covariance)
    return Powers(power, variance)


def on_lines(spectra: LineSpectra, step_hz: float, first: int, stop: int) -> Powers:
    """Densities and their variances on lines `first` to `stop` - 1 of another spacing: means over what each covers.

    NaN on lines beyond the last of the spectra.
    """
    edges = (np.arange(first, stop + 1) - 0.5) * step_hz
    lines = spectra.psd.shape[1]
    shares = [line_shares(max(lo, 0.0), hi, spectra.step_hz, lines) for lo, hi in itertools.pairwise(edges)]
    found = band_sums(spectra, shares)
    known = edges[1:] <= (lines - 0.5) * spectra.step_hz
    width = np.where(known, np.diff(np.maximum(edges, 0.0)), np.nan)
    return Powers(found.power / width, found.variance / width**2)
