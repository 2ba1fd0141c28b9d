"""The numbers of a figure as a table beside it, in comma-separated values."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tapeline.report.finished_tables import Row

DIGITS = 7
"""Significant digits: more than any level has, and float32 densities lose nothing."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class FigureData:
    """What a figure shows, by column: names say quantity and unit. Columns are of one length."""

    columns: Mapping[str, Sequence[Any] | np.ndarray[Any, Any]]

    def __post_init__(self) -> None:
        lengths = {len(values) for values in self.columns.values()}
        if len(lengths) > 1:
            raise ValueError(f"columns of a figure's table differ in length: {sorted(lengths)}")


def rows_data(rows: Iterable[Row], names: Sequence[str], **same: Any) -> FigureData:
    """Some columns of some rows; `same` are columns with one value throughout, which come first."""
    every = list(rows)
    constant = {name: [value] * len(every) for name, value in same.items()}
    return FigureData({**constant, **{name: [row[name] for row in every] for name in names}})


def csv_text(data: FigureData, *, decimal_comma: bool = False) -> str:
    """The table as RFC 4180 has it; lists are joined by blanks, what is missing or infinite is an empty cell.

    Text that a spreadsheet would take for a formula gets an apostrophe in front. With `decimal_comma` semicolons
    separate the cells, as spreadsheets expect it where a comma stands before the decimals.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n", delimiter=";" if decimal_comma else ",")
    writer.writerow([_cell(name) for name in data.columns])
    columns = [_cells(values, decimal_comma) for values in data.columns.values()]
    writer.writerows(zip(*columns, strict=True))
    return stream.getvalue()


def _cells(values: Sequence[Any] | np.ndarray[Any, Any], decimal_comma: bool) -> list[str]:
    if isinstance(values, np.ndarray):
        values = values.tolist()
    made = [_cell(value) for value in values]
    if not decimal_comma:
        return made
    return [
        cell.replace(".", ",") if isinstance(value, float) else cell for cell, value in zip(made, values, strict=True)
    ]


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return _number(value)
    if isinstance(value, (list, tuple)):
        return " ".join(_cell(part) for part in value)
    text = str(value)
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def _number(value: float) -> str:
    """A number as it is read back; nothing for what is none, nor for infinite ones: the level of no power at all."""
    if isinstance(value, int):
        return str(value)
    return f"{value:.{DIGITS}g}" if math.isfinite(value) else ""
