"""Columns of the bands table: levels, uncertainties, and why a band has none."""

from __future__ import annotations

from typing import Any

import numpy as np

from tapeline.acoustics.band_levels import Method, band_sums, shares_of
from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.usable_range import absent
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import finite_cells, lists_of_names, named_cells
from tapeline.jobs.levels.level_use_columns import doubt_column, undecided
from tapeline.jobs.tables.band_weightings import weighting_columns
from tapeline.jobs.tables.level_uncertainty import frequency_terms, uncertainty_columns
from tapeline.jobs.tables.sensor_sizes import (
    beyond_offer,
    convection_speed_mps,
    over_lines,
    size_attenuation,
    size_columns,
)
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
from tapeline.store.tables_of_levels import SIZE_LIMITED

METHODS: tuple[Method, Method] = ("lines", "filters")


def band_columns(job: SessionJob, m: Measured) -> dict[str, Any]:
    """The columns of one run, (positions x bands,); those of the levels' use are not decided yet."""
    settings, positions = job.needs.bands, m.run.positions
    bands = bands_between(settings.fraction, *settings.range_hz)
    levels = levels_of(job, m, band_powers_of(bands, "Z", settings.method))
    result, below, electrical = levels.result, levels.below, levels.electrical
    columns = level_columns(
        job, m, result, None if below is None else below.power, None if electrical is None else electrical.power
    )
    columns |= uncertainty_columns(job, m, levels, frequency_terms(job, m, bands.midband_hz))
    columns |= interval_columns(job, columns["level_db"], levels.total.degrees_of_freedom)
    columns |= weighting_columns(job, m, bands, levels)
    at_midband = size_attenuation(m.sizes, job.needs.sensor_size, bands.midband_hz)
    size_db = over_lines(m.sizes, job.needs.sensor_size, bands, m.run.spectra)
    limited = beyond_offer(size_db, job.needs.sensor_size)
    reference = job.needs.reference_pressure_pa
    columns |= size_columns(size_db, at_midband.uncertainty_db, limited, result.corrected, reference)
    speed, _ = convection_speed_mps(m.sizes, job.needs.sensor_size)
    columns["convection_speed_mps"] = np.broadcast_to(speed[:, None], limited.shape)
    columns["filters_minus_lines_db"] = _filters_less_lines_db(m, bands)
    lines = held_lines(m.run, bands, settings.method)
    limits = [limits_of(m.run, bands, lines, p, settings, job.filters, job.left_out) for p in range(len(positions))]
    gone = np.stack([absent(each) for each in limits])
    differ = np.abs(columns["filters_minus_lines_db"]) > settings.methods_differ_db
    marks = {name: np.stack([each[name] for each in limits]) for name in limits[0]}
    marks |= {
        name: flags & ~gone for name, flags in {"methods-differ": differ, SIZE_LIMITED: limited, **levels.marks}.items()
    }
    hum = np.stack([each.reached(bands.lower_hz, bands.upper_hz) for each in m.doubts])
    of_bands = {
        "band_hz": bands.nominal_hz,
        "midband_hz": bands.midband_hz,
        "nominal_hz": bands.nominal_hz,
        "lower_hz": bands.lower_hz,
        "upper_hz": bands.upper_hz,
        "lines": lines,
    }
    of_positions = {"position": positions, "quality": m.run.verdicts, "calibration": m.calibration_verdicts}
    return {
        "run": [m.run.run] * gone.size,
        **{name: np.repeat(np.array(cells, dtype=object), len(bands)) for name, cells in of_positions.items()},
        **{name: np.tile(cells, len(positions)) for name, cells in of_bands.items()},
        **finite_cells(columns, gone),
        "state": named_cells(tables.STATES, result.state, gone),
        "background_source": named_cells(tables.BACKGROUND_SOURCES, levels.background_source, gone),
        "marks": lists_of_names(marks, gone.size),
        "doubt": doubt_column(m.doubts, hum, marks),
        **undecided(gone.size),
    }


def _filters_less_lines_db(m: Measured, bands: Bands) -> Reals:
    """Total levels by band filters less those by summed lines, (positions, bands): where the way matters."""
    lines, filters = (band_sums(m.run.spectra, shares_of(bands, m.run.spectra, way)).power for way in METHODS)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(filters / lines))
