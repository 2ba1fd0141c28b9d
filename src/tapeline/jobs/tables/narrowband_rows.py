"""Rows of the narrowband table: spectra line by line, with the background subtracted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.band_levels import LineSpectra, Powers, on_lines
from tapeline.acoustics.usable_range import overlapping
from tapeline.jobs.cell_values import finite_or_none, finite_reals
from tapeline.jobs.tables.level_uncertainty import frequency_terms, uncertainty_columns
from tapeline.jobs.tables.session_levels import Measured, SessionJob, levels_of
from tapeline.jobs.tables.usable_bands import ranges_at
from tapeline.statistics.significance import spectrum_interval_db

if TYPE_CHECKING:
    from tapeline.store.rows import NarrowbandRow


def narrowband_rows(job: SessionJob, m: Measured) -> list[NarrowbandRow]:
    """One row a position of one run."""
    spectra, hz = m.run.spectra, m.run.spectra.lines_hz
    low, high = job.needs.range_hz
    kept = np.flatnonzero((hz >= low) & (hz <= high))
    cut = slice(kept[0], kept[-1] + 1) if kept.size else slice(0, 0)
    levels = levels_of(job, m, lambda each: _lines(each, spectra, cut), bounds=False)
    result, below = levels.result, levels.below
    doubt = uncertainty_columns(job, m, levels, frequency_terms(job, m, hz[cut]), intervals=False)
    line_low, line_high = spectrum_interval_db(m.run.effective_averages, job.needs.confidence)
    margin_db = result.margin_db
    half = 0.5 * spectra.step_hz
    rows: list[NarrowbandRow] = []
    for p, position in enumerate(m.run.positions):
        has = below is not None and bool(m.background.there[p])
        ranges = ranges_at(m.run, p, job.left_out)
        gone = overlapping(hz[cut] - half, hz[cut] + half, ranges)
        removed = has or m.run.kept is not None
        rows.append(
            {
                "run": m.run.run,
                "position": position,
                "first_hz": float(hz[cut][0]) if kept.size else None,
                "step_hz": spectra.step_hz,
                "effective_averages": m.run.effective_averages,
                "line_lower_db": float(line_low),
                "line_upper_db": float(line_high),
                "psd_pa2_per_hz": levels.total.power[p].astype(np.float32),
                "background_psd_pa2_per_hz": below.power[p].astype(np.float32) if below and has else None,
                "corrected_psd_pa2_per_hz": np.where(gone, np.nan, result.corrected[p]).astype(np.float32),
                "left_out_hz": np.array(ranges, dtype=np.float32).ravel() if ranges else None,
                "margin_db": finite_reals(margin_db[p]) if removed else None,
                "state": result.state[p].astype(np.uint8),
                "standard_uncertainty_db": np.where(gone, np.nan, doubt["standard_uncertainty_db"][p]).astype(
                    np.float32
                ),
                "degrees_of_freedom": finite_reals(doubt["degrees_of_freedom"][p]),
                "nominal_correction_db": m.conditions.correction_db,
                "response_low_hz": finite_or_none(m.run.response_low_hz[p]),
                "response_high_hz": finite_or_none(m.run.response_high_hz[p]),
                "averaged_s": m.run.averaged_s,
                "relative_spread": m.run.relative_spread[p, cut],
            }
        )
    return rows


def _lines(spectra: LineSpectra, grid: LineSpectra, cut: slice) -> Powers:
    """Densities on some lines of a grid, and their variances; spectra of another spacing are brought onto it."""
    if spectra.step_hz == grid.step_hz and spectra.psd.shape[1] >= cut.stop:
        return Powers(np.asarray(spectra.psd[:, cut], dtype=np.float64), spectra.variance[:, cut])
    return on_lines(spectra, grid.step_hz, cut.start, cut.stop)
