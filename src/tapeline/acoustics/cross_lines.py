"""Cross-spectra of some channels from the blocks that all share."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tapeline.acoustics.cross_spectra import CrossSpectra
from tapeline.acoustics.parts import Parts
from tapeline.acoustics.short_time_spectra import BLOCKS_A_CALL, Lines


class CrossLines:
    """Cross-spectral sums, in `spectra`, of the `chosen` channels over the blocks wholly within one of the `parts`."""

    margins = False

    def __init__(
        self, spectra: CrossSpectra, chosen: Sequence[int], block_frames: int, hop_frames: int, parts: Parts
    ) -> None:
        self._spectra = spectra
        self._place = {channel: place for place, channel in enumerate(chosen)}
        self._frames, self._hop, self._parts = block_frames, hop_frames, parts
        kept = spectra.kept.stop - spectra.kept.start
        self._gathered = np.empty((len(chosen), BLOCKS_A_CALL, kept), dtype=np.complex64)

    def open(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        self._used = self._parts.blocks(first, count, self._hop, self._frames) - first

    def take(self, channel: int, first: int, lines: Lines) -> None:
        """See SpectrumConsumer."""
        if channel in self._place:
            self._gathered[self._place[channel], : lines.shape[0]] = lines[:, self._spectra.kept]

    def close(self, first: int, count: int) -> None:
        """See SpectrumConsumer."""
        if self._used.size:
            self._spectra.add(self._gathered[:, self._used])

    def finish(self, frames: int) -> None:
        """See SpectrumConsumer; nothing is left to do."""
