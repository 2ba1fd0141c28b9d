"""Columns of the table `flow_bins`: band levels of road runs by measured speed and yaw."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from tapeline.acoustics.band_levels import LineSpectra, band_sums, shares_of
from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.levels import level_db
from tapeline.acoustics.usable_range import absent
from tapeline.acoustics.windows import line_covariance, window
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import finite_cells, lists_of_names
from tapeline.jobs.levels.level_use_columns import doubt_column, undecided
from tapeline.jobs.spectra import requested_file
from tapeline.jobs.tables.session_levels import Measured, SessionJob, interval_columns
from tapeline.jobs.tables.usable_bands import held_lines, limits_of
from tapeline.store import parquet
from tapeline.store.tables import FLOW_BINS, FLOW_SPECTRA

SHARED = tuple(name for name in FLOW_BINS.column_names() if name in FLOW_SPECTRA.column_names())


def flow_bin_columns(job: SessionJob, m: Measured) -> Iterator[dict[str, Any]]:
    """The columns of one run in parts, (bands,) of one position and bin each; none where the run has no flow series.

    The columns of the levels' use are not decided yet.
    """
    settings = job.needs.bands
    bands = bands_between(settings.fraction, *settings.range_hz)
    lines, shares = held_lines(m.run, bands, settings.method), shares_of(bands, m.run.spectra, settings.method)
    shape = window(job.needs.window, m.run.block_frames)
    covariances: dict[tuple[int, ...], Reals] = {}
    for found in parquet.read(requested_file(job.results, m.run.run, FLOW_BINS.name)).to_pylist():
        p = m.run.positions.index(found["position"])
        pairs = tuple(found["block_pairs"])
        if pairs not in covariances:
            covariances[pairs] = line_covariance(shape, m.run.hop_frames, pairs)
        spectra = LineSpectra(np.array([found["psd_pa2_per_hz"]]), m.run.spectra.step_hz, covariances[pairs])
        powers = band_sums(spectra, shares)
        limits = limits_of(m.run, bands, lines, p, settings, job.filters, job.left_out, found["averaged_s"])
        gone = absent(limits)
        level = level_db(powers.power, job.needs.reference_pressure_pa)
        columns = {
            "level_db": level,
            "level_pa2": powers.power,
            "degrees_of_freedom": powers.degrees_of_freedom,
        } | interval_columns(job, level, powers.degrees_of_freedom)
        alike = {name: found[name] for name in SHARED} | {
            "quality": m.run.verdicts[p],
            "calibration": m.calibration_verdicts[p],
        }
        hum = m.doubts[p].reached(bands.lower_hz, bands.upper_hz)
        yield {
            **{name: [cell] * len(bands) for name, cell in alike.items()},
            **finite_cells(columns, gone[None]),
            "band_hz": bands.nominal_hz,
            "midband_hz": bands.midband_hz,
            "marks": lists_of_names(limits, len(bands)),
            "doubt": doubt_column([m.doubts[p]], hum[None], {}),
            **undecided(len(bands)),
        }
