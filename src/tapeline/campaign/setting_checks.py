"""Checks of settings against each other: each is sound by itself, together they leave something empty."""

from __future__ import annotations

from collections.abc import Collection

from tapeline.campaign.faults import did_you_mean, quoted
from tapeline.campaign.material import Material
from tapeline.campaign.operating_points import MPS_PER_UNIT, entered_unit, named_points, near_speed, operating_points
from tapeline.campaign.settings_source import SettingsSource

OCTAVE_RATIO = 10.0**0.3
"""G of IEC 61260-1:2014; the numerics have their own, and are not needed to check a campaign."""


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
