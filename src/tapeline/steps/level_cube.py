"""The levels of all sessions as arrays by run, position and quantity, for comparisons."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.comparison import RunLevels
from tapeline.acoustics.windows import Reals
from tapeline.store import parquet, tables

FIELDS = (
    "corrected_level_db",
    "random_uncertainty_db",
    "background_uncertainty_db",
    "upper_bound_db",
    "background_own_uncertainty_db",
)

SHARED_TERMS = ("calibration", "response", "environment", "mounting", "speed", "steadiness")
"""Terms of a level's uncertainty beside these two, as the columns `<name>_uncertainty_db` have them."""

COLUMNS = (*FIELDS, *(f"{name}_uncertainty_db" for name in SHARED_TERMS), "nominal_correction_db")

EDGES = ("lower_edge_hz", "upper_edge_hz")
ABSENT = "absent_bands_hz"


@dataclass(frozen=True, order=True)
class Item:
    """One quantity that is compared: a band, or an overall level in its weighting and range."""

    quantity: str
    weighting: str
    lower_hz: float
    upper_hz: float
    band_hz: float | None = None
    midband_hz: float | None = None


@dataclass(frozen=True)
class LevelCube:
    """Levels of shape (runs, positions, items), NaN where there is none; edges of overall levels, NaN for bands.

    `absent` is the place in `absent_sets` (nominal frequencies) of the bands that an overall level lacks of its range.
    `narrower` says which overall levels sum less than the range asked for, `taken_off` what there was to take off, by
    its place in `tables.TAKEN_OFF`.
    """

    runs: tuple[str, ...]
    positions: tuple[str, ...]
    items: tuple[Item, ...]
    values: dict[str, Reals]
    lower_edge_hz: Reals
    upper_edge_hz: Reals
    narrower: NDArray[np.bool_]
    state: NDArray[np.int8]
    taken_off: NDArray[np.int8]
    usable: NDArray[np.bool_]
    doubtful: NDArray[np.bool_]
    absent: Reals | None = None
    absent_sets: tuple[tuple[float, ...], ...] = ()

    @property
    def summed(self) -> tuple[Reals, ...]:
        """What overall levels that sum the same bands have in common, (runs, positions, items) each; NaN for bands."""
        return (self.lower_edge_hz, self.upper_edge_hz, *(() if self.absent is None else (self.absent,)))

    def comparable(self, index: list[int]) -> NDArray[np.bool_]:
        """Which of some runs' levels can be put together, (runs, positions, items).

        Not what is unusable; nor, where something was subtracted, a run of which less could be taken off.
        """
        usable = self.usable[index][:, :, None] & np.ones(self.state[index].shape, dtype=bool)
        subtracted = (usable & (self.state[index] >= background.CORRECTED)).any(axis=0)
        most = np.where(usable, self.taken_off[index], -1).max(axis=0, initial=-1)
        return np.asarray(usable & ~(subtracted & (self.taken_off[index] < most)))

    @cached_property
    def known(self) -> NDArray[np.bool_]:
        """Where there is a level or a bound that may be used."""
        found = [self.values[name] for name in ("corrected_level_db", "upper_bound_db")]
        return np.asarray(np.isfinite(found).any(axis=0) & self.usable[:, :, None])

    def levels(self, runs: Iterable[str], compared: NDArray[np.bool_] | None = None) -> RunLevels:
        """Levels of some runs; those not usable are left out, and what is not in `compared` (positions, items)."""
        index = [self.runs.index(name) for name in runs]
        usable = self.comparable(index)
        return self.levels_where(index, usable if compared is None else usable & compared)

    def levels_where(self, index: list[int], usable: NDArray[np.bool_]) -> RunLevels:
        """Levels of some runs by number, where they are `usable` (runs, positions, items)."""
        level, random, left, upper, own = (np.where(usable, self.values[name][index], np.nan) for name in FIELDS)
        state = np.where(usable, self.state[index], -1).astype(np.int8)
        return RunLevels(level, random, left, upper, state, np.nan_to_num(own))


def load_cube(results: Path, left_out: Iterable[str] = ()) -> LevelCube:
    """Read the bands and overall tables of all sessions; the positions `left_out` are not compared."""
    parts = [
        *((table, _band_items(table)) for table in parquet.read_partitions(results / "tables" / "bands").values()),
        *((table, _overall_items(table)) for table in parquet.read_partitions(results / "tables" / "overall").values()),
    ]
    runs = tuple(sorted({name for table, _ in parts for name in table.column("run").to_pylist()}))
    positions = tuple(sorted({name for table, _ in parts for name in table.column("position").to_pylist()}))
    items = tuple(sorted({item for _, found in parts for item in found}, key=_order))
    shape = (len(runs), len(positions), len(items))
    values = {name: np.full(shape, np.nan) for name in COLUMNS}
    edges = {name: np.full(shape, np.nan) for name in EDGES}
    absent, sets = np.full(shape, np.nan), dict[tuple[float, ...], int]()
    narrower = np.zeros(shape, dtype=bool)
    state, taken_off = np.full(shape, -1, dtype=np.int8), np.zeros(shape, dtype=np.int8)
    usable, doubtful = np.zeros(shape[:2], dtype=bool), np.zeros(shape, dtype=bool)
    run_place, position_place = _places(runs), _places(positions)
    item_place = {item: i for i, item in enumerate(items)}
    state_code = {name: code for code, name in enumerate(tables.STATES)}
    off_code = {name: code for code, name in enumerate(tables.TAKEN_OFF)}
    for table, found in parts:
        r = [run_place[name] for name in table.column("run").to_pylist()]
        p = [position_place[name] for name in table.column("position").to_pylist()]
        i = [item_place[item] for item in found]
        for name, array in values.items():
            array[r, p, i] = _floats(table, name)
        for name, array in edges.items():
            if name in table.column_names:
                array[r, p, i] = _floats(table, name)
        if ABSENT in table.column_names:
            lacking = [tuple(bands or ()) for bands in table.column(ABSENT).to_pylist()]
            absent[r, p, i] = [sets.setdefault(bands, len(sets)) for bands in lacking]
        every = [frozenset(marks or ()) for marks in table.column("marks").to_pylist()]
        narrower[r, p, i] = ["narrower-range" in marks for marks in every]
        state[r, p, i] = [state_code.get(name, -1) for name in table.column("state").to_pylist()]
        taken_off[r, p, i] = [off_code.get(name, 0) for name in table.column("taken_off").to_pylist()]
        quality, calibration = table.column("quality").to_pylist(), table.column("calibration").to_pylist()
        usable[r, p] = [q != "unusable" and c != "unusable" for q, c in zip(quality, calibration, strict=True)]
        doubts = zip(quality, calibration, every, strict=True)
        doubtful[r, p, i] = [
            "doubtful" in (q, c) or not tables.BACKGROUND_DOUBTS.isdisjoint(marks) for q, c, marks in doubts
        ]
    usable[:, [position_place[name] for name in left_out if name in position_place]] = False
    lower, upper = (edges[name] for name in EDGES)
    known = (runs, positions, items, values, lower, upper, narrower, state, taken_off, usable, doubtful)
    return LevelCube(*known, absent=absent if sets else None, absent_sets=tuple(sets))


def _order(item: Item) -> tuple[str, str, float, float]:
    return (item.quantity, item.weighting, item.lower_hz, item.upper_hz)


def _places(names: tuple[str, ...]) -> dict[str, int]:
    return {name: i for i, name in enumerate(names)}


def _band_items(table: pa.Table) -> list[Item]:
    columns = (table.column(name).to_pylist() for name in ("lower_hz", "upper_hz", "band_hz", "midband_hz"))
    return [Item("band", "Z", *row) for row in zip(*columns, strict=True)]


def _overall_items(table: pa.Table) -> list[Item]:
    columns = (table.column(name).to_pylist() for name in ("weighting", "lower_hz", "upper_hz"))
    return [Item("overall", *row) for row in zip(*columns, strict=True)]


def _floats(table: pa.Table, name: str) -> Reals:
    return np.asarray(table.column(name).to_numpy(), dtype=np.float64)
