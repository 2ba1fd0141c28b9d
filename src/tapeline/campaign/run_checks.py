"""Checks of the run table: what a run needs, and the names by which it refers to other rows."""

from __future__ import annotations

import datetime
from collections.abc import Mapping

from tapeline.campaign.faults import quoted
from tapeline.campaign.material import Material
from tapeline.campaign.model import superseded
from tapeline.campaign.tables import EVERY_RUN, LeftOut, Run


def check_runs(material: Material) -> None:
    """What each run needs and refers to."""
    names = _Names(material)
    for run in material.runs.rows:
        _check_needs(material, run)
        _check_references(material, run, names)
        _check_background(material, run, names)
        _check_calibrated_positions(material, run, names)
        if run.start_s is not None and run.stop_s is not None and run.start_s >= run.stop_s:
            found, expected = f"{run.stop_s:g} s", f"a time after start_s, {run.start_s:g} s"
            material.note(material.runs.fault(run.line, "stop_s", found, expected))


def check_times(material: Material) -> None:
    """Times with and without an offset from UTC have no order among each other."""
    first: tuple[bool, Run] | None = None
    for run in material.runs.rows:
        if run.recorded_at is None:
            continue
        with_offset = datetime.datetime.fromisoformat(run.recorded_at).tzinfo is not None
        first = first or (with_offset, run)
        if with_offset != first[0]:
            found = f"{quoted(run.recorded_at)}, {'with' if with_offset else 'without'} an offset from UTC"
            expected = f"the offset in every row or in none (line {first[1].line}: {quoted(first[1].recorded_at)})"
            material.note(material.runs.fault(run.line, "recorded_at", found, expected))


def check_stages(material: Material) -> None:
    """Warn of checks recorded on the wrong side of a session's runs, or after before before."""
    times: dict[tuple[str, str], list[tuple[datetime.datetime, Run]]] = {}
    for run in material.runs.rows:
        if run.use and run.recorded_at is not None and run.session is not None:
            part = run.stage if run.kind == "calibration" and run.stage is not None else "runs"
            when = datetime.datetime.fromisoformat(run.recorded_at)
            times.setdefault((run.session, part), []).append((when, run))
    if len({when.tzinfo is None for found in times.values() for when, _ in found}) > 1:
        return
    for session in dict.fromkeys(session for session, _ in times):
        runs = times.get((session, "runs"), [])
        for when, run in times.get((session, "after"), []):
            later = [(then, other) for then, other in times.get((session, "before"), []) if then > when]
            if runs and when < min(runs, key=lambda item: item[0])[0]:
                later.append(min(runs, key=lambda item: item[0]))
            if later:
                _warn_of_stage(material, run, "before", later[0][1])
        for when, run in times.get((session, "before"), []):
            if runs and when > max(runs, key=lambda item: item[0])[0]:
                _warn_of_stage(material, run, "after", max(runs, key=lambda item: item[0])[1])


def _warn_of_stage(material: Material, run: Run, side: str, other: Run) -> None:
    found = f"{quoted(run.stage)}, recorded {side} {other.run} (line {other.line})"
    expected = "a stage that fits recorded_at"
    material.warnings.append(material.runs.fault(run.line, "stage", found, expected))


def check_calibrations(material: Material) -> None:
    """Warn of sessions in volts without a calibrator recording, where sensitivities are to rest on such."""
    settings = None if material.source is None else material.source.settings
    if settings is None or settings.calibration.sensitivity in ("chart", "data_sheet"):
        return
    in_volts = {fitting.session for fitting in material.fittings.rows if fitting.unit == "V"}
    checked = {run.session for run in material.runs.rows if run.use and run.kind == "calibration"}
    first: dict[str, Run] = {}
    for run in material.runs.rows:
        if run.use and run.kind == "measurement" and run.session in in_volts - checked:
            first.setdefault(run.session, run)
    for session, run in first.items():
        found = f"session {quoted(session)}, which has no calibrator recording"
        expected = "a run of the kind calibration, before or after the runs of the session"
        mend = "without one its sensitivities are those of the sensors table, unchecked"
        material.warnings.append(material.runs.fault(run.line, "session", found, expected, mend))


class _Names:
    """Names that runs may refer to; None where the place that declares them cannot be read."""

    def __init__(self, material: Material) -> None:
        source = material.source
        self.conditions = None if source is None else source.conditions
        self.formats = None if source is None else source.raw_formats
        self.sessions = material.fittings.known("session")
        self.calibrators = material.calibrators.known("calibrator")
        self.positions = material.positions.known("position")
        self.runs = {run.run: run for run in material.runs.rows}
        self.superseded = superseded(self.runs)
        self.backgrounds = [run.run for run in material.runs.rows if run.kind == "background" and run.use]
        self.fitted = _fitted(material)


def _fitted(material: Material) -> dict[str, set[str]]:
    """The positions fitted in each session; sessions with one that is still to be named are not there."""
    fitted: dict[str, set[str]] = {}
    for fitting in material.fittings.rows:
        fitted.setdefault(fitting.session, set()).add(fitting.position)
    return {session: positions for session, positions in fitted.items() if all(positions)}


def _check_needs(material: Material, run: Run) -> None:
    table = material.runs
    if run.kind == "measurement":
        if run.condition is None:
            expected = "the condition of the measurement"
            material.note(table.fault(run.line, "condition", "an empty cell", expected))
        speed_columns = ("speed_kmh", "speed_mps")
        if run.speed_mps is None and not any(
            (table.file, run.line, column) in material.bad_cells for column in speed_columns
        ):
            given = [column for column in speed_columns if column in table.header]
            column = (given or ["speed_kmh"])[0]
            material.note(table.fault(run.line, column, "an empty cell", "the set speed of the measurement"))
    if run.speed_mps:
        for column in ("measured_speed_mps", "dynamic_pressure_pa"):
            if getattr(run, column) == 0.0:
                expected = f"a value above 0 with the flow on (set speed {run.speed_mps:g} m/s), or an empty cell"
                material.note(table.fault(run.line, column, "0", expected))
    if run.kind == "calibration":
        if run.calibrator is None:
            material.note(table.fault(run.line, "calibrator", "an empty cell", "the calibrator used"))
        if run.stage is None:
            material.note(table.fault(run.line, "stage", "an empty cell", '"before" or "after"'))


def _check_references(material: Material, run: Run, names: _Names) -> None:
    references = (
        ("session", run.session, names.sessions, "a session of the fittings table"),
        ("condition", run.condition, names.conditions, "one of the conditions in campaign.yaml"),
        ("format", run.format, names.formats, "one of the raw_formats in campaign.yaml"),
        ("calibrator", run.calibrator, names.calibrators, "a row of the calibrators table"),
    )
    for column, name, known, expected in references:
        material.note_unknown(material.runs, run.line, column, name, known, expected)


def _check_background(material: Material, run: Run, names: _Names) -> None:
    for name in run.background or ():
        other = names.runs.get(name)
        found = quoted(name)
        if other is None:
            expected = "background runs of this table"
            material.note(material.runs.unknown(run.line, "background", name, names.backgrounds, expected))
            continue
        if other.kind is not None and other.kind != "background":
            found += f", a {other.kind} (line {other.line})"
        elif not other.use and name not in names.superseded:
            found += f", which is left out by use = no (line {other.line})"
        else:
            continue
        material.note(material.runs.fault(run.line, "background", found, "background runs that are used"))


def _check_calibrated_positions(material: Material, run: Run, names: _Names) -> None:
    for name in sorted({name for name in run.positions if run.positions.count(name) > 1}):
        expected, mend = "each position once, in the order calibrated", "a second application is found by itself"
        material.note(material.runs.fault(run.line, "positions", f"{quoted(name)} more than once", expected, mend))
    for name in run.positions:
        expected = "rows of the positions table"
        if material.note_unknown(material.runs, run.line, "positions", name, names.positions, expected):
            continue
        if run.session in names.fitted and name not in names.fitted[run.session]:
            expected = f"positions fitted in session {quoted(run.session)}"
            material.note(material.runs.fault(run.line, "positions", quoted(name), expected))


def check_overrides(material: Material) -> None:
    """Verdicts on unknown runs and positions, and two verdicts on one channel."""
    table, runs, positions = material.overrides, material.runs.known("run"), material.positions.known("position")
    first: dict[tuple[str, str | None], int] = {}
    for row in table.rows:
        material.note_unknown(table, row.line, "run", row.run, runs, "a run of the run table")
        material.note_unknown(table, row.line, "position", row.position, positions, "a row of the positions table")
        line = first.setdefault((row.run, row.position), row.line)
        if line != row.line:
            expected = f"one verdict a channel (there is one in line {line} already)"
            material.note(table.fault(row.line, "verdict", "another verdict on the same channel", expected))


def check_left_out(material: Material) -> None:
    """What is left out of unknown runs and of calibrations; stretches and ranges of one end, or the wrong way round."""
    table, runs, fitted = material.left_out, {run.run: run for run in material.runs.rows}, _fitted(material)
    known = runs if material.runs.readable else None
    for row in table.rows:
        run, of_range = runs.get(row.run), row.lower_hz is not None or row.upper_hz is not None
        if row.run != EVERY_RUN:
            material.note_unknown(table, row.line, "run", row.run, known, "a run of the run table")
        elif not of_range:
            expected = "one run: a stretch of time is that of one recording"
            material.note(table.fault(row.line, "run", f'"{EVERY_RUN}" with a stretch of time', expected))
        if row.run != EVERY_RUN and run is not None and run.kind == "calibration":
            found = f"{quoted(row.run)}, a calibration (line {run.line} of {material.runs.file})"
            material.note(table.fault(row.line, "run", found, "a measurement or background run"))
        if of_range:
            _check_left_out_range(material, row)
        else:
            _check_left_out_stretch(material, row)
        _check_left_out_position(material, row, run, fitted)


def _check_left_out_stretch(material: Material, row: LeftOut) -> None:
    table = material.left_out
    for column, value in (("start_s", row.start_s), ("stop_s", row.stop_s)):
        if value is None:
            expected = "both ends of a stretch in start_s and stop_s, or of a range in lower_hz and upper_hz"
            material.note(table.fault(row.line, column, "an empty cell", expected))
    if row.stretch_s is not None and row.stretch_s[1] <= row.stretch_s[0]:
        found = f"{row.stop_s:g} s, with a start at {row.start_s:g} s"
        material.note(table.fault(row.line, "stop_s", found, "a time after the start"))
    if row.position is not None:
        found, expected = (
            f"{quoted(row.position)} with a stretch of time",
            "an empty cell: it counts for all channels",
        )
        material.note(table.fault(row.line, "position", found, expected))


def _check_left_out_range(material: Material, row: LeftOut) -> None:
    table = material.left_out
    for column, end in (("lower_hz", row.lower_hz), ("upper_hz", row.upper_hz)):
        if end is None:
            expected = "both ends of the range; a single line has the same number twice"
            material.note(table.fault(row.line, column, "an empty cell", expected))
    if row.range_hz is not None and row.range_hz[1] < row.range_hz[0]:
        found, expected = f"{row.upper_hz:g} Hz", f"a frequency not below lower_hz, {row.lower_hz:g} Hz"
        material.note(table.fault(row.line, "upper_hz", found, expected))
    for column, time in (("start_s", row.start_s), ("stop_s", row.stop_s)):
        if time is not None:
            expected, mend = "an empty cell beside a range of frequencies", "write two rows to leave out both"
            material.note(table.fault(row.line, column, f"{time:g} s", expected, mend))


def _check_left_out_position(material: Material, row: LeftOut, run: Run | None, fitted: Mapping[str, set[str]]) -> None:
    """The position must be known, and fitted where the run is named."""
    table, known = material.left_out, material.positions.known("position")
    unknown = material.note_unknown(table, row.line, "position", row.position, known, "a row of the positions table")
    if not row.position or known is None or unknown:
        return
    if run is not None and run.session in fitted and row.position not in fitted[run.session]:
        expected = f"a position fitted in session {quoted(run.session)}"
        material.note(table.fault(row.line, "position", quoted(row.position), expected))


def check_replacements(material: Material) -> None:
    """Retakes of unknown runs, of themselves and in a circle."""
    table = material.runs
    runs = {run.run: run for run in table.rows}
    in_known_circle: set[str] = set()
    for run in table.rows:
        if run.replaces is None or run.run in in_known_circle:
            continue
        if run.replaces not in runs:
            others = [name for name in runs if name != run.run]
            material.note(table.unknown(run.line, "replaces", run.replaces, others, "a run of this table"))
        elif run.replaces == run.run:
            material.note(table.fault(run.line, "replaces", "the run itself", "an older run"))
        else:
            circle = _circle_from(run, runs)
            in_known_circle.update(circle)
            if circle:
                found = "a circle of runs that replace each other: " + " -> ".join([*circle, circle[0]])
                material.note(table.fault(run.line, "replaces", found, "an older run"))


def _circle_from(run: Run, runs: dict[str, Run]) -> list[str]:
    """The runs of a circle that leads from `run` back to it, or nothing."""
    passed = [run.run]
    older = run.replaces
    while older is not None and older in runs and older not in passed:
        passed.append(older)
        older = runs[older].replaces
    return passed if older == run.run else []
