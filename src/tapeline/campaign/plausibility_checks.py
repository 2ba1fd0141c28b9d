"""Warns of values that can be computed with and are hardly meant: beyond what is usual, or far from their neighbours.

Nothing here refuses a campaign. Each column is warned of once, at its first such cell; facilities that lie beyond the
usual ranges on purpose lose nothing but that line.
"""

from __future__ import annotations

import datetime
import statistics
from collections.abc import Iterator, Sequence
from typing import Any, get_args

from tapeline.campaign.faults import quoted
from tapeline.campaign.material import Material
from tapeline.campaign.setting_sections import Section
from tapeline.campaign.settings_source import SettingsSource
from tapeline.campaign.table_source import TableRows
from tapeline.campaign.tables import Run
from tapeline.campaign.usual_values import Usual, innermost, usual_among
from tapeline.campaign.yaml_source import KeyPath
from tapeline.limits import (
    COORDINATE_OFF_MEDIAN_RATIO,
    FIRST_YEAR,
    LAST_YEAR,
    MEDIAN_AT_LEAST_VALUES,
    OFF_SESSION_DAYS,
    SENSITIVITY_OFF_MEDIAN_RATIO,
    SESSION_WITHIN_DAYS,
    SHORTEST_PART_S,
)


def check_plausible(material: Material) -> None:
    """Warn of what is hardly meant in settings and tables."""
    tables: tuple[TableRows[Any], ...] = (
        material.runs,
        material.positions,
        material.fittings,
        material.sensors,
        material.calibrators,
        material.cavities,
        material.left_out,
    )
    for table in tables:
        _check_usual(material, table)
    if material.source is not None:
        _check_settings(material, material.source)
    _check_neighbours(material)
    _check_places(material)
    _check_dates(material)
    _check_sessions(material)
    _check_parts(material)
    _check_filters(material)


def _check_usual(material: Material, table: TableRows[Any]) -> None:
    for cells in table.unusual:
        usual = cells.column.kind.usual
        if usual is not None:
            found = _found(cells.value, usual) + (f" and {cells.count - 1} more unusual" if cells.count > 1 else "")
            material.warnings.append(
                table.fault(cells.line, cells.column.name, found, usual.words, usual.hint(cells.value))
            )


def _found(value: float, usual: Usual) -> str:
    return f"{value:g} {usual.unit}".rstrip()


def _check_settings(material: Material, source: SettingsSource) -> None:
    for path, value, usual in _numbers(source.settings, ()):
        if path in source.document.values and not usual.holds(value):
            found = f"{path[-1] if isinstance(path[-1], str) else path[-2]}: {_found(value, usual)}"
            material.warnings.append(source.document.fault(path, found, usual.words, usual.hint(value)))


def _numbers(section: Section, path: KeyPath) -> Iterator[tuple[KeyPath, float, Usual]]:
    """Every number of a section that has a usual range, with its place."""
    for name, setting in type(section).model_fields.items():
        yield from _numbers_in(getattr(section, name), setting.annotation, (*path, name), usual_among(setting.metadata))


def _numbers_in(
    value: Any, annotation: Any, path: KeyPath, usual: Usual | None
) -> Iterator[tuple[KeyPath, float, Usual]]:
    """The numbers in a setting's value, each with the range that is declared nearest to it."""
    annotation, usual = innermost(annotation, usual)
    inner = get_args(annotation)
    if isinstance(value, Section):
        yield from _numbers(value, path)
    elif isinstance(value, dict):
        for name, content in value.items():
            yield from _numbers_in(content, inner[1], (*path, name), usual)
    elif isinstance(value, tuple):
        for index, content in enumerate(value):
            of_each = inner[0] if Ellipsis in inner else inner[index]
            yield from _numbers_in(content, of_each, (*path, index), usual)
    elif usual is not None and isinstance(value, int | float):
        yield path, value, usual


def _check_neighbours(material: Material) -> None:
    """Sensitivities and ranges far from the others'; sensors of another size may be of another kind."""
    by_size: dict[float | None, list[tuple[int, float]]] = {}
    for sensor in material.sensors.rows:
        if sensor.sensitivity_mv_per_pa is not None:
            by_size.setdefault(sensor.diameter_mm, []).append((sensor.line, sensor.sensitivity_mv_per_pa))
    mend = "check whether V/Pa was written; state diameter_mm where the sensors are of different kinds"
    for values in by_size.values():
        _warn_of_neighbours(material, material.sensors, "sensitivity_mv_per_pa", values, "mV/Pa", mend)
    ranges = [(row.line, row.full_scale_v) for row in material.fittings.rows if row.full_scale_v is not None]
    mend = "check the unit and the channel's range"
    _warn_of_neighbours(material, material.fittings, "full_scale_v", ranges, "V", mend)


def _warn_of_neighbours(
    material: Material,
    table: TableRows[Any],
    column: str,
    values: Sequence[tuple[int, float]],
    unit: str,
    mend: str,
) -> None:
    """Warn of values, each with its line, far from the median of all."""
    if len(values) < MEDIAN_AT_LEAST_VALUES:
        return
    middle = statistics.median(value for _, value in values)
    off = [
        (line, value) for line, value in values if max(value / middle, middle / value) >= SENSITIVITY_OFF_MEDIAN_RATIO
    ]
    if off:
        (line, value), more = off[0], _more(off)
        ratio = f"{value / middle:.3g} times" if value > middle else f"1/{middle / value:.3g} of"
        found = f"{value:g} {unit}, {ratio} the median{more}"
        expected = f"values like the median of its neighbours, {middle:g} {unit}"
        material.warnings.append(table.fault(line, column, found, expected, mend))


def _more(off: Sequence[object]) -> str:
    return f", and {len(off) - 1} more rows like it" if len(off) > 1 else ""


def _check_places(material: Material) -> None:
    """Coordinates so much larger than those of the other positions that they are in another unit."""
    every = [(max(abs(m or 0.0) for m in (row.x_m, row.y_m, row.z_m)), row) for row in material.positions.rows]
    sizes = [(size, row) for size, row in every if size > 0.0]
    if len(sizes) < MEDIAN_AT_LEAST_VALUES:
        return
    middle = statistics.median(size for size, _ in sizes)
    off = [(size, row) for size, row in sizes if size >= COORDINATE_OFF_MEDIAN_RATIO * middle]
    if off:
        size, row = off[0]
        axis = next(axis for axis in ("x_m", "y_m", "z_m") if abs(getattr(row, axis) or 0.0) == size)
        value = getattr(row, axis)
        found = f"{value:g} m, {size / middle:.3g} times as far as the median position{_more(off)}"
        expected = f"coordinates like those of the other positions, about {middle:.3g} m"
        mend = f"check the unit: {value:g} mm are {value / 1000.0:g} m"
        material.warnings.append(material.positions.fault(row.line, axis, found, expected, mend))


def _check_dates(material: Material) -> None:
    """Years in which nothing was recorded or calibrated."""
    dated: tuple[tuple[TableRows[Any], str], ...] = (
        (material.runs, "recorded_at"),
        (material.sensors, "calibrated_on"),
    )
    for table, column in dated:
        texts = [(row.line, getattr(row, column)) for row in table.rows if getattr(row, column) is not None]
        off = [(line, text) for line, text in texts if not FIRST_YEAR <= int(text[:4]) <= LAST_YEAR]
        if off:
            line, text = off[0]
            expected = f"a year from {FIRST_YEAR} to {LAST_YEAR}"
            found = f"{quoted(text)}{_more(off)}"
            material.warnings.append(table.fault(line, column, found, expected, "check the year, and the clock"))


def _check_sessions(material: Material) -> None:
    """Recordings made at quite another time than most of their session."""
    sessions: dict[str, list[tuple[datetime.datetime, Run]]] = {}
    for run in material.runs.rows:
        if run.recorded_at is not None and FIRST_YEAR <= int(run.recorded_at[:4]) <= LAST_YEAR:
            # Offsets from UTC are hours, which do not count here.
            when = datetime.datetime.fromisoformat(run.recorded_at).replace(tzinfo=None)
            sessions.setdefault(run.session, []).append((when, run))
    off: list[tuple[Run, datetime.datetime]] = []
    for found in sessions.values():
        middle = statistics.median_low(sorted(when for when, _ in found))
        near = sum(abs(when - middle) <= datetime.timedelta(days=SESSION_WITHIN_DAYS) for when, _ in found)
        if len(found) >= MEDIAN_AT_LEAST_VALUES and near > len(found) / 2:
            off += [
                (run, middle) for when, run in found if abs(when - middle) > datetime.timedelta(days=OFF_SESSION_DAYS)
            ]
    if off:
        run, middle = off[0]
        found_words = f"{quoted(run.recorded_at)}{_more(off)}"
        expected = f"a time near the other recordings of session {quoted(run.session)}, about {middle.date()}"
        mend = "check the year, or give the runs a session of their own"
        material.warnings.append(material.runs.fault(run.line, "recorded_at", found_words, expected, mend))


def _check_parts(material: Material) -> None:
    """Parts of recordings that are too short to be meant."""
    parts = [(run, run.stop_s - (run.start_s or 0.0)) for run in material.runs.rows if run.stop_s is not None]
    off = [(run, length) for run, length in parts if 0.0 < length < SHORTEST_PART_S]
    if off:
        run, length = off[0]
        expected = f"a part of at least {SHORTEST_PART_S:g} s"
        found = f"a part {length:.3g} s long{_more(off)}"
        material.warnings.append(
            material.runs.fault(run.line, "stop_s", found, expected, "check whether both times are in seconds")
        )


def _check_filters(material: Material) -> None:
    """Channels whose filters before the recorder leave nothing between them."""
    off = [
        row
        for row in material.fittings.rows
        if row.highpass_hz is not None and row.lowpass_hz is not None and 2.0 * row.highpass_hz >= row.lowpass_hz
    ]
    if off:
        row = off[0]
        found = f"{row.highpass_hz:g} Hz beside a low-pass of {row.lowpass_hz:g} Hz{_more(off)}"
        expected = "less than half of lowpass_hz, since bands are given from twice highpass_hz to lowpass_hz"
        mend = "check whether the two are swapped"
        material.warnings.append(material.fittings.fault(row.line, "highpass_hz", found, expected, mend))
