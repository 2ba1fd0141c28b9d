"""Spectra against time, on request: rows of the table `spectrogram`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import ShortTimeSpectra, block_frames, lines_within
from tapeline.acoustics.spectrogram import Spectrogram
from tapeline.acoustics.windows import window
from tapeline.arrays import Reals, Samples
from tapeline.campaign import setting_sections
from tapeline.jobs.spectra import SpectraNeeds
from tapeline.jobs.spectra.asked_positions import asked_channels
from tapeline.jobs.spectra.chart_gain import chart_gains
from tapeline.store.parquet import RowsOfTable
from tapeline.store.tables import SPECTROGRAM

if TYPE_CHECKING:
    from tapeline.store.rows import SpectrogramRow


class SpectrogramPass:
    """Cuts the asked channels of one run into short Hann blocks, half overlapping."""

    def __init__(
        self,
        needs: SpectraNeeds,
        asked: setting_sections.Spectrogram,
        positions: Sequence[str],
        mean: Reals,
        rate_hz: float,
        parts: Parts,
    ) -> None:
        self._needs, self._rate, self._parts = needs, rate_hz, parts
        self._chosen = asked_channels(asked.positions, positions)
        self._positions = [positions[i] for i in self._chosen]
        shape = window("hann", block_frames(rate_hz, asked.resolution_hz))
        hop, self._line_hz = shape.size // 2, rate_hz / shape.size
        first, last = lines_within(asked.range_hz, self._line_hz, shape.size)
        self._hz: Reals = np.arange(first, last + 1, dtype=np.float64) * self._line_hz
        a_column = max(1, round(asked.step_s * rate_hz / hop))
        if first > last:
            self._chosen = []
            return
        self._gram = Spectrogram(shape, hop, len(self._chosen), a_column, first, last)
        self._blocks = ShortTimeSpectra(shape, hop, mean[self._chosen], [self._gram])

    def add(self, block: Samples) -> None:
        """Take in one row of samples a position of the run."""
        if self._chosen:
            self._blocks.add(block[self._chosen])

    def made(self) -> RowsOfTable[SpectrogramRow]:
        """The rows with their table."""
        return RowsOfTable(SPECTROGRAM, self.rows())

    def rows(self) -> list[SpectrogramRow]:
        """One row a position and time; times that touch what is left out have none."""
        if not self._chosen:
            return []
        self._blocks.finish()
        gains = chart_gains(self._needs, self._positions, self._hz)
        density = self._gram.columns(self._rate) / gains[:, None, :] ** 2
        rows: list[SpectrogramRow] = []
        for column in range(density.shape[1]):
            start, stop = self._gram.frames_of(column)
            if not self._parts.hold(start, stop):
                continue
            for c, position in enumerate(self._positions):
                rows.append(
                    {
                        "run": self._needs.run,
                        "position": position,
                        "time_s": 0.5 * (start + stop) / self._rate,
                        "averaged_s": (stop - start) / self._rate,
                        "first_hz": float(self._hz[0]),
                        "step_hz": self._line_hz,
                        "psd_pa2_per_hz": density[c, column].astype(np.float32),
                    }
                )
        return rows
