"""Cross-spectra of the pairs of each line of sensors: rows of the table `line_spectra`."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.cross_spectra import CrossLines, CrossSpectra
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import lines_within
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import finite_reals
from tapeline.jobs.spectra import SpectraNeeds
from tapeline.jobs.spectra.chart_gain import chart_responses

if TYPE_CHECKING:
    from tapeline.store.rows import LineSpectraRow


class LinePass:
    """Takes the lines of the sensors of one line, downstream, from the blocks of the averaged spectra."""

    def __init__(
        self,
        needs: SpectraNeeds,
        line: str,
        sensors: Sequence[str],
        positions: Sequence[str],
        rate_hz: float,
        shape: Reals,
        hop_frames: int,
        parts: Parts,
    ) -> None:
        self._needs, self._line, self._rate, self._shape = needs, line, rate_hz, shape
        self._sensors = [name for name in sensors if name in positions]
        self._step_hz = rate_hz / shape.size
        first, last = lines_within(needs.line_range_hz, self._step_hz, shape.size)
        if first > last:
            # No line in the range: one is summed all the same, and no row written.
            self._sensors, first, last = [], 0, 0
        self._hz: Reals = np.arange(first, last + 1, dtype=np.float64) * self._step_hz
        chosen = [positions.index(name) for name in self._sensors]
        self._spectra = CrossSpectra(len(chosen), shape.size, first, last)
        self.taker = CrossLines(self._spectra, chosen, shape.size, hop_frames, parts)

    def rows(self) -> list[LineSpectraRow]:
        """One row a pair of sensors, the one upstream first."""
        if len(self._sensors) < 2 or not self._spectra.blocks:
            return []
        responses = chart_responses(self._needs, self._sensors, self._hz)
        energy = float(np.sum(self._shape**2))
        rows: list[LineSpectraRow] = []
        for i, j in combinations(range(len(self._sensors)), 2):
            corrected = self._spectra.pair(i, j, self._rate, energy) / (np.conj(responses[i]) * responses[j])
            rows.append(
                {
                    "run": self._needs.run,
                    "line": self._line,
                    "position": self._sensors[i],
                    "other_position": self._sensors[j],
                    "first_hz": float(self._hz[0]),
                    "step_hz": self._step_hz,
                    "csd_real_pa2_per_hz": finite_reals(corrected.real),
                    "csd_imaginary_pa2_per_hz": finite_reals(corrected.imag),
                }
            )
        return rows
