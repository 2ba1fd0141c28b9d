"""One run's level history taken apart by position."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from tapeline.arrays import Reals


class HistoryByPosition:
    """The history of one weighting; `history` is a run's own table of that name."""

    def __init__(self, history: pa.Table, positions: Sequence[str], weighting: str) -> None:
        self._own = history.filter(pc.equal(history["weighting"], weighting))
        place = pc.index_in(self._own["position"], pa.array(positions, pa.string())).fill_null(len(positions))
        self._order = np.argsort(place.to_numpy(), kind="stable")
        self._ends = np.searchsorted(place.to_numpy()[self._order], np.arange(len(positions) + 1))

    def levels(self, column: str, *, with_silence: bool = False) -> Iterator[Reals]:
        """Levels (dB) of each position in the table's order, empty cells left out; silence as minus infinity."""
        cells = self._own[column]
        if with_silence:
            cells = pc.if_else(self._own["silent"], -np.inf, cells)
        ordered = cells.to_numpy()[self._order]
        for first, end in itertools.pairwise(self._ends):
            part = ordered[first:end]
            yield part[~np.isnan(part)]
