"""Hold the tables of two results folders against each other, one column of one file at a time."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from tapeline.changes.column_cells import Mask, Place, compare_numbers, compare_texts, is_number, reals
from tapeline.changes.list_cells import Lists, aligned_lists, compare_lists, compare_names, in_order_of_names
from tapeline.changes.matched_rows import MatchedRows, matched_rows
from tapeline.changes.results_folder import ResultsFolder, made_from, reading
from tapeline.changes.scales import Tolerance, scale_of
from tapeline.changes.table_changes import EXAMPLES, Moved, Sink, TableChanges, key_words, value_words
from tapeline.store.schema import CAMPAIGN

CHUNK_BYTES = 1 << 20

LINE_COLUMNS = ("first_hz", "step_hz")


def compare_results(
    old: ResultsFolder, new: ResultsFolder, tolerance: Tolerance, sink: Sink | None = None
) -> list[TableChanges]:
    """The changes of every table that one of the folders holds, by name; `sink` takes every changed cell.

    Memory holds the keys of one file, one column of numbers, or some rows of a column of lists, where rows stand in one
    order in both. Raises CannotCompareError for a file that cannot be read.
    """
    return [_table(name, old, new, tolerance, sink) for name in sorted({*old.tables, *new.tables})]


def _table(name: str, old: ResultsFolder, new: ResultsFolder, tolerance: Tolerance, sink: Sink | None) -> TableChanges:
    found = TableChanges(name)
    before, after = old.tables.get(name, {}), new.tables.get(name, {})
    for part in sorted({*before, *after}):
        if part in before and part in after:
            _Part(found, part, before[part], after[part], tolerance, sink).compare()
        else:
            _one_sided(found, part, before.get(part) or after[part], part in before, sink)
    return found


def _one_sided(found: TableChanges, part: str, path: Path, gone: bool, sink: Sink | None) -> None:
    """A part that one folder alone holds: its rows came, or went where it is `gone`."""
    with reading(path):
        rows = pq.ParquetFile(path).metadata.num_rows
    words = part or "the whole table"
    if gone:
        found.parts_only_old.append(words)
        found.only_old, found.old_rows = found.only_old + rows, found.old_rows + rows
    else:
        found.parts_only_new.append(words)
        found.only_new, found.new_rows = found.only_new + rows, found.new_rows + rows
    if sink:
        counted = f"{rows} row{'' if rows == 1 else 's'}"
        texts = (counted, None) if gone else (None, counted)
        sink(Moved(found.table, words, "", "", "", texts[0], texts[1], None, ""))


class _Part:
    """Two files of the same part of a table."""

    def __init__(
        self, found: TableChanges, part: str, old: Path, new: Path, tolerance: Tolerance, sink: Sink | None
    ) -> None:
        self._found, self._part, self._paths = found, part, (old, new)
        self._tolerance, self._sink = tolerance, sink
        with reading(old):
            first = pq.ParquetFile(old)
        with reading(new):
            second = pq.ParquetFile(new)
        self._files = (first, second)
        self._sides = ((first, old), (second, new))
        self._schemas = (first.schema_arrow, second.schema_arrow)

    def compare(self) -> None:
        """Add what differs to the table's changes."""
        found, rows = self._found, [file.metadata.num_rows for file in self._files]
        found.old_rows, found.new_rows = found.old_rows + rows[0], found.new_rows + rows[1]
        found.own_needs_differ |= made_from(self._paths[0]) != made_from(self._paths[1])
        if _same_bytes(*self._paths):
            return
        found.bytes_differ = True
        self._compare_columns()
        key = self._key()
        if key is None:
            found.only_old, found.only_new = found.only_old + rows[0], found.only_new + rows[1]
            return
        matched = matched_rows(key, lambda name: self._column(0, name), lambda name: self._column(1, name))
        self._one_sided_rows(matched)
        self._changed_rows(matched)

    def _key(self) -> list[str] | None:
        """The columns that identify a row within a campaign; None where the files do not agree on them."""
        keys = [_key_of(schema) for schema in self._schemas]
        names = keys[0]
        known = all(name in schema.names for schema in self._schemas for name in names)
        types = known and all(self._schemas[0].field(n).type == self._schemas[1].field(n).type for n in names)
        if keys[0] == keys[1] and names and types:
            return names
        self._found.rekeyed = " -> ".join(",".join(key) or "(not stated)" for key in keys)
        return None

    def _compare_columns(self) -> None:
        old, new = (schema.names for schema in self._schemas)
        found = self._found
        found.columns_only_old += [name for name in old if name not in {*new, *found.columns_only_old}]
        found.columns_only_new += [name for name in new if name not in {*old, *found.columns_only_new}]
        found.retyped += [
            name for name in old if name in new and not self._same_type(name) and name not in found.retyped
        ]

    def _same_type(self, name: str) -> bool:
        types = [schema.field(name).type for schema in self._schemas]
        return types[0] == types[1] or all(is_number(kind) for kind in types)

    def _one_sided_rows(self, matched: MatchedRows) -> None:
        found = self._found
        sides = (
            (matched.only_old, matched.keys.of_old, found.old_examples),
            (matched.only_new, matched.keys.of_new, found.new_examples),
        )
        for side, (rows, key, examples) in enumerate(sides):
            wanted = rows if self._sink else rows[: max(EXAMPLES - len(examples), 0)]
            for row in wanted:
                words = self._words(key(int(row)))
                if len(examples) < EXAMPLES:
                    examples.append(words)
                if self._sink:
                    texts = ("row", None) if side == 0 else (None, "row")
                    self._sink(Moved(found.table, words, "", "", "", texts[0], texts[1], None, ""))
        found.only_old += matched.only_old.size
        found.only_new += matched.only_new.size

    def _words(self, key: tuple[object, ...]) -> str:
        names = _key_of(self._schemas[0])
        units = [_unit(self._schemas[0], name) for name in names]
        return key_words(self._part, dict(zip(names, key, strict=True)), units)

    def _changed_rows(self, matched: MatchedRows) -> None:
        place = Place(
            self._found.table,
            matched,
            self._tolerance,
            lambda pair: self._words(matched.keys.of_old(int(matched.old[pair]))),
        )
        changed = np.zeros(matched.old.size, dtype=bool)
        # A folder holds one campaign, and the report names both once: its name is no change of every row.
        not_compared = {CAMPAIGN.name, *matched.keys.names}
        for name in self._schemas[0].names:
            if name in self._schemas[1].names and name not in not_compared and self._same_type(name):
                changed |= self._cells(place, name)
        self._found.changed_rows += int(np.count_nonzero(changed))

    def _cells(self, place: Place, name: str) -> Mask:
        kind, unit = self._schemas[0].field(name).type, _unit(self._schemas[0], name)
        if pa.types.is_list(kind):
            return self._list_cells(place, name, kind.value_type, unit)
        old, new = (self._taken(side, name, place.rows) for side in (0, 1))
        if is_number(kind):
            scale = scale_of(name, unit, whole=self._whole(name))
            return compare_numbers(place, self._found.column(name, unit, scale), scale, old, new, self._sink)
        texts = old.cast(pa.string()), new.cast(pa.string())
        return compare_texts(place, self._found.column(name, unit, None), texts[0], texts[1], self._sink)

    def _whole(self, name: str) -> bool:
        """Whether both columns hold whole numbers, or lists of them."""
        kinds = [schema.field(name).type for schema in self._schemas]
        return all(pa.types.is_integer(kind.value_type if pa.types.is_list(kind) else kind) for kind in kinds)

    def _column(self, side: int, name: str) -> pa.ChunkedArray:
        with reading(self._paths[side]):
            return self._files[side].read(columns=[name], use_threads=False)[name]

    def _taken(self, side: int, name: str, rows: MatchedRows) -> pa.Array:
        column = self._column(side, name).combine_chunks()
        return column.take(pa.array(rows.old if side == 0 else rows.new))

    def _list_cells(self, place: Place, name: str, kind: pa.DataType, unit: str) -> Mask:
        words = self._code_names(name) if pa.types.is_uint8(kind) else ()
        texts = pa.types.is_string(kind)
        scale = None if texts or words else scale_of(name, unit, whole=self._whole(name))
        column = self._found.column(name, unit, scale)
        labels = next((n for n in self._schemas[0].names if name.startswith(f"{n}_") and self._has_names(n)), None)
        grid = self._line_grid(place.rows) if not texts else None
        changed = [np.empty(0, dtype=bool)]
        for pairs, old, new in aligned_lists(*self._sides, [name, *([labels] if labels else [])], place.rows):
            labelled = _labelled(pairs, old, new, kind) if labels else None
            lists = labelled or _lists(grid, pairs, old[0], new[0], words)
            compare = compare_names if texts else compare_lists
            changed.append(compare(place, column, lists, self._sink))
        return np.concatenate(changed)

    def _has_names(self, name: str) -> bool:
        return all(
            name in schema.names and schema.field(name).type == pa.list_(pa.string()) for schema in self._schemas
        )

    def _code_names(self, name: str) -> tuple[str, ...]:
        stated = (self._schemas[0].metadata or {}).get(f"tapeline.{name}s".encode(), b"").decode()
        return tuple(stated.split(",")) if stated else ()

    def _line_grid(self, rows: MatchedRows) -> LineGrid | None:
        """The lines of each pair; None in a table without lines."""
        if not all(name in schema.names for schema in self._schemas for name in LINE_COLUMNS):
            return None
        old, new = (np.stack([reals(self._taken(side, name, rows)) for name in LINE_COLUMNS]) for side in (0, 1))
        return LineGrid(old, new)


def _key_of(schema: pa.Schema) -> list[str]:
    """The columns that a file says identify a row, but for the campaign's name."""
    stated = (schema.metadata or {}).get(b"tapeline.key", b"").decode().split(",")
    return [name for name in stated if name not in ("", CAMPAIGN.name)]


@dataclass(frozen=True)
class LineGrid:
    """First line and line spacing in Hz of both tables' matched rows, each of shape (2, pairs)."""

    old: NDArray[np.float64]
    new: NDArray[np.float64]

    def same(self, pairs: NDArray[np.int64]) -> Mask:
        """For which of some pairs both tables have the same lines."""
        old, new = self.old[:, pairs], self.new[:, pairs]
        return np.asarray(((old == new) | (np.isnan(old) & np.isnan(new))).all(axis=0))

    def line(self, pair: int, offset: int) -> str:
        """The frequency of a line."""
        first, step = self.old[:, pair]
        return value_words(float(first + offset * step), "Hz")

    def words(self, side: int, pair: int) -> str:
        """Which lines one side of a pair holds."""
        first, step = (value_words(float(value), "Hz") for value in (self.old, self.new)[side][:, pair])
        return f"from {first}, {step} apart"


def _lists(
    grid: LineGrid | None, pairs: NDArray[np.int64], old: pa.ListArray, new: pa.ListArray, words: tuple[str, ...]
) -> Lists:
    """Lists of which an element is named by its frequency, or by its place from 1 where it is no line."""
    if grid is None:
        every = np.ones(pairs.size, dtype=bool)
        return Lists(pairs, old, new, lambda row, offset: f"item {offset + 1}", every, words)
    return Lists(
        pairs,
        old,
        new,
        lambda row, offset: grid.line(int(pairs[row]), offset),
        grid.same(pairs),
        words,
        lambda side, row: grid.words(side, int(pairs[row])),
    )


def _labelled(pairs: NDArray[np.int64], old: list[pa.ListArray], new: list[pa.ListArray], kind: pa.DataType) -> Lists:
    """Lists in the order of the names that they go with, which are told apart where the two tables name others."""
    (old_names, first), (new_names, second) = (in_order_of_names(*side) for side in (old, new))
    same = np.array([before == after for before, after in zip(old_names, new_names, strict=True)], dtype=bool)
    if pa.types.is_string(kind):
        first, second = (_with_names(*side) for side in ((old_names, first), (new_names, second)))
    arrays = [pa.array(side, type=pa.list_(kind)) for side in (first, second)]
    return Lists(pairs, arrays[0], arrays[1], lambda row, offset: old_names[row][offset], same)


def _with_names(names: list[list[str]], values: list[list[Any] | None]) -> list[list[Any] | None]:
    return [
        None if row is None else [f"{name}: {value}" for name, value in zip(labels, row, strict=True)]
        for labels, row in zip(names, values, strict=True)
    ]


def _same_bytes(old: Path, new: Path) -> bool:
    """Whether two files are equal byte by byte."""
    with reading(old), old.open("rb") as first, reading(new), new.open("rb") as second:
        if old.stat().st_size != new.stat().st_size:
            return False
        while chunk := first.read(CHUNK_BYTES):
            if chunk != second.read(CHUNK_BYTES):
                return False
    return True


def _unit(schema: pa.Schema, name: str) -> str:
    return str((schema.field(name).metadata or {}).get(b"unit", b"").decode())
