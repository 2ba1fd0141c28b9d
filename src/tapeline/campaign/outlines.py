"""Outlines of the body that the report's maps are drawn upon: polylines in campaign coordinates, from CSV or SVG."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TypeAlias

from tapeline.campaign.cells import TEXT, number
from tapeline.campaign.faults import Fault, did_you_mean, quoted
from tapeline.campaign.fitting_checks import found_instead, has_file
from tapeline.campaign.setting_sections import OutlineFile, Plane
from tapeline.campaign.settings_source import SettingsSource
from tapeline.campaign.table_columns import CsvColumn, CsvTable
from tapeline.campaign.table_source import TableRows, read_table
from tapeline.campaign.text_source import read_text
from tapeline.campaign.usual_values import MILLIMETRES
from tapeline.limits import FURTHEST_OUTLINE_M, OUTLINE_FILE_BYTES

AXES: dict[Plane, tuple[str, str]] = {"x-y": ("x_m", "y_m"), "x-z": ("x_m", "z_m"), "y-z": ("y_m", "z_m")}
"""The planes with their first axis, drawn across, and their second, drawn upward."""

Point: TypeAlias = tuple[float, float]
Polylines: TypeAlias = tuple[tuple[Point, ...], ...]

MOST_POINTS = 20_000
"""Points of one outline: more than any print shows."""


@dataclass(frozen=True)
class Outline:
    """Polylines in one plane: each at least two points in metres, the plane's first axis before its second."""

    plane: Plane
    lines: Polylines


@dataclass(frozen=True)
class OutlinePoint:
    """A row of an outline's table; `polyline` is the column `line`, `line` the file's line."""

    x_m: float | None
    y_m: float | None
    z_m: float | None
    polyline: str | None
    line: int


COORDINATE = number("m", least=-FURTHEST_OUTLINE_M, most=FURTHEST_OUTLINE_M, others=MILLIMETRES)
OUTLINE = CsvTable(
    "outline",
    OutlinePoint,
    (
        CsvColumn("line", TEXT, "name of the polyline that the point belongs to; empty: all one", into="polyline"),
        CsvColumn("x_m", COORDINATE, "coordinate in the frame that `axes` states", unit="m"),
        CsvColumn("y_m", COORDINATE, "coordinate in the frame that `axes` states", unit="m"),
        CsvColumn("z_m", COORDINATE, "coordinate in the frame that `axes` states", unit="m"),
    ),
)


def read_outlines(root: Path, source: SettingsSource, faults: list[Fault]) -> tuple[Outline, ...]:
    """The outlines that the settings name, in their order; those at fault are left out."""
    found: list[Outline] = []
    for index, entry in enumerate(source.settings.report.outlines):
        misfit = _misfit(root, source, index, entry)
        if misfit is not None:
            faults.append(misfit)
        elif _kind(entry) == ".csv":
            found += read_outline_table(root, entry.file, entry.plane, faults)
        elif entry.plane is not None:
            lines = read_outline_drawing(root, entry.file, faults)
            found += [Outline(entry.plane, lines)] if lines else []
    return tuple(found)


def _kind(entry: OutlineFile) -> str:
    return PurePosixPath(entry.file).suffix.lower()


def _misfit(root: Path, source: SettingsSource, index: int, entry: OutlineFile) -> Fault | None:
    """What is wrong with an entry of the settings before its file is read."""
    path = ("report", "outlines", index, "file")
    if _kind(entry) not in (".csv", ".svg"):
        mend = "save polylines as CSV or a drawing as SVG"
        return source.document.fault(path, quoted(entry.file), "a file name that ends in .csv or .svg", mend)
    if not has_file(root, entry.file):
        expected = "a file, by its path from the campaign folder"
        hint = did_you_mean(entry.file, _beside(root, entry.file))
        return source.document.fault(path, found_instead(root, entry.file), expected, hint)
    if _kind(entry) == ".svg" and entry.plane is None:
        expected = 'the key "plane" beside it: x-y, x-z or y-z'
        return source.document.fault(path, f"the drawing {quoted(entry.file)} without its plane", expected)
    size = (root / entry.file).stat().st_size
    if size > OUTLINE_FILE_BYTES:
        mend = "simplify the lines and take pictures out of the drawing"
        return Fault(entry.file, None, None, f"{size:,} bytes", f"at most {OUTLINE_FILE_BYTES:,}", mend)
    return None


def _beside(root: Path, path: str) -> list[str]:
    """Outline files in the folder where one was looked for."""
    folder = PurePosixPath(path).parent
    try:
        names = sorted(item.name for item in (root / folder).iterdir())
    except (OSError, ValueError):
        return []
    return [str(folder / name) for name in names if name.lower().endswith((".csv", ".svg"))]


def read_outline_table(root: Path, shown: str, plane: Plane | None, faults: list[Fault]) -> list[Outline]:
    """The outlines in a table, one for each plane whose two columns it has, or for `plane` alone.

    Points of one name in the column `line` are joined in the order of the rows.
    """
    found: list[Fault] = []
    one_of: list[tuple[str, ...]] = [(axis,) for axis in AXES[plane]] if plane else list(AXES.values())
    table = read_table(root, shown, OUTLINE, found, one_of)
    planes = [name for name, pair in AXES.items() if table.header.issuperset(pair) and plane in (None, name)]
    if not found:
        _check_points(table, sorted({axis for name in planes for axis in AXES[name]}), found)
    faults.extend(found)
    return [] if found else [Outline(name, _polylines(table.rows, AXES[name])) for name in planes]


def _check_points(table: TableRows[OutlinePoint], columns: Sequence[str], faults: list[Fault]) -> None:
    if not table.rows:
        faults.append(Fault(table.file, None, None, "no rows", "the points of the outline"))
    if len(table.rows) > MOST_POINTS:
        found = f"more than {MOST_POINTS:,} points"
        faults.append(table.fault(table.rows[MOST_POINTS].line, None, found, "fewer", "leave out every other one"))
        return
    first: dict[str | None, OutlinePoint] = {}
    counts: dict[str | None, int] = {}
    for row in table.rows:
        first.setdefault(row.polyline, row)
        counts[row.polyline] = counts.get(row.polyline, 0) + 1
        empty = (axis for axis in columns if getattr(row, axis) is None)
        faults.extend(table.fault(row.line, axis, "an empty cell", "a number of m") for axis in empty)
    for polyline, row in first.items():
        if counts[polyline] < 2:
            shown = "a single point" if polyline is None else f"a single point of {quoted(polyline)}"
            faults.append(table.fault(row.line, "line", shown, "at least two points of each polyline"))


def _polylines(rows: Sequence[OutlinePoint], axes: tuple[str, str]) -> Polylines:
    gathered: dict[str | None, list[Point]] = {}
    for row in rows:
        gathered.setdefault(row.polyline, []).append((getattr(row, axes[0]), getattr(row, axes[1])))
    return tuple(tuple(points) for points in gathered.values())


def read_outline_drawing(root: Path, shown: str, faults: list[Fault]) -> Polylines | None:
    """The polylines of an SVG drawing in metres: user units, its x the first axis, its up (minus y) the second."""
    from tapeline.campaign.svg_drawing import drawing_lines

    text = read_text(root / shown, shown, faults)
    lines = None if text is None else drawing_lines(text, shown, faults)
    if lines is None:
        return None
    if not lines:
        expected = "lines: path, polyline, polygon, line, rect, circle or ellipse"
        faults.append(Fault(shown, None, None, "a drawing without a line", expected))
        return None
    beyond = next(
        (point for line in lines for point in line if not all(abs(x) <= FURTHEST_OUTLINE_M for x in point)), None
    )
    if beyond is not None:
        expected = f"user units in metres, within {FURTHEST_OUTLINE_M:g} of the origin"
        mend = 'from millimetres: put everything into <g transform="scale(0.001)">'
        faults.append(Fault(shown, None, None, f"a point at {beyond[0]:g}, {beyond[1]:g}", expected, mend))
        return None
    return tuple(tuple((x, 0.0 - y) for x, y in line) for line in lines)
