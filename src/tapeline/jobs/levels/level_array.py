"""The levels of all sessions as arrays by run, position and quantity, for comparisons."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.jobs.levels.column_codes import any_in_lists, by_value, codes_of, combinations
from tapeline.jobs.levels.level_use_columns import background_source_rank
from tapeline.quality.use_of_levels import NOT_SUBTRACTED, doubts_level
from tapeline.statistics.comparison import RunLevels
from tapeline.statistics.repeat_scatter import near_bands
from tapeline.statistics.uncertainty_terms import BACKGROUND, LEVEL_TERMS, RANDOM_ERROR
from tapeline.store import parquet, tables

FIELDS = (
    "corrected_level_db",
    RANDOM_ERROR.uncertainty_column,
    BACKGROUND.uncertainty_column,
    "upper_bound_db",
    BACKGROUND.scatter_column,
)

COLUMNS = (
    *FIELDS,
    *(term.uncertainty_column for term in LEVEL_TERMS if term.found_from != "scatter"),
    "level_db",
    "margin_db",
    "nominal_correction_db",
    "size_correction_db",
)

BAND_COLUMNS = tuple(tables.WEIGHTING_COLUMNS.values())
"""What bands have and overall levels have not."""

LEVELS = ("corrected_level_db", "upper_bound_db")
"""What is brought to the nominal operating point."""

EDGES = ("lower_hz", "upper_hz")
ABSENT = "absent_bands_hz"

USES = ("usable", "comparable", "pooled")


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
class LevelArray:
    """Levels of shape (runs, positions, items), NaN where there is none; edges of overall levels, NaN for bands.

    `absent` is the place in `absent_sets` (nominal frequencies) of the bands that an overall level lacks of its range.
    `narrower` says which overall levels sum less than the range asked for, `background_source` ranks what there was to
    subtract (see `background_source_rank`). `usable`, `comparable` and `pooled` are what the tables say that a level
    may be used for, `doubt` why it is doubtful and `marks` what else is said of it, tuples of codes. `nominal` says
    which levels are brought to the nominal speed and air.
    """

    runs: tuple[str, ...]
    positions: tuple[str, ...]
    items: tuple[Item, ...]
    values: dict[str, Reals]
    lower_hz: Reals
    upper_hz: Reals
    narrower: NDArray[np.bool_]
    state: NDArray[np.int8]
    background_source: NDArray[np.int8]
    usable: NDArray[np.bool_]
    comparable: NDArray[np.bool_]
    pooled: NDArray[np.bool_]
    doubt: NDArray[np.object_]
    marks: NDArray[np.object_]
    nominal: NDArray[np.bool_]
    absent: Reals | None = None
    absent_sets: tuple[tuple[float, ...], ...] = ()

    @property
    def summed(self) -> tuple[Reals, ...]:
        """What overall levels that sum the same bands have in common, (runs, positions, items) each; NaN for bands."""
        return (self.lower_hz, self.upper_hz, *(() if self.absent is None else (self.absent,)))

    def places(self, runs: Iterable[str]) -> list[int]:
        """The numbers of some runs."""
        return [self._place[name] for name in runs]

    @cached_property
    def _place(self) -> dict[str, int]:
        return _places(self.runs)

    @cached_property
    def near_items(self) -> NDArray[np.bool_]:
        """Which items are near each, (items, items), see `near_bands`."""
        return near_bands(np.array([item.quantity == "band" for item in self.items], dtype=bool))

    @cached_property
    def doubtful(self) -> NDArray[np.bool_]:
        """Where anything makes a level doubtful."""
        return np.asarray(np.frompyfunc(bool, 1, 1)(self.doubt), dtype=bool)

    @cached_property
    def doubted(self) -> NDArray[np.bool_]:
        """Where the level itself is doubted."""
        return np.asarray(np.frompyfunc(doubts_level, 1, 1)(self.doubt), dtype=bool)

    @cached_property
    def diluted(self) -> NDArray[np.bool_]:
        """Where a level holds a background that there is and that could not be subtracted."""
        return np.asarray(
            np.frompyfunc(lambda codes: not NOT_SUBTRACTED.isdisjoint(codes), 1, 1)(self.doubt), dtype=bool
        )

    def levels(self, runs: Iterable[str], compared: NDArray[np.bool_] | None = None) -> RunLevels:
        """Those of some runs' levels that can be put together, of what is in `compared` (positions, items)."""
        index = self.places(runs)
        wanted = self.comparable[index]
        return self.levels_where(index, wanted if compared is None else wanted & compared)

    def pooled_levels(self, runs: Iterable[str], compared: NDArray[np.bool_] | None = None) -> RunLevels:
        """Those of them that also say something of other levels."""
        index = self.places(runs)
        wanted = self.pooled[index]
        return self.levels_where(index, wanted if compared is None else wanted & compared)

    def levels_where(self, index: list[int], wanted: NDArray[np.bool_]) -> RunLevels:
        """Levels of some runs by number, where they are `wanted` (runs, positions, items)."""
        level, random, left, upper, own = (np.where(wanted, self.values[name][index], np.nan) for name in FIELDS)
        state = np.where(wanted, self.state[index], -1).astype(np.int8)
        return RunLevels(level, random, left, upper, state, np.nan_to_num(own))


def load_cube(results: Path, left_out: Iterable[str] = (), *, at_nominal: bool = False) -> LevelArray:
    """Read the bands and overall tables of all sessions; the positions `left_out` are not compared.

    `at_nominal` brings levels and bounds to the nominal speed and air, where that correction is known.
    """
    bands, overall = (parquet.read_partitions(results / "tables" / name).values() for name in ("bands", "overall"))
    parts = [(table, *_band_items(table)) for table in bands] + [(table, *_overall_items(table)) for table in overall]
    runs, positions = (
        tuple(sorted({name for table, _, _ in parts for name in table.column(column).unique().to_pylist()}))
        for column in ("run", "position")
    )
    items = tuple(sorted({item for _, found, _ in parts for item in found}, key=_order))
    shape = (len(runs), len(positions), len(items))
    values = {name: np.full(shape, np.nan) for name in (*COLUMNS, *BAND_COLUMNS)}
    edges = {name: np.full(shape, np.nan) for name in EDGES}
    absent, sets = np.full(shape, np.nan), dict[tuple[float, ...], int]()
    narrower = np.zeros(shape, dtype=bool)
    state, background_source = np.full(shape, -1, dtype=np.int8), np.zeros(shape, dtype=np.int8)
    uses = {name: np.zeros(shape, dtype=bool) for name in USES}
    codes = {name: np.frompyfunc(lambda _: (), 1, 1)(narrower) for name in ("doubt", "marks")}
    run_place, position_place = _places(runs), _places(positions)
    item_place = {item: i for i, item in enumerate(items)}
    state_code = {name: code for code, name in enumerate(tables.STATES)}
    for table, found, number in parts:
        r = by_value(table.column("run"), run_place.__getitem__, np.intp)
        p = by_value(table.column("position"), position_place.__getitem__, np.intp)
        i = np.array([item_place[item] for item in found], dtype=np.intp)[number]
        for name, array in values.items():
            if name in COLUMNS or name in table.column_names:
                array[r, p, i] = _floats(table, name)
        for name, array in edges.items():
            if name in table.column_names:
                array[r, p, i] = _floats(table, name)
        if ABSENT in table.column_names:
            lacking = [tuple(bands or ()) for bands in table.column(ABSENT).to_pylist()]
            absent[r, p, i] = [sets.setdefault(bands, len(sets)) for bands in lacking]
        for name, flags in uses.items():
            flags[r, p, i] = table.column(name).to_numpy()
        for name, said in codes.items():
            said[r, p, i] = _tuples(table, name)
        narrower[r, p, i] = any_in_lists(table.column("marks"), lambda mark: mark == "narrower-range")
        state[r, p, i] = by_value(table.column("state"), lambda name: state_code.get(name, -1), np.int8)
        background_source[r, p, i] = by_value(
            table.column("background_source"), lambda name: background_source_rank([name])[0], np.int8
        )
    for flags in uses.values():
        flags[:, [position_place[name] for name in left_out if name in position_place]] = False
    nominal = np.isfinite(values["nominal_correction_db"]) & at_nominal
    for name in LEVELS:
        values[name] = values[name] + np.where(nominal, values["nominal_correction_db"], 0.0)
    return LevelArray(
        runs=runs,
        positions=positions,
        items=items,
        values=values,
        lower_hz=edges["lower_hz"],
        upper_hz=edges["upper_hz"],
        narrower=narrower,
        state=state,
        background_source=background_source,
        usable=uses["usable"],
        comparable=uses["comparable"],
        pooled=uses["pooled"],
        doubt=codes["doubt"],
        marks=codes["marks"],
        nominal=nominal,
        absent=absent if sets else None,
        absent_sets=tuple(sets),
    )


def _tuples(table: pa.Table, name: str) -> NDArray[np.object_]:
    """Lists of codes as tuples, each distinct one held once."""
    known: dict[tuple[str, ...], tuple[str, ...]] = {}
    found = np.empty(table.num_rows, dtype=object)
    found.fill(())
    said = np.flatnonzero(pc.list_value_length(table.column(name)).fill_null(0).to_numpy())
    for k, codes in zip(said, table.column(name).take(pa.array(said)).to_pylist(), strict=True):
        found[k] = known.setdefault(each := tuple(codes), each)
    return found


def _order(item: Item) -> tuple[str, str, float, float]:
    return (item.quantity, item.weighting, item.lower_hz, item.upper_hz)


def _places(names: tuple[str, ...]) -> dict[str, int]:
    return {name: i for i, name in enumerate(names)}


def _band_items(table: pa.Table) -> tuple[list[Item], NDArray[np.intp]]:
    """The bands of a table, and which of them each row is of."""
    different, number = _different(table, ("lower_hz", "upper_hz", "band_hz", "midband_hz"))
    return [Item("band", "Z", *row) for row in different], number


def _overall_items(table: pa.Table) -> tuple[list[Item], NDArray[np.intp]]:
    """The overall levels of a table, and which of them each row is of."""
    different, number = _different(table, ("weighting", "lowest_band_hz", "highest_band_hz"))
    return [Item("overall", *row) for row in different], number


def _different(table: pa.Table, names: tuple[str, ...]) -> tuple[list[tuple[Any, ...]], NDArray[np.intp]]:
    """The different cells that rows have in some columns, and which of them each row has."""
    if not table.num_rows:
        return [], np.zeros(0, dtype=np.intp)
    number = combinations(*(codes_of(table.column(name)) for name in names))
    first = pa.array(np.unique(number, return_index=True)[1])
    return list(zip(*(table.column(name).take(first).to_pylist() for name in names), strict=True)), number


def _floats(table: pa.Table, name: str) -> Reals:
    return np.asarray(table.column(name).to_numpy(), dtype=np.float64)
