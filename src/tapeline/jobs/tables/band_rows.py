"""Rows of the bands table: levels, uncertainties, and why a band has none."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np

from tapeline.acoustics.band_levels import Method, band_sums, shares_of
from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.usable_range import absent
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import cells_at, finite_or_none
from tapeline.jobs.levels.level_use_columns import doubt_of
from tapeline.jobs.tables.band_weightings import weighting_columns
from tapeline.jobs.tables.level_uncertainty import frequency_terms, uncertainty_columns
from tapeline.jobs.tables.session_levels import (
    Measured,
    SessionJob,
    band_powers_of,
    interval_columns,
    level_columns,
    levels_of,
)
from tapeline.jobs.tables.usable_bands import held_lines, limits_of
from tapeline.store import tables

if TYPE_CHECKING:
    from tapeline.store.rows import BandsRow

METHODS: tuple[Method, Method] = ("lines", "filters")


def band_rows(job: SessionJob, m: Measured) -> list[BandsRow]:
    """One row a position and band of one run."""
    settings = job.needs.bands
    bands = bands_between(settings.fraction, *settings.range_hz)
    levels = levels_of(job, m, band_powers_of(bands, "Z", settings.method))
    result, below, electrical = levels.result, levels.below, levels.electrical
    columns = level_columns(
        job, m, result, None if below is None else below.power, None if electrical is None else electrical.power
    )
    columns |= uncertainty_columns(job, m, levels, frequency_terms(job, m, bands.midband_hz))
    columns |= interval_columns(job, columns["level_db"], levels.total.degrees_of_freedom)
    columns |= weighting_columns(job, m, bands, levels)
    lines, filters_less_lines = held_lines(m.run, bands, settings.method), _filters_less_lines_db(m, bands)
    rows: list[BandsRow] = []
    for p, position in enumerate(m.run.positions):
        limits = limits_of(m.run, bands, lines, p, settings, job.filters, job.left_out)
        gone = absent(limits)
        hum = m.doubts[p].reached(bands.lower_hz, bands.upper_hz)
        differ = np.abs(filters_less_lines[p]) > settings.methods_differ_db
        for b in range(len(bands)):
            row: BandsRow = {
                "run": m.run.run,
                "position": position,
                "band_hz": bands.nominal_hz[b],
                "midband_hz": bands.midband_hz[b],
                "nominal_hz": bands.nominal_hz[b],
                "lower_hz": bands.lower_hz[b],
                "upper_hz": bands.upper_hz[b],
                "lines": lines[b],
                "quality": m.run.verdicts[p],
                "calibration": m.calibration_verdicts[p],
                "marks": [name for name, flags in limits.items() if flags[b]],
            }
            if not gone[b]:
                row |= cast("BandsRow", cells_at(columns, p, b))  # terms and weightings name their columns
                row["state"] = tables.STATES[result.state[p, b]]
                row["background_source"] = tables.BACKGROUND_SOURCES[levels.background_source[p, b]]
                row["filters_minus_lines_db"] = finite_or_none(filters_less_lines[p, b])
                row["marks"] += ["methods-differ"] if differ[b] else []
                row["marks"] += [name for name, flags in levels.marks.items() if flags[p, b]]
            row["doubt"] = doubt_of(m.doubts[p], bool(hum[b]), row["marks"])
            rows.append(row)
    return rows


def _filters_less_lines_db(m: Measured, bands: Bands) -> Reals:
    """Total levels by band filters less those by summed lines, (positions, bands): where the way matters."""
    lines, filters = (band_sums(m.run.spectra, shares_of(bands, m.run.spectra, way)).power for way in METHODS)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(filters / lines))
