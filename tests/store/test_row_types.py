"""Types of rows say what the declarations of the tables say."""

from __future__ import annotations

import types
import typing

import pytest

from tapeline.store import rows, shared_columns, tables
from tapeline.store.schema import Column, Table

CELLS = {"text": str, "integer": int, "real": float, "yes_no": bool}


def may_be_none(hint: object) -> bool:
    return types.NoneType in typing.get_args(hint)


def hints_of(name: str) -> dict[str, object]:
    return typing.get_type_hints(getattr(rows, name))


@pytest.mark.parametrize("table", tables.ALL, ids=lambda table: table.name)
def test_a_row_has_the_columns_of_its_table(table: Table[typing.Any]) -> None:
    hints = hints_of(f"{table.name.title().replace('_', '')}Row")
    assert tuple(hints) == table.column_names()
    for column in table.columns:
        assert may_be_none(hints[column.name]) == bool(column.null), column.name
        if column.type in CELLS:
            assert CELLS[column.type] in (hints[column.name], *typing.get_args(hints[column.name])), column.name


@pytest.mark.parametrize(
    ("name", "columns"),
    [
        ("TermsColumns", shared_columns.TERMS),
        ("ItemColumns", shared_columns.ITEM),
        ("SidesColumns", shared_columns.SIDES),
    ],
)
def test_a_group_has_its_columns(name: str, columns: tuple[Column, ...]) -> None:
    assert list(hints_of(name)) == [column.name for column in columns]


def test_gaps_in_lists_are_none() -> None:
    gapped, whole = hints_of("BandHistoryRow")["level_db"], hints_of("TermsColumns")["terms_db"]
    assert "float | None" in str(gapped)
    assert "None" not in str(whole)
