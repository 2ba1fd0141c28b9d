"""The repeats of a campaign, cell by cell, and which of them say together how a position scatters.

A cell is a condition at an operating point in a session: its runs repeat each other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tapeline.statistics.comparison import RunLevels
from tapeline.statistics.repeat_scatter import (
    RepeatRows,
    Scatter,
    homogeneous_cells,
    no_scatter,
    own_scatter,
    own_scatter_where_larger,
    scatter_by_position,
)

Point = tuple[float, float]

CellKey = tuple[str, str, Point]
"""Session, condition and operating point."""


def rows_of(runs: RunLevels) -> RepeatRows:
    """What the repeats of one cell, (runs, positions, items), say of scatter."""
    return RepeatRows.of(runs.level_db, runs.random_db, np.isfinite(runs.upper_bound_db))


@dataclass(frozen=True)
class RepeatPools:
    """The repeats of all cells, and the scatter of each position that they give.

    `pooled`: over all conditions and operating points of a session that scatter alike; otherwise each cell has its own
    repeats alone. What a session has no repeats of gets the scatter of all sessions together. `near` (items, items)
    says which items are pooled with each, see `scatter_by_position`; `shape` counts the positions and the items.
    """

    rows: Mapping[CellKey, RepeatRows]
    near: NDArray[np.bool_]
    shape: tuple[int, int]
    pooled: bool

    @cached_property
    def by_session(self) -> dict[str, Scatter]:
        """The scatter of each session's repeats, all its cells together."""
        sessions = sorted({session for session, *_ in self.rows})
        return {
            name: self._of(tuple(key for key in self.rows if key[0] == name)).filled_in(self._everything)
            for name in sessions
        }

    def of_session(self, session: str) -> Scatter:
        """The same of one session; that of all together, as far as they lend it, where it has no cells."""
        return self.by_session.get(session) or self._nothing.filled_in(self._everything)

    def of_cell(self, key: CellKey) -> Scatter:
        """The scatter for one cell: of the cells that scatter like it."""
        if not self.pooled:
            return self._alone((key,))
        pool = self.pool(key)
        found = self._of(pool)
        if len(pool) > 1 and key in self.rows:
            own = scatter_by_position([self.rows[key]], self.near, lend=False)
            found = own_scatter_where_larger(found, own, self.rows[key].random_variance)
        return found.filled_in(self._everything)

    def of_pair(self, first: CellKey, second: CellKey) -> tuple[Scatter, Scatter]:
        """The scatter for two cells that are compared; of both together where they stand alone in one session."""
        if self.pooled or first[0] != second[0]:
            return self.of_cell(first), self.of_cell(second)
        both = self._alone((first, second))
        return both, both

    def share_repeats(self, first: CellKey, second: CellKey) -> bool:
        """Whether the scatter of two cells rests on the same repeats, in part at least."""
        alone = not self.pooled and first[0] == second[0]
        return alone or not set(self.pool(first)).isdisjoint(self.pool(second))

    def pool(self, key: CellKey) -> tuple[CellKey, ...]:
        """The cells whose repeats are pooled for one: those of its session that scatter like it, itself included."""
        if not self.pooled:
            return (key,)
        return self._alike.get(key) or tuple(other for other in self.rows if other[0] == key[0])

    @cached_property
    def _alike(self) -> dict[CellKey, tuple[CellKey, ...]]:
        found: dict[CellKey, tuple[CellKey, ...]] = {}
        for session in sorted({session for session, *_ in self.rows}):
            keys = [key for key in self.rows if key[0] == session]
            alike = homogeneous_cells([self.rows[key] for key in keys])
            for key, flags in zip(keys, alike, strict=True):
                found[key] = tuple(other for other, like in zip(keys, flags, strict=True) if like)
        return found

    @cached_property
    def _known(self) -> dict[tuple[CellKey, ...], Scatter]:
        return {}

    def _of(self, keys: tuple[CellKey, ...]) -> Scatter:
        if keys not in self._known:
            rows = [self.rows[key] for key in keys]
            self._known[keys] = scatter_by_position(rows, self.near) if rows and self.pooled else self._nothing
        return self._known[keys]

    def _alone(self, keys: tuple[CellKey, ...]) -> Scatter:
        rows = [self.rows[key] for key in keys if key in self.rows]
        return own_scatter(rows) if rows else self._nothing

    @cached_property
    def _everything(self) -> Scatter:
        return self._of(tuple(self.rows))

    @cached_property
    def _nothing(self) -> Scatter:
        return no_scatter(*self.shape)
