"""Cross-checks over all tables and settings, and of settings against each other: every fault, not just the first."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

from tapeline.campaign.cells import NO_BACKGROUND
from tapeline.campaign.faults import Fault, did_you_mean, quoted
from tapeline.campaign.fitting_checks import (
    check_data_sheets,
    check_fittings,
    check_lines,
    check_positions,
    check_sensor_sizes,
)
from tapeline.campaign.flow_series import check_flow_series
from tapeline.campaign.material import ChannelCount, Material
from tapeline.campaign.operating_points import MPS_PER_UNIT, entered_unit, named_points, near_speed, operating_points
from tapeline.campaign.plausibility_checks import check_plausible
from tapeline.campaign.recording_checks import check_channel_counts, check_recordings
from tapeline.campaign.run_checks import (
    check_calibrations,
    check_left_out,
    check_overrides,
    check_replacements,
    check_runs,
    check_stages,
    check_times,
)
from tapeline.campaign.settings_source import SettingsSource
from tapeline.campaign.table_source import TableRows
from tapeline.campaign.treated_conditions import untreated_condition

NAMED_SECTIONS = ("conditions", "comparisons", "raw_formats")

OCTAVE_RATIO = 10.0**0.3
"""G of IEC 61260-1:2014; the numerics have their own, and are not needed to check a campaign."""


def cross_check(material: Material, channel_count: ChannelCount | None) -> None:
    """Put all faults and warnings of `material` on its lists.

    `channel_count` gives the number of channels of a recording, or None where it cannot be read; without it the
    channels of self-describing recordings are not looked at.
    """
    check_keys(material)
    if material.source is not None:
        check_names_in_settings(material, material.source)
        check_comparisons(material, material.source)
        check_conditions(material, material.source)
        check_line_spacing(material, material.source)
        check_asked_positions(material, material.source)
        check_compared_lines(material, material.source)
        check_nominal_speeds(material, material.source)
        check_ranking_points(material, material.source)
    check_runs(material)
    check_times(material)
    check_stages(material)
    check_calibrations(material)
    check_replacements(material)
    check_overrides(material)
    check_left_out(material)
    check_fittings(material)
    check_positions(material)
    check_lines(material)
    check_sensor_sizes(material)
    check_data_sheets(material)
    check_recordings(material)
    check_flow_series(material)
    check_channel_counts(material, channel_count)
    check_plausible(material)


def check_keys(material: Material) -> None:
    """Names that occur twice, or differ by case alone."""
    if material.runs.readable and not material.runs.rows:
        material.note(Fault(material.runs.file, None, None, "no rows", "at least one run"))
    keyed: tuple[tuple[TableRows[Any], str], ...] = (
        (material.runs, "run"),
        (material.positions, "position"),
        (material.sensors, "sensor"),
        (material.calibrators, "calibrator"),
        (material.cavities, "cavity"),
    )
    for table, key in keyed:
        _check_once(material, table, key)
        _check_case(material, table, key)
    _check_case(material, material.fittings, "session")
    _check_case(material, material.fittings, "mount")
    _check_case(material, material.positions, "line_array", "line")
    _check_fitted_once(material)
    reserved = material.runs.names("run").get(NO_BACKGROUND)
    if reserved is not None:
        expected = 'another name: in the column "background" this word means that nothing is subtracted'
        material.note(material.runs.fault(reserved, "run", quoted(NO_BACKGROUND), expected))


def _check_once(material: Material, table: TableRows[Any], key: str) -> None:
    first = table.names(key)
    for row in table.rows:
        name = getattr(row, key)
        if name and first[name] != row.line:
            expected = f"each {key} once (it is in line {first[name]} already)"
            material.note(table.fault(row.line, key, f"{quoted(name)} again", expected))


def _check_case(material: Material, table: TableRows[Any], attribute: str, column: str = "") -> None:
    for name, other, line, other_line in _alike_but_for_case(table.names(attribute)):
        expected = f"a name that differs by more than case from {quoted(other)} in line {other_line}"
        material.note(table.fault(line, column or attribute, quoted(name), expected))


def _alike_but_for_case(lines: Mapping[str, int]) -> Iterable[tuple[str, str, int, int]]:
    first: dict[str, str] = {}
    for name, line in lines.items():
        other = first.setdefault(name.casefold(), name)
        if other != name:
            yield name, other, line, lines[other]


def _check_fitted_once(material: Material) -> None:
    channels: dict[tuple[str, int], int] = {}
    places: dict[tuple[str, str], int] = {}
    table = material.fittings
    for row in table.rows:
        if not row.session:
            continue
        # A channel that could not be read is None here.
        if row.channel is not None:
            line = channels.setdefault((row.session, row.channel), row.line)
            if line != row.line:
                expected = f"each channel once in session {quoted(row.session)} (it is in line {line} already)"
                material.note(table.fault(row.line, "channel", f"channel {row.channel} again", expected))
        line = places.setdefault((row.session, row.position), row.line)
        if row.position and line != row.line:
            expected = f"each position once in session {quoted(row.session)} (it is in line {line} already)"
            material.note(table.fault(row.line, "position", f"{quoted(row.position)} again", expected))


def check_names_in_settings(material: Material, source: SettingsSource) -> None:
    """Names in campaign.yaml that differ by case alone."""
    for section in NAMED_SECTIONS:
        content = source.document.data.get(section)
        names = content if isinstance(content, dict) else {}
        lines = {name: source.document.place((section, name), of_key=True).line for name in names}
        for name, other, _, other_line in _alike_but_for_case(lines):
            expected = f"a name that differs by more than case from {quoted(other)} in line {other_line}"
            material.note(source.document.fault((section, name), quoted(name), expected, of_key=True))
    spelt: dict[str, str] = {}
    for name, condition in source.settings.conditions.items():
        for index, treatment in enumerate(condition.applied):
            other = spelt.setdefault(treatment.casefold(), treatment)
            if other != treatment:
                path = ("conditions", name, "applied", index)
                expected = f"a name that differs by more than case from the treatment {quoted(other)}"
                material.note(source.document.fault(path, quoted(treatment), expected))


def check_comparisons(material: Material, source: SettingsSource) -> None:
    """Comparisons of unknown conditions, and of a condition with itself."""
    document, known = source.document, source.conditions
    if known is None:
        return
    settings, expected = source.settings, "one of the conditions"
    reference = settings.reference_condition
    if "reference_condition" in document.data and reference not in known:
        hint = did_you_mean(reference, known)
        material.note(document.fault(("reference_condition",), quoted(reference), expected, hint))
    best, untreated = settings.compare.best_condition, untreated_condition(settings).condition
    if best and best not in known:
        hint = did_you_mean(best, known)
        material.note(document.fault(("compare", "best_condition"), quoted(best), expected, hint))
    elif best and best == untreated:
        found = f"{quoted(best)}, the untreated condition"
        material.note(document.fault(("compare", "best_condition"), found, "a condition with treatments"))
    if document.data.get("comparisons") is None:
        return
    for name, comparison in settings.comparisons.items():
        for side, condition in (("reference", comparison.reference), ("treatment", comparison.treatment)):
            if condition not in known:
                hint = did_you_mean(condition, known)
                material.note(document.fault(("comparisons", name, side), quoted(condition), expected, hint))
        if comparison.reference == comparison.treatment:
            found, other = (
                f"{quoted(comparison.treatment)} compared with itself",
                "a condition other than the reference",
            )
            material.note(document.fault(("comparisons", name, "treatment"), found, other))


def check_conditions(material: Material, source: SettingsSource) -> None:
    """Warn of conditions that are the same by their treatments, and of those that no run uses."""
    document = source.document
    same: dict[frozenset[str], str] = {}
    for name, condition in source.settings.conditions.items():
        path = ("conditions", name)
        if path not in document.keys or "applied" not in condition.model_fields_set:
            continue
        other = same.setdefault(frozenset(condition.applied), name)
        if other != name:
            found = f"the same treatments for {quoted(name)} as for {quoted(other)}"
            expected = "other treatments in `applied`, or one condition for both"
            material.warnings.append(document.fault(path, found, expected, of_key=True))
    if not material.runs.readable:
        return
    known = material.runs.names("condition")
    used = {run.condition for run in material.runs.rows if run.use}
    if not any(run.kind == "measurement" for run in material.runs.rows):
        return
    for name in source.settings.conditions:
        path = ("conditions", name)
        if path in document.keys and name not in used:
            found = f"the condition {quoted(name)}, which no {'used ' if name in known else ''}run has"
            material.warnings.append(document.fault(path, found, "runs for every condition", of_key=True))


def check_line_spacing(material: Material, source: SettingsSource) -> None:
    """Warn of bands that hold too few spectral lines to get a level."""
    bands, spacing = source.settings.bands, source.settings.spectra.resolution_hz
    half = OCTAVE_RATIO ** (0.5 / bands.fraction)
    share = half - 1.0 / half
    lowest = bands.range_hz[0]
    # A band is also taken by its nominal frequency, up to 2 % off the exact one.
    if share * lowest * 1.02 >= bands.least_lines * spacing:
        return
    section = "spectra" if "resolution_hz" in source.settings.spectra.model_fields_set else "bands"
    path = (section, "resolution_hz" if section == "spectra" else "range_hz")
    found = f"lines {spacing:g} Hz apart, of which the band at {lowest:g} Hz holds {share * lowest / spacing:.1f}"
    expected = f"at least {bands.least_lines:g} lines (bands.least_lines) in every band of bands.range_hz"
    needed, first = share * lowest / bands.least_lines, bands.least_lines * spacing / share
    mend = f"bands below {first:.0f} Hz get no level; spectra.resolution_hz {needed:.2g} would give them one"
    material.warnings.append(source.document.fault(path, found, expected, mend))


def check_compared_lines(material: Material, source: SettingsSource) -> None:
    """The comparison that is given line by line is one of the comparisons."""
    wanted, known = source.settings.compare.lines, source.settings.comparisons
    if wanted and wanted not in known:
        expected = "the name of a comparison" if known else "nothing, because there are no comparisons"
        material.note(
            source.document.fault(("compare", "lines"), quoted(wanted), expected, did_you_mean(wanted, known))
        )


def check_ranking_points(material: Material, source: SettingsSource) -> None:
    """Operating points of the ranking that no measurement was made at, or that stand there twice."""
    chosen, settings = source.settings.ranking.operating_points, source.settings
    if not chosen or not material.runs.readable:
        return
    runs = {run.run: run for run in material.runs.rows}
    used = {name for name, run in runs.items() if run.use and run.kind == "measurement"}
    points = [point for name, point in operating_points(runs.values(), settings).items() if name in used]
    path, unit = ("ranking", "operating_points"), entered_unit(settings)
    known = [f"[{speed / MPS_PER_UNIT[unit]:.4g}, {yaw:g}]" for speed, yaw in sorted(set(points))]
    expected = f"[speed in {unit}, yaw in degrees] of a measurement: {', '.join(known) or 'there is none'}"
    meant = named_points(chosen, points, settings)
    for index, (point, found) in enumerate(zip(chosen, meant, strict=True)):
        if found is None or found in meant[:index]:
            words = f"[{point[0]:g}, {point[1]:g}]{'' if found is None else ', which stands there before'}"
            material.note(source.document.fault((*path, index), words, expected))


def check_nominal_speeds(material: Material, source: SettingsSource) -> None:
    """Nominal speeds that no run was set to as they are read, but that runs were set to in the other unit.

    A fault where no nominal speed at all fits as it is read, else a warning: a speed may be stated that is yet to be
    driven.
    """
    nominal, unit = source.settings.operating_point.nominal_speeds, entered_unit(source.settings)
    if not nominal or not material.runs.readable:
        return
    share = source.settings.operating_point.speed_tolerance
    speeds = {run.speed_mps for run in material.runs.rows if run.use and run.speed_mps}

    def fits(number: float, unit: str) -> bool:
        return any(near_speed(speed, number * MPS_PER_UNIT[unit], share) for speed in speeds)

    other = next(name for name in MPS_PER_UNIT if name != unit)
    told = material.warnings.append if any(fits(number, unit) for number in nominal) else material.note
    for index, number in enumerate(nominal):
        if number and not fits(number, unit) and fits(number, other):
            found = f"{number:g} {unit}, which no run was set to; runs were set to {number:g} {other}"
            stated = "entered_speed_unit" if source.settings.entered_speed_unit else "report.speed_unit"
            path, mend = ("operating_point", "nominal_speeds", index), f"entered_speed_unit: {other} reads them so"
            told(source.document.fault(path, found, f"speeds in {unit}, the unit that {stated} gives", mend))


def check_asked_positions(material: Material, source: SettingsSource) -> None:
    """Unknown positions in the sections of what is made on request."""
    if not material.positions.readable:
        return
    known = material.positions.names("position")
    for section in ("band_history", "spectrogram", "cross_spectra"):
        asked = getattr(source.settings, section).positions
        for index, name in enumerate(asked if asked != "all" else ()):
            if name not in known:
                path, hint = (section, "positions", index), did_you_mean(name, known)
                material.note(source.document.fault(path, quoted(name), "a row of the positions table", hint))
    _check_lengths(material, source, known)
    for index, name in enumerate(source.settings.background.references):
        if name not in known:
            path = ("background", "references", index)
            hint = did_you_mean(name, known)
            material.note(source.document.fault(path, quoted(name), "a row of the positions table", hint))


def _check_lengths(material: Material, source: SettingsSource, positions: Collection[str]) -> None:
    """Lengths of what is neither a position nor an area."""
    known = {*positions, *material.positions.names("area")}
    for name in source.settings.scaling.lengths:
        if name not in known:
            path, expected = ("scaling", "lengths", name), "a position or an area of the positions table"
            material.note(source.document.fault(path, quoted(name), expected, did_you_mean(name, known), of_key=True))
