"""Results as wide files for spreadsheets: levels by condition, differences, gains."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import product
from pathlib import Path
from typing import Any

from tapeline.analysis.joined_tables import BOUND, VALUE, condition_means, differences, treatments
from tapeline.analysis.results_folders import ResultsFolders
from tapeline.report.figure_data import FigureData, csv_text
from tapeline.store.atomic import replacing
from tapeline.store.shared_columns import DB

Row = Mapping[str, Any]
Columns = dict[str, list[Any]]

LEVELS_FILE, DIFFERENCES_FILE, GAINS_FILE = "levels.csv", "differences.csv", "gains.csv"

KM_H_PER_M_S = 3.6

_ITEM = {
    "quantity": "quantity",
    "weighting": "weighting",
    "band_hz": "band (Hz)",
    "lowest_band_hz": "lowest band summed (Hz)",
    "highest_band_hz": "highest band summed (Hz)",
}
_PLACE = {"campaign": "campaign", "position": "position", "area": "area"}
_POINT = {"speed_mps": "speed (m/s)", "yaw_deg": "yaw (degree)"}
_LEVEL_ROW = {"campaign": "campaign", "session": "session", "position": "position", "area": "area"} | _ITEM


def write_spreadsheets(folders: ResultsFolders, to: Path, *, decimal_comma: bool = False) -> list[tuple[Path, int]]:
    """Write the three files into the folder `to` and return their names with the number of their rows.

    A bound is text in a column of its own, as in "<= 61.2", and never a number. Raises OSError where a file cannot be
    written.
    """
    made = {
        LEVELS_FILE: levels_by_condition(condition_means(folders).to_pylist()),
        DIFFERENCES_FILE: difference_columns(differences(folders).to_pylist()),
        GAINS_FILE: gain_columns(treatments(folders).to_pylist()),
    }
    written = []
    for name, columns in made.items():
        text = csv_text(
            FigureData(_told_with_comma(columns) if decimal_comma else columns), decimal_comma=decimal_comma
        )
        with replacing(to / name) as temporary:
            temporary.write_bytes(text.encode("utf-8"))
        written.append((to / name, len(next(iter(columns.values())))))
    return written


def levels_by_condition(means: Sequence[Row]) -> Columns:
    """One row a session, position and band or overall level; a column a condition and operating point.

    All columns of levels come first, then the ends of their intervals, then the bounds.
    """
    cells: dict[tuple[Any, ...], dict[tuple[Any, ...], Row]] = {}
    points: dict[tuple[Any, ...], None] = {}
    for row in means:
        point = (row["condition"], row["speed_mps"], row["yaw_deg"])
        points[point] = None
        cells.setdefault(tuple(row[name] for name in _LEVEL_ROW), {})[point] = row
    keys = sorted(cells, key=_order)
    columns: Columns = {head: [key[index] for key in keys] for index, head in enumerate(_LEVEL_ROW.values())}
    kinds = {
        f"level ({DB})": "level_db",
        f"lower end ({DB})": "lower_db",
        f"upper end ({DB})": "upper_db",
        f"bound ({DB})": BOUND,
    }
    for (kind, name), point in product(kinds.items(), sorted(points, key=_order)):
        found = [cells[key].get(point) for key in keys]
        columns[f"{_point_words(*point)}: {kind}"] = [
            None if row is None else _at_most(row) if name == BOUND else row[name] for row in found
        ]
    return columns


def _at_most(row: Row) -> str | None:
    return _one_sided(None, row["upper_bound_db"])


def _point_words(condition: str | None, speed_mps: float | None, yaw_deg: float | None) -> str:
    speed = "no speed" if speed_mps is None else f"{speed_mps:.4g} m/s = {speed_mps * KM_H_PER_M_S:.4g} km/h"
    yaw = "" if yaw_deg is None else f", yaw {yaw_deg:g} degree"
    return f"{condition or 'no condition'}, {speed}{yaw}"


def _order(key: Sequence[Any]) -> list[tuple[bool, Any]]:
    """Sorts what may be empty: empty cells last."""
    return [(value is None, "" if value is None else value) for value in key]


def difference_columns(rows: Sequence[Row]) -> Columns:
    """One row a comparison, position, operating point and band or overall level."""
    heads = {
        "comparison": "comparison", "reference": "reference", "treatment": "treatment", "session_label": "session",
        **_PLACE, **_POINT, **_ITEM,
    }  # fmt: skip
    return {
        **_plain(rows, heads),
        **_judged(rows, "given", ("difference_db", "lower_db", "upper_db"), "difference, treatment minus reference"),
        **_plain(rows, {"finding": "finding", "why_not": "why no difference", "pairing": "pairing"}),
        **_plain(rows, {"adjusted_p_value": "adjusted p-value"}),
        **_plain(rows, {"doubtful": "doubtful", "doubt": "doubt"}),
        **_plain(rows, {"reference_runs": "reference runs", "treatment_runs": "treatment runs"}),
    }


def gain_columns(rows: Sequence[Row]) -> Columns:
    """One row a condition, position, operating point and band or overall level: its gain, and what it leaves."""
    heads = {
        "condition": "condition", "applied": "applied", "untreated": "untreated", "best": "best", "session": "session",
        "other_session": "other session", **_PLACE, **_POINT, **_ITEM,
    }  # fmt: skip
    columns = _plain(rows, heads)
    for name in ("gain", "remainder"):
        of = (f"{name}_db", f"{name}_lower_db", f"{name}_upper_db")
        columns |= _judged(rows, f"{name}_given", of, name)
        found = ("finding", "why_not", "doubtful", "doubt")
        columns |= _plain(rows, {f"{name}_{each}": f"{name}: {each.replace('_', ' ')}" for each in found})
    return columns | _plain(rows, {"share": "share of the power that best takes away"})


def _plain(rows: Sequence[Row], heads: Mapping[str, str]) -> Columns:
    return {head: [_joined(row[name]) for row in rows] for name, head in heads.items()}


def _joined(value: Any) -> Any:
    return "; ".join(value) if isinstance(value, list) else value


def _judged(rows: Sequence[Row], given: str, names: tuple[str, str, str], words: str) -> Columns:
    """Value and interval where there is a value; else its bound as text."""
    heads = (f"{words} (dB)", f"{words}: lower end (dB)", f"{words}: upper end (dB)")
    columns: Columns = {
        head: [row[name] if row[given] == VALUE else None for row in rows]
        for name, head in zip(names, heads, strict=True)
    }
    columns[f"{words}: bound (dB)"] = [
        _one_sided(row[names[1]], row[names[2]]) if row[given] == BOUND else None for row in rows
    ]
    return columns


def _one_sided(lower_db: float | None, upper_db: float | None) -> str | None:
    """A bound in words, rounded away from what it bounds: it holds as it is written."""
    if lower_db is not None:
        return f">= {math.floor(lower_db * 10.0) / 10.0:.1f}"
    return None if upper_db is None else f"<= {math.ceil(upper_db * 10.0) / 10.0:.1f}"


def _told_with_comma(columns: Columns) -> Columns:
    """The same with commas in the text of bounds, which are told from other text by their column."""
    return {
        head: [value.replace(".", ",") if isinstance(value, str) else value for value in values]
        if ": bound (" in head
        else values
        for head, values in columns.items()
    }
