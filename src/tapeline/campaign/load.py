"""Reads a whole campaign and reports all its faults at once."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from tapeline.campaign.backgrounds import background_warnings
from tapeline.campaign.charts import Chart, read_chart
from tapeline.campaign.checks import cross_check
from tapeline.campaign.faults import CampaignFaults, Fault, in_order
from tapeline.campaign.fitting_checks import found_instead, has_file, missing_file
from tapeline.campaign.material import ChannelCount, Material
from tapeline.campaign.model import Campaign
from tapeline.campaign.outlines import read_outlines
from tapeline.campaign.path_rule import path_misfit
from tapeline.campaign.results_folder_checks import check_entries, check_results_folder
from tapeline.campaign.settings import Tables
from tapeline.campaign.settings_source import SETTINGS_FILE, SettingsSource, read_settings
from tapeline.campaign.table_columns import (
    CALIBRATORS,
    CAVITIES,
    FITTINGS,
    LEFT_OUT,
    OVERRIDES,
    POSITIONS,
    RUNS,
    SENSORS,
    CsvTable,
    RowT,
)
from tapeline.campaign.table_source import TableRows, read_table
from tapeline.campaign.tables import Sensor
from tapeline.regular_files import is_named


def load_campaign(root: Path, channel_count: ChannelCount | None = None, check: bool = True) -> Campaign:
    """Read the campaign in the folder `root`.

    `channel_count` tells how many channels a recording has (None: it cannot be read). With `check` false the tables
    are not held against each other, for jobs of a campaign that has been checked as a whole.

    Raises CampaignFaults with every fault of every file.
    """
    if not is_named(root / SETTINGS_FILE):
        mend = "name the campaign folder that holds it"
        raise CampaignFaults([Fault(SETTINGS_FILE, None, None, "no such file", "the campaign's settings", mend)])
    faults: list[Fault] = []
    source = read_settings(root, faults)
    material = _read_tables(root, source, faults)
    charts = _read_charts(root, material, faults)
    outlines = read_outlines(root, source, faults) if source is not None else ()
    if source is not None:
        check_results_folder(material, source)
        if check:
            check_entries(material, source)
    if check:
        cross_check(material, channel_count)
    faults.extend(material.faults)
    if faults or source is None:
        raise CampaignFaults(faults)
    campaign = Campaign(
        root=root,
        settings=source.settings,
        runs={row.run: row for row in material.runs.rows},
        positions={row.position: row for row in material.positions.rows},
        fittings=material.fittings.rows,
        sensors={row.sensor: row for row in material.sensors.rows},
        calibrators={row.calibrator: row for row in material.calibrators.rows},
        cavities={row.cavity: row for row in material.cavities.rows},
        overrides=material.overrides.rows,
        left_out=material.left_out.rows,
        charts=charts,
        outlines=outlines,
        warnings=in_order(material.warnings),
    )
    if not check:
        return campaign
    speed_column = next((name for name in ("speed_kmh", "speed_mps") if name in material.runs.header), "speed_kmh")
    return dataclasses.replace(
        campaign, warnings=in_order([*material.warnings, *background_warnings(campaign, speed_column)])
    )


def _read_tables(root: Path, source: SettingsSource | None, faults: list[Fault]) -> Material:
    paths = Tables() if source is None else source.settings.tables

    def read(shown: str, table: CsvTable[RowT], optional: bool = False) -> TableRows[RowT]:
        place = ("tables", table.name)
        if source is not None and place in source.document.values and not has_file(root, shown):
            found, expected = found_instead(root, shown), "a table, by its path from the campaign folder"
            faults.append(source.document.fault(place, found, expected))
            return TableRows(shown, (), frozenset(), readable=False)
        # Without settings the paths are a guess: a table that is not there is no fault then.
        if (optional or source is None) and not is_named(root / shown):
            return TableRows(shown, (), frozenset(), readable=optional)
        return read_table(root, shown, table, faults)

    return Material(
        root=root,
        source=source,
        runs=read(paths.runs, RUNS),
        positions=read(paths.positions, POSITIONS),
        fittings=read(paths.fittings, FITTINGS),
        sensors=_inside(read(paths.sensors, SENSORS), source, faults),
        calibrators=read(paths.calibrators, CALIBRATORS),
        cavities=read(paths.cavities, CAVITIES, optional="cavities" not in paths.model_fields_set),
        overrides=read(paths.overrides, OVERRIDES, optional="overrides" not in paths.model_fields_set),
        left_out=read(paths.left_out, LEFT_OUT, optional="left_out" not in paths.model_fields_set),
        bad_cells=frozenset(fault.cell for fault in faults),
    )


def _inside(table: TableRows[Sensor], source: SettingsSource | None, faults: list[Fault]) -> TableRows[Sensor]:
    """The sensors without the paths that leave the campaign folder, where the settings do not allow such."""
    if source is None or source.settings.inputs_outside:
        return table

    def inside(sensor: Sensor, column: str, path: str | None) -> str | None:
        misfit = path_misfit(path) if path else None
        if misfit is None:
            return path
        faults.append(table.fault(sensor.line, column, misfit.found, misfit.expected, misfit.mend))
        return None

    rows = (
        dataclasses.replace(
            sensor,
            chart=inside(sensor, "chart", sensor.chart),
            data_sheet=inside(sensor, "data_sheet", sensor.data_sheet),
        )
        for sensor in table.rows
    )
    return dataclasses.replace(table, rows=tuple(rows))


def _read_charts(root: Path, material: Material, faults: list[Fault]) -> dict[str, Chart]:
    """The charts of the fitted sensors; a file that several sensors name is read once."""
    fitted = material.fitted_sensors
    by_path: dict[str, Chart | None] = {}
    charts: dict[str, Chart] = {}
    for sensor in material.sensors.rows:
        if sensor.chart is None or sensor.sensor not in fitted:
            continue
        if sensor.chart not in by_path and not has_file(root, sensor.chart):
            by_path[sensor.chart] = None
            faults.append(missing_file(material, sensor.line, "chart", sensor.chart))
        elif sensor.chart not in by_path:
            by_path[sensor.chart] = read_chart(root, sensor.chart, faults)
        chart = by_path[sensor.chart]
        if chart is None:
            continue
        charts[sensor.sensor] = chart
        reference_hz = sensor.chart_reference_hz
        if reference_hz is not None and not chart.covers(reference_hz):
            expected = f"a frequency within the chart, {chart.frequency_hz[0]:g} to {chart.frequency_hz[-1]:g} Hz"
            mend = "the chart is used as it stands, its 0 dB taken for the sensor's sensitivity"
            found = f"{reference_hz:g} Hz"
            material.warnings.append(material.sensors.fault(sensor.line, "chart_reference_hz", found, expected, mend))
    return charts
