"""Cross-spectra and coherence of pairs of positions, on request: rows of the table `cross_spectra`."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.cross_spectra import CrossLines, CrossSpectra, coherence, coherence_threshold
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import lines_within
from tapeline.acoustics.windows import effective_averages
from tapeline.arrays import Reals
from tapeline.campaign import setting_sections
from tapeline.jobs.cell_values import finite_reals
from tapeline.jobs.spectra import SpectraNeeds
from tapeline.jobs.spectra.asked_positions import asked_channels
from tapeline.jobs.spectra.chart_gain import chart_responses

if TYPE_CHECKING:
    from tapeline.store.rows import CrossSpectraRow


class CrossSpectraPass:
    """Takes the lines of the asked channels from the blocks of the averaged spectra."""

    def __init__(
        self,
        needs: SpectraNeeds,
        asked: tuple[setting_sections.CrossSpectra, float],
        positions: Sequence[str],
        rate_hz: float,
        shape: Reals,
        hop_frames: int,
        parts: Parts,
    ) -> None:
        self._needs, self._rate, self._shape, self._hop = needs, rate_hz, shape, hop_frames
        section, self._confidence = asked
        chosen = asked_channels(section.positions, positions)
        self._positions = [positions[i] for i in chosen]
        self._step_hz = rate_hz / shape.size
        first, last = lines_within(section.range_hz, self._step_hz, shape.size)
        if first > last:
            # No line in the range: one is summed all the same, and no row written.
            chosen, self._positions, first, last = [], [], 0, 0
        self._hz: Reals = np.arange(first, last + 1, dtype=np.float64) * self._step_hz
        self._spectra = CrossSpectra(len(chosen), shape.size, first, last)
        self.taker = CrossLines(self._spectra, chosen, shape.size, hop_frames, parts)

    def rows(self, pairs: tuple[int, ...]) -> list[CrossSpectraRow]:
        """One row a pair of positions; `pairs` are those of the averaged blocks, see `line_covariance`."""
        if len(self._positions) < 2 or not self._spectra.blocks:
            return []
        responses = chart_responses(self._needs, self._positions, self._hz)
        energy = float(np.sum(self._shape**2))
        auto = self._spectra.auto(self._rate, energy)
        averages = effective_averages(self._shape, self._hop, pairs)
        common: CrossSpectraRow = {
            "run": self._needs.run,
            "first_hz": float(self._hz[0]),
            "step_hz": self._step_hz,
            "effective_averages": averages,
            "coherence_threshold": float(coherence_threshold(max(averages, 1.0), self._confidence)),
        }
        rows: list[CrossSpectraRow] = []
        for i, j in combinations(range(len(self._positions)), 2):
            measured = self._spectra.pair(i, j, self._rate, energy)
            corrected = measured / (np.conj(responses[i]) * responses[j])
            rows.append(
                common
                | {
                    "position": self._positions[i],
                    "other_position": self._positions[j],
                    "csd_real_pa2_per_hz": finite_reals(corrected.real),
                    "csd_imaginary_pa2_per_hz": finite_reals(corrected.imag),
                    "coherence": finite_reals(coherence(auto[i], auto[j], measured)),
                }
            )
        return rows
