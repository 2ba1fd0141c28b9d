"""Estimated cross-spectra of a line of sensors in a Corcos field, drawn line by line."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.bands import bands_between, line_shares
from tapeline.acoustics.sensor_lines import Direction, LineBand, LineSpectraOfPairs, direction, line_band, pairs_of
from tapeline.arrays import Reals

STEP_HZ, LINES, FLOW_MPS = 4.0, 1124, 36.0
HZ = STEP_HZ * np.arange(1, LINES + 1)
BANDS = bands_between(3, 100.0, 4000.0)
WINDOW = np.ones(3200)
RATE_HZ = 12_800.0


@dataclass(frozen=True)
class Field:
    """A field along a line: sensors at `along_m`, coherence `own` exp(-`decay` omega distance / `speed_mps`).

    `order` says which sensor of the field is at which place on the line, `sound` is the power of a plane wave beside
    the field's 1, from `sound_speed_mps` (negative: upstream); `turned` are sensors of the other polarity.
    """

    along_m: tuple[float, ...]
    speed_mps: float = 25.0
    decay: float = 0.11
    own: float = 1.0
    averages: int = 40
    order: tuple[int, ...] | None = None
    turned: tuple[int, ...] = ()
    sound: float = 0.0
    sound_speed_mps: float = 340.0

    def drawn(self, seed: int) -> LineSpectraOfPairs:
        """Averages over independent blocks."""
        draw = np.random.default_rng(seed)
        along = np.array(self.along_m)
        apart = along[:, None] - along[None, :]
        omega = 2.0 * np.pi * HZ[:, None, None]
        field = self.own * np.exp((-self.decay * np.abs(apart) + 1j * apart) * omega / self.speed_mps)
        field += (1.0 - self.own) * np.eye(along.size)
        field = field + self.sound * np.exp(1j * omega * apart / self.sound_speed_mps)
        root = np.linalg.cholesky(np.swapaxes(field, 1, 2) + 1e-9 * np.eye(along.size))
        shape = (LINES, along.size, self.averages)
        x = root @ (draw.normal(size=shape) + 1j * draw.normal(size=shape)) / np.sqrt(2.0)
        if self.order is not None:
            x = x[:, list(self.order)]
        x[:, list(self.turned)] *= -1.0
        g = np.conj(x) @ np.swapaxes(x, 1, 2) / self.averages
        return LineSpectraOfPairs(
            csd=np.array([g[:, i, j] for i, j in pairs_of(along.size)]),
            auto=np.array([g[:, i, i].real for i in range(along.size)]),
            along_m=along,
            hz=HZ,
            averages=float(self.averages),
            covariance=np.append(1.0 / self.averages, np.zeros(8)),
            shape=WINDOW,
            rate_hz=1e-6,
        )


def share(b: int) -> Reals:
    """Share of each line in a band."""
    band = line_shares(BANDS.lower_hz[b], BANDS.upper_hz[b], STEP_HZ, LINES + 1)
    found = np.zeros(LINES + 1)
    found[band.first : band.first + band.share.size] = band.share
    return found[1:]


def estimated(
    spectra: LineSpectraOfPairs, *, confidence: float = 0.95, mismatch_rad: float = 0.0
) -> tuple[Direction, list[LineBand]]:
    """The direction, and every band from the slowness of all."""
    way = direction(spectra, FLOW_MPS)
    start = way.slowness_s_per_m
    return way, [line_band(spectra, share(b), start, confidence, mismatch_rad) for b in range(len(BANDS))]
