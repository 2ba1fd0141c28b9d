"""What a table is: its columns, units and keys, and the Arrow schema made from them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, Literal, TypeVar

import pyarrow as pa

Row = TypeVar("Row")

ColumnType = Literal["text", "texts", "integer", "real", "reals", "yes_no", "states", "integers"]

ARROW_TYPES: dict[ColumnType, pa.DataType] = {
    "text": pa.string(),
    "texts": pa.list_(pa.string()),
    "integer": pa.int64(),
    "integers": pa.list_(pa.int64()),
    "real": pa.float64(),
    "reals": pa.list_(pa.float32()),
    "yes_no": pa.bool_(),
    "states": pa.list_(pa.uint8()),
}


@dataclass(frozen=True)
class Column:
    """One column: its name carries the unit, `unit` spells it, `null` says what an empty cell means.

    `gap` says what an empty element of a list of numbers means; without it such a list has a number everywhere.
    """

    name: str
    type: ColumnType
    description: str
    unit: str = ""
    null: str = ""
    gap: str = ""

    def arrow(self) -> pa.Field:
        """The Arrow field with unit and description in its metadata."""
        metadata = {"unit": self.unit, "description": self.description}
        if self.null:
            metadata["null"] = self.null
        if self.gap:
            metadata["gap"] = self.gap
        return pa.field(self.name, ARROW_TYPES[self.type], nullable=True, metadata=metadata)


CAMPAIGN = Column("campaign", "text", "name of the campaign in campaign.yaml")
"""The first column of every table, filled by the writer: several campaigns can be read as one set."""


@dataclass(frozen=True)
class Table(Generic[Row]):
    """One table of the output contract, with the type of its rows (`store/rows.py`).

    `own_key` names the columns that identify a row within its campaign, `columns` all but the campaign's name; rows are
    stored sorted by `sort`, which is the key unless another order is stated. `partition` names a column that the folder
    name carries.
    """

    name: str
    version: int
    title: str
    own_key: tuple[str, ...]
    columns: tuple[Column, ...]
    sort: tuple[str, ...] = ()
    partition: str | None = None
    notes: tuple[tuple[str, str], ...] = ()

    @property
    def key(self) -> tuple[str, ...]:
        """The columns that identify a row among those of several campaigns."""
        return (CAMPAIGN.name, *self.own_key)

    @property
    def stored_columns(self) -> tuple[Column, ...]:
        """The columns of the file."""
        return (CAMPAIGN, *self.columns)

    def arrow(self) -> pa.Schema:
        """The Arrow schema of what jobs make: without the campaign's name and file metadata."""
        return pa.schema([column.arrow() for column in self.columns])

    @property
    def order(self) -> tuple[str, ...]:
        """The columns that rows are sorted by."""
        return self.sort or self.own_key

    def column_names(self) -> tuple[str, ...]:
        """The names of the columns that jobs make, in their order."""
        return tuple(column.name for column in self.columns)
