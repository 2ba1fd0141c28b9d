"""Checks of fittings, positions and sensors against each other."""

from __future__ import annotations

from pathlib import Path

from tapeline.campaign.faults import Fault, listed, quoted
from tapeline.campaign.material import Material
from tapeline.campaign.tables import Position
from tapeline.limits import DATA_SHEET_FILE_BYTES
from tapeline.regular_files import NotRegularError, may_be_read, require_regular

MOST_NAMED = 4
"""So many sensors are named in a warning."""

AXES = ("x_m", "y_m", "z_m")


def check_fittings(material: Material) -> None:
    """Unknown positions and sensors, volts without a sensor; warn of a sensor in two places at once."""
    table = material.fittings
    positions, sensors = material.positions.known("position"), material.sensors.known("sensor")
    fitted: dict[tuple[str, str], int] = {}
    for row in table.rows:
        material.note_unknown(table, row.line, "position", row.position, positions, "a row of the positions table")
        if row.sensor is None:
            if row.unit == "V":
                expected = "the sensor, since the recording is in volts"
                mend = 'for a recording in pascal write "Pa" in the column "unit"'
                material.note(table.fault(row.line, "sensor", "an empty cell", expected, mend))
            continue
        material.note_unknown(table, row.line, "sensor", row.sensor, sensors, "a row of the sensors table")
        first = fitted.setdefault((row.session, row.sensor), row.line)
        if first != row.line:
            found = f"{quoted(row.sensor)} again"
            expected = f"each sensor once in session {quoted(row.session)} (it is in line {first} already)"
            material.warnings.append(table.fault(row.line, "sensor", found, expected))


def check_sensor_sizes(material: Material) -> None:
    """Warn of sensors under attached flow whose diameter is not known: nothing is said of what their size takes off."""
    attached = {row.position for row in material.positions.rows if row.flow == "attached"}
    fitted = {row.sensor for row in material.fittings.rows if row.position in attached and row.sensor is not None}
    unknown = [row for row in material.sensors.rows if row.sensor in fitted and row.diameter_mm is None]
    if unknown:
        found = f"an empty cell for {listed((row.sensor for row in unknown), MOST_NAMED)}"
        expected = "the diameter of the sensing face, since the position is under attached flow"
        mend = "without it the size of the sensor counts for nothing, in levels and in their uncertainty"
        material.warnings.append(material.sensors.fault(unknown[0].line, "diameter_mm", found, expected, mend))


def check_positions(material: Material) -> None:
    """Unknown partners and cavities, and the order along line arrays."""
    table = material.positions
    positions, cavities = table.names("position"), material.cavities.known("cavity")
    orders: dict[tuple[str, int], int] = {}
    for row in table.rows:
        if row.mirror is not None and row.mirror == row.position:
            material.note(table.fault(row.line, "mirror", "the position itself", "the partner on the other side"))
        elif row.mirror is not None and row.mirror not in positions:
            others = [name for name in positions if name != row.position]
            material.note(table.unknown(row.line, "mirror", row.mirror, others, "a position of this table"))
        material.note_unknown(table, row.line, "cavity", row.cavity, cavities, f"a row of {material.cavities.file}")
        if row.line_array is None:
            continue
        if row.line_order is None:
            expected = f"the place on the line array {quoted(row.line_array)}, counted downstream"
            material.note(table.fault(row.line, "line_order", "an empty cell", expected))
            continue
        first = orders.setdefault((row.line_array, row.line_order), row.line)
        if first != row.line:
            expected = f"each place on the line array once (it is in line {first} already)"
            material.note(table.fault(row.line, "line_order", f"{row.line_order} again", expected))


def check_lines(material: Material) -> None:
    """Warn of lines of sensors whose coordinates are not known, or do not rise in the stated order."""
    table = material.positions
    lines: dict[str, list[Position]] = {}
    for row in table.rows:
        if row.line_array is not None and row.line_order is not None:
            lines.setdefault(row.line_array, []).append(row)
    for line, rows in sorted(lines.items()):
        ordered = sorted(rows, key=lambda row: row.line_order or 0)
        missing = [(row, axis) for row in ordered for axis in AXES if getattr(row, axis) is None]
        if missing:
            row, axis = missing[0]
            expected = f"coordinates of all positions of line {quoted(line)}, from which its distances follow"
            mend = "without them the table lines has no values for it"
            material.warnings.append(table.fault(row.line, axis, "an empty cell", expected, mend))
            continue
        places = [tuple(float(getattr(row, axis)) for axis in AXES) for row in ordered]
        along = [last - first for first, last in zip(places[0], places[-1], strict=True)]
        for row, place, following in zip(ordered[1:], places, places[1:], strict=False):
            if sum(a * (there - here) for a, here, there in zip(along, place, following, strict=True)) <= 0.0:
                found = f"{row.line_order}, where the coordinates do not go on along line {quoted(line)}"
                mend = "correct the order or the coordinates; without that the table lines has no values for it"
                material.warnings.append(
                    table.fault(row.line, "line_order", found, "places that rise along the line", mend)
                )
                break


def check_data_sheets(material: Material) -> None:
    """Data sheets of fitted sensors that cannot be read. (Charts are missed when they are read.)"""
    fitted = material.fitted_sensors
    for row in material.sensors.rows:
        if row.sensor not in fitted or row.data_sheet is None:
            continue
        path = material.root / row.data_sheet
        if not may_be_read(path):
            material.note(missing_file(material, row.line, "data_sheet", row.data_sheet))
        elif (size := path.stat().st_size) > DATA_SHEET_FILE_BYTES:
            expected = "a data sheet of 8 or 40 bytes (IEEE 1451.4)"
            found = f"{quoted(row.data_sheet)} of {size:,} bytes"
            material.note(material.sensors.fault(row.line, "data_sheet", found, expected))


def missing_file(material: Material, line: int, column: str, path: str) -> Fault:
    """The fault of a path in the sensor table that leads to no file."""
    expected = "a file, by its path from the campaign folder"
    return material.sensors.fault(line, column, found_instead(material.root, path), expected)


def found_instead(root: Path, path: str) -> str:
    """What there is where a file was looked for and cannot be read."""
    try:
        require_regular(root / path)
    except NotRegularError as error:
        return f"{error.strerror}, {quoted(path)}"
    except PermissionError:
        return f"no permission to look for {quoted(path)}"
    except (OSError, ValueError):
        return f"no file {quoted(path)}"
    return f"no permission to read {quoted(path)}"


def has_file(root: Path, path: str | Path) -> bool:
    """Whether `path`, from the folder `root`, leads to a file."""
    try:
        return (root / path).is_file()
    except (OSError, ValueError):
        return False
