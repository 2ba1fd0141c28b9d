"""Tables put together for who reads them: levels with their conditions, means of conditions with their intervals.

A bound, and what cannot be used, never stands in a column of values: the cell is empty there, and `given` says what is
known instead.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from tapeline.acoustics.levels import level_db, power_pa2
from tapeline.analysis.results_folders import ResultsFolders
from tapeline.store.schema import ARROW_TYPES, CAMPAIGN, Column
from tapeline.store.shared_columns import BAND, DB, DOUBT, POSITION, RUN, SESSION, SPEED, YAW
from tapeline.store.tables import BANDS, COMPARISONS, OVERALL, TONES, TREATMENTS, WITHOUT_DIFFERENCE

VALUE, BOUND, NOTHING = "value", "bound", "nothing"
"""What a row gives: a number that may be averaged and compared, a bound alone, or neither."""

NO_VALUE = "`given` is bound or nothing"
NO_BOUND = "`given` is value or nothing"

GIVEN = Column("given", "text", "what the row gives: value, bound (see upper_bound_db), or nothing (not usable)")
GIVEN_DIFFERENCE = Column(
    "given", "text", "what the row gives: value, bound (one of lower_db and upper_db alone), or nothing (see why_not)"
)

AREA = Column("area", "text", "group of positions", null="in none")
CONDITION = Column("condition", "text", "treatment condition", null="not stated")

POINT = (replace(SPEED, null="not stated"), YAW)
"""The operating point of a run."""

ITEM = (
    Column("quantity", "text", "band or overall"),
    Column("weighting", "text", "frequency weighting; Z for bands"),
    Column("band_hz", "real", BAND.description, "Hz", null="an overall level"),
    Column("lowest_band_hz", "real", "lowest midband frequency asked for", "Hz", null="a band"),
    Column("highest_band_hz", "real", "highest midband frequency asked for", "Hz", null="a band"),
)

LEVELS: tuple[Column, ...] = (
    CAMPAIGN,
    SESSION,
    RUN,
    CONDITION,
    *POINT,
    Column("recorded_at", "text", "ISO 8601 time from the run table", null="not given"),
    POSITION,
    AREA,
    *ITEM,
    GIVEN,
    Column("level_db", "real", "level after subtraction of the background, as measured", DB, null=NO_VALUE),
    Column("lower_db", "real", "lower end of its interval as an absolute level", DB, null=f"{NO_VALUE}, or open"),
    Column("upper_db", "real", "upper end of that interval", DB, null=NO_VALUE),
    Column("standard_uncertainty_db", "real", "of the level as an absolute one", "dB", null=NO_VALUE),
    Column("nominal_level_db", "real", "the level brought to the nominal operating point", DB, null=NO_VALUE),
    Column("upper_bound_db", "real", "upper bound of the level", DB, null=NO_BOUND),
    Column("background_level_db", "real", "level of the background", DB, null="no background run, or not usable"),
    Column(
        "margin_db", "real", "total above all that is subtracted", "dB", null="nothing is subtracted, or not usable"
    ),
    Column("state", "text", "clear, corrected, limited, bound or none", null="outside the usable range"),
    Column("usable", "yes_no", "there is a level or a bound, and nothing says that it is wrong"),
    Column("comparable", "yes_no", "counts in means and comparisons"),
    Column("pooled", "yes_no", "also counts in the scatter of repeats"),
    Column("doubt", "texts", "why the level is doubtful"),
    Column("marks", "texts", "what to know of the level, see bands and overall"),
)
"""One row a used measurement, position and band or overall level."""

CONDITION_MEANS: tuple[Column, ...] = (
    CAMPAIGN,
    SESSION,
    CONDITION,
    *POINT,
    POSITION,
    AREA,
    *ITEM,
    GIVEN,
    Column("level_db", "real", "mean of the runs' levels, as measured", DB, null=NO_VALUE),
    Column("lower_db", "real", "lower end of its interval as an absolute level", DB, null=NO_VALUE),
    Column("upper_db", "real", "upper end of that interval", DB, null=NO_VALUE),
    Column("standard_uncertainty_db", "real", "of the mean as an absolute level", "dB", null=NO_VALUE),
    Column("degrees_of_freedom", "real", "of the standard uncertainty", null=f"{NO_VALUE}, or infinite"),
    Column("upper_bound_db", "real", "the mean is at most this: a run among them is a bound", DB, null=NO_BOUND),
    Column("runs", "texts", "runs whose levels or bounds are in it"),
    *DOUBT,
)
"""One row a session, condition, operating point, position and band or overall level."""

_RUN_KEY = ("campaign", "run")
_POSITION_KEY = ("campaign", "position")
_CELL_KEY = ("campaign", "session", "condition", "speed_mps", "yaw_deg", "position", *(item.name for item in ITEM))
_RENAMED = {"level_db": "corrected_level_db", "lower_db": "absolute_lower_db", "upper_db": "absolute_upper_db"}
_OF_VALUES = ("level_db", "lower_db", "upper_db", "standard_uncertainty_db", "nominal_level_db")
_OF_USABLE = ("upper_bound_db", "background_level_db", "margin_db")


def levels(folders: ResultsFolders) -> pa.Table:
    """Levels of the used measurements with their conditions, see LEVELS; without what is unusable or a bound."""
    used = [("kind", "==", "measurement"), ("status", "==", "used")]
    runs = folders.table("runs", used)
    read = {_RENAMED.get(column.name, column.name) for column in LEVELS}
    parts = [
        _levels(folders.table_or_none(name, columns=read), quantity, runs)
        for name, quantity in ((OVERALL.name, "overall"), (BANDS.name, "band"))
    ]
    made = _with_area(pa.concat_tables(parts), folders)
    return made.select([column.name for column in LEVELS])


def _levels(table: pa.Table, quantity: str, runs: pa.Table) -> pa.Table:
    places = _places(runs, _RUN_KEY)
    at = [places.get(key) for key in _keys(table, _RUN_KEY)]
    table = table.filter(pa.array([place is not None for place in at], pa.bool_()))
    of_run = runs.take(pa.array([place for place in at if place is not None], pa.int64()))
    usable = pc.fill_null(table["usable"], False)
    bound = pc.is_valid(table["upper_bound_db"])
    valued = pc.and_(pc.and_(usable, pc.invert(bound)), pc.is_valid(table["corrected_level_db"]))
    made: dict[str, Any] = {
        "quantity": pa.repeat(pa.scalar(quantity), table.num_rows),
        "given": pc.if_else(valued, VALUE, pc.if_else(pc.and_(usable, bound), BOUND, NOTHING)),
        **{name: _where(valued, table[_RENAMED.get(name, name)]) for name in _OF_VALUES},
        **{name: _where(usable, table[name]) for name in _OF_USABLE},
        **{name: pc.fill_null(table[name], False) for name in ("usable", "comparable", "pooled")},
        **{name: of_run[name] for name in ("condition", "speed_mps", "yaw_deg", "recorded_at")},
    }
    if quantity == "band":
        made["weighting"] = pa.repeat(pa.scalar("Z"), table.num_rows)
    return _of_columns([column for column in LEVELS if column.name != AREA.name], made, table)


def _of_columns(columns: Iterable[Column], made: Mapping[str, Any], table: pa.Table) -> pa.Table:
    """Columns by name: what was made, else as the table has them, else empty."""
    arrays = {}
    for column in columns:
        kind = ARROW_TYPES[column.type]
        if column.name in made:
            arrays[column.name] = made[column.name].cast(kind)
        elif column.name in table.column_names:
            arrays[column.name] = table[column.name].cast(kind)
        else:
            arrays[column.name] = pa.nulls(table.num_rows, kind)
    return pa.table(arrays)


def _where(chosen: pa.ChunkedArray, values: pa.ChunkedArray) -> pa.ChunkedArray:
    return pc.if_else(chosen, values, pa.scalar(None, values.type))


def _keys(table: pa.Table, names: Sequence[str]) -> list[tuple[Any, ...]]:
    return list(zip(*(table[name].to_pylist() for name in names), strict=True))


def _places(table: pa.Table, names: Sequence[str]) -> dict[tuple[Any, ...], int]:
    """Where the row of each key stands."""
    return {key: index for index, key in enumerate(_keys(table, names))}


def _with_area(table: pa.Table, folders: ResultsFolders) -> pa.Table:
    positions = folders.table_or_none("positions")
    places = _places(positions, _POSITION_KEY)
    at = pa.array([places.get(key) for key in _keys(table, _POSITION_KEY)], pa.int64())
    return table.append_column(AREA.name, positions[AREA.name].take(at))


def condition_means(folders: ResultsFolders, of: pa.Table | None = None) -> pa.Table:
    """Mean levels of conditions with their intervals, see CONDITION_MEANS, from the table budgets.

    A mean that a bound is part of is a bound itself; a cell whose runs are all unusable stays, with nothing given.
    `of` is the table of `levels`, where it is there already.
    """
    runs = levels(folders) if of is None else of
    budgets = folders.table_or_none("budgets", [("budget", "==", "absolute")])
    budgets = budgets.rename_columns({"session_label": "session"})
    means = _places(budgets, _CELL_KEY)
    cells: dict[tuple[Any, ...], list[int]] = {}
    for index, key in enumerate(_keys(runs, _CELL_KEY)):
        cells.setdefault(key, []).append(index)
    first = runs.take(pa.array([members[0] for members in cells.values()], pa.int64()))
    own = budgets.take(pa.array([means.get(key) for key in cells], pa.int64()))
    valued = pc.is_valid(own["level_db"])
    without = [members for members, told in zip(cells.values(), valued.to_pylist(), strict=True) if not told]
    unvalued = iter(_common_bounds(runs, without))
    names = ("upper_bound_db", "runs", "doubtful", "doubt")
    told = zip(valued.to_pylist(), *(own[name].to_pylist() for name in names[1:]), strict=True)
    rest = [(None, *row[1:]) if row[0] else next(unvalued) for row in told]
    bound = pa.array([row[0] for row in rest], pa.float64())
    made = {
        "given": pc.if_else(valued, VALUE, pc.if_else(pc.is_valid(bound), BOUND, NOTHING)),
        **{name: own[name] for name in ("level_db", "lower_db", "upper_db", "standard_uncertainty_db")},
        "degrees_of_freedom": own["degrees_of_freedom"],
        "upper_bound_db": bound,
        "runs": pa.array([row[1] for row in rest], pa.list_(pa.string())),
        "doubtful": pa.array([row[2] for row in rest], pa.bool_()),
        "doubt": pa.array([row[3] for row in rest], pa.list_(pa.string())),
    }
    return _of_columns(CONDITION_MEANS, made, first)


_Unvalued = tuple[float | None, list[str], bool, list[str]]
"""Bound, runs, whether it is doubtful and why."""


def _common_bounds(runs: pa.Table, cells: Sequence[Sequence[int]]) -> list[_Unvalued]:
    """What is known of cells without a mean: the bound of all their runs together, and why it is doubtful."""
    names = ["run", "comparable", "level_db", "upper_bound_db", "doubt"]
    members = pa.array([index for cell in cells for index in cell], pa.int64())
    left = iter(runs.select(names).take(members).to_pylist())
    return [_common_bound([next(left) for _ in cell]) for cell in cells]


def _common_bound(rows: Sequence[Mapping[str, Any]]) -> _Unvalued:
    together = [row for row in rows if row["comparable"]]
    is_bound = any(row["upper_bound_db"] is not None for row in together)
    ends = [row["level_db"] if row["upper_bound_db"] is None else row["upper_bound_db"] for row in together]
    bound = float(level_db(power_pa2([end for end in ends if end is not None]).mean())) if is_bound else None
    runs: dict[str, list[str]] = {}
    for row in together if is_bound else rows:
        for code in row["doubt"] or ():
            runs.setdefault(code, []).append(row["run"])
    doubt = [f"{code}: {', '.join(sorted(own))}" for code, own in sorted(runs.items())]
    return bound, sorted(row["run"] for row in together) if is_bound else [], bool(doubt), doubt


DIFFERENCES: tuple[Column, ...] = (
    CAMPAIGN,
    *COMPARISONS.columns,
    AREA,
    GIVEN_DIFFERENCE,
)
"""The table comparisons with the position's area and what each row gives."""

TREATMENTS_GIVEN: tuple[Column, ...] = (
    CAMPAIGN,
    *TREATMENTS.columns,
    AREA,
    *(
        Column(f"{name}_given", "text", f"what is given of the {name}: value, bound (one end alone), or nothing")
        for name in ("gain", "remainder")
    ),
)
"""The table treatments with the position's area and what each row gives of gain and remainder."""


def differences(folders: ResultsFolders) -> pa.Table:
    """The comparisons, see DIFFERENCES."""
    table = folders.table_or_none(COMPARISONS.name)
    given = _given(table["finding"], table["difference_db"])
    return _with_area(table.append_column("given", given), folders).select([column.name for column in DIFFERENCES])


def treatments(folders: ResultsFolders) -> pa.Table:
    """What each condition gains and leaves, see TREATMENTS_GIVEN."""
    table = folders.table_or_none(TREATMENTS.name)
    for name in ("gain", "remainder"):
        table = table.append_column(f"{name}_given", _given(table[f"{name}_finding"], table[f"{name}_db"]))
    return _with_area(table, folders).select([column.name for column in TREATMENTS_GIVEN])


def _given(finding: pa.ChunkedArray, value: pa.ChunkedArray) -> pa.ChunkedArray:
    is_bound = pc.fill_null(pc.equal(finding, BOUND), False)
    told = pc.and_(pc.fill_null(pc.not_equal(finding, WITHOUT_DIFFERENCE), False), pc.is_valid(value))
    return pc.if_else(is_bound, BOUND, pc.if_else(told, VALUE, NOTHING))


def tones(folders: ResultsFolders) -> pa.Table:
    """The tones of the channels that can be used, with the position's area, see TONES_USABLE."""
    table = folders.table_or_none(TONES.name)
    unusable = unusable_channels(folders)
    keys = _keys(table, ("campaign", "run", "position"))
    told = table.filter(pa.array([key not in unusable for key in keys], pa.bool_()))
    return _with_area(told, folders).select([column.name for column in TONES_USABLE])


TONES_USABLE: tuple[Column, ...] = (CAMPAIGN, *TONES.columns, AREA)
"""The table tones with the position's area."""


def unusable_channels(folders: ResultsFolders) -> dict[tuple[str, str, str], list[str]]:
    """The reasons of channels that cannot be used, by campaign, run and position: of the run, or of its calibration."""
    found: dict[tuple[str, str, str], list[str]] = {}
    wrong = {
        (row["campaign"], row["session"], row["position"]): row["reasons"] or []
        for row in folders.table_or_none("calibration", [("verdict", "==", "unusable")]).to_pylist()
    }
    names = ["campaign", "session", "run", "position", "verdict", "reasons"]
    for row in folders.table_or_none("quality").select(names).to_pylist():
        of_session = wrong.get((row["campaign"], row["session"], row["position"]))
        if row["verdict"] == "unusable" or of_session is not None:
            own = (row["reasons"] or []) if row["verdict"] == "unusable" else []
            found[row["campaign"], row["run"], row["position"]] = [*own, *(of_session or ())]
    return found


JOINED: dict[str, tuple[Column, ...]] = {
    "levels": LEVELS,
    "condition_means": CONDITION_MEANS,
    "differences": DIFFERENCES,
    "treatments": TREATMENTS_GIVEN,
    "tones": TONES_USABLE,
}
"""The columns of the tables that are put together, by name."""
