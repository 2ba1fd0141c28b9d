"""What reference sensors explain of every other position, where settings name some: rows of `conditioned_spectra`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.conditioned_spectra import (
    ReferenceLines,
    conditioned,
    conditioned_error,
    multiple_coherence_threshold,
)
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import lines_within
from tapeline.acoustics.windows import effective_averages
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import finite_reals
from tapeline.jobs.spectra import SpectraNeeds

if TYPE_CHECKING:
    from tapeline.store.rows import ConditionedSpectraRow


class ConditionedPass:
    """Takes the lines of all channels from the blocks of the averaged spectra."""

    def __init__(
        self,
        needs: SpectraNeeds,
        references: Sequence[int],
        positions: Sequence[str],
        rate_hz: float,
        shape: Reals,
        hop_frames: int,
        parts: Parts,
    ) -> None:
        self._needs, self._positions, self._shape, self._hop = needs, positions, shape, hop_frames
        self._references = references
        self._step_hz = rate_hz / shape.size
        first, last = lines_within(needs.spectra.range_hz, self._step_hz, shape.size)
        self._first = first if first <= last else 0
        lines = slice(self._first, max(last, self._first) + 1)
        self.taker = ReferenceLines(references, len(positions), lines, shape.size, hop_frames, parts)

    def rows(self, pairs: tuple[int, ...], density: NDArray[np.floating]) -> list[ConditionedSpectraRow]:
        """One row a position that is no reference; `density` (positions, lines) are its spectra from 0 Hz on."""
        share, rank = self.taker.explained()
        averages = effective_averages(self._shape, self._hop, pairs)
        confidence = (self._needs.references or ((), 0.95))[1]
        threshold = multiple_coherence_threshold(rank, averages, confidence)
        lines = slice(self._first, self._first + share.shape[1])
        kept = conditioned(density[:, lines], share, rank, averages)
        common: ConditionedSpectraRow = {
            "run": self._needs.run,
            "references": [self._positions[i] for i in self._references],
            "first_hz": self._first * self._step_hz,
            "step_hz": self._step_hz,
            "effective_averages": averages,
            "coherence_threshold": float(np.max(threshold, initial=0.0)),
            "references_used": rank.astype(np.uint8),
            "relative_error": finite_reals(conditioned_error(rank, averages)),
        }
        return [
            common
            | {
                "position": position,
                "psd_pa2_per_hz": finite_reals(kept[i]),
                "multiple_coherence": finite_reals(share[i]),
                "significant": (share[i] > threshold).astype(np.uint8),
            }
            for i, position in enumerate(self._positions)
            if i not in self._references
        ]


def usable_references(asked: Sequence[str], positions: Sequence[str], verdicts: Sequence[str]) -> list[int]:
    """Places of the asked references that were recorded and are not unusable."""
    place = {name: i for i, name in enumerate(positions)}
    return [place[name] for name in dict.fromkeys(asked) if name in place and verdicts[place[name]] != "unusable"]
