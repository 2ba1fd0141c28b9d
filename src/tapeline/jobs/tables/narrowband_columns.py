"""Columns of the narrowband table: spectra line by line, with the background subtracted."""

from __future__ import annotations

from typing import Any

import numpy as np

from tapeline.acoustics.band_levels import LineSpectra, Powers, on_lines
from tapeline.acoustics.usable_range import overlapping
from tapeline.jobs.cell_values import finite_cells, finite_reals, lists_with_gaps
from tapeline.jobs.tables.level_uncertainty import frequency_terms, uncertainty_columns
from tapeline.jobs.tables.session_levels import Measured, SessionJob, levels_of
from tapeline.jobs.tables.usable_bands import ranges_at
from tapeline.statistics.significance import spectrum_interval_db


def narrowband_columns(job: SessionJob, m: Measured) -> dict[str, Any]:
    """The columns of one run, a cell a position."""
    spectra, hz = m.run.spectra, m.run.spectra.lines_hz
    low, high = job.needs.range_hz
    kept = np.flatnonzero((hz >= low) & (hz <= high))
    cut = slice(kept[0], kept[-1] + 1) if kept.size else slice(0, 0)
    levels = levels_of(job, m, lambda each: _lines(each, spectra, cut), bounds=False)
    result, below = levels.result, levels.below
    doubt = uncertainty_columns(job, m, levels, frequency_terms(job, m, hz[cut]), whole_alone=True)
    line_low, line_high = spectrum_interval_db(m.run.effective_averages, job.needs.confidence)
    half = 0.5 * spectra.step_hz
    count = len(m.run.positions)
    left_out = [ranges_at(m.run, p, job.left_out) for p in range(count)]
    gone = np.stack([overlapping(hz[cut] - half, hz[cut] + half, ranges) for ranges in left_out])
    has = m.background.there & (below is not None)
    below_power = np.zeros(gone.shape) if below is None else below.power
    alike = {
        "run": m.run.run,
        "first_hz": float(hz[cut][0]) if kept.size else None,
        "step_hz": spectra.step_hz,
        "effective_averages": m.run.effective_averages,
        "line_lower_db": float(line_low),
        "line_upper_db": float(line_high),
        "nominal_correction_db": m.conditions.correction_db,
        "averaged_s": m.run.averaged_s,
    }
    reach = {"response_low_hz": m.run.response_low_hz, "response_high_hz": m.run.response_high_hz}
    return {
        **{name: [cell] * count for name, cell in alike.items()},
        **finite_cells(reach, np.zeros(count, dtype=bool)),
        "position": m.run.positions,
        "psd_pa2_per_hz": lists_with_gaps(levels.total.power.astype(np.float32)),
        "background_psd_pa2_per_hz": lists_with_gaps(below_power.astype(np.float32), has),
        "corrected_psd_pa2_per_hz": lists_with_gaps(np.where(gone, np.nan, result.corrected).astype(np.float32)),
        "left_out_hz": [np.array(ranges, dtype=np.float32).ravel() if ranges else None for ranges in left_out],
        "margin_db": lists_with_gaps(finite_reals(result.margin_db), has | (m.run.kept is not None)),
        "state": lists_with_gaps(result.state.astype(np.uint8)),
        "standard_uncertainty_db": lists_with_gaps(
            np.where(gone, np.nan, doubt["standard_uncertainty_db"]).astype(np.float32)
        ),
        "degrees_of_freedom": lists_with_gaps(finite_reals(doubt["degrees_of_freedom"])),
        "relative_spread": lists_with_gaps(m.run.relative_spread[:, cut]),
    }


def _lines(spectra: LineSpectra, grid: LineSpectra, cut: slice) -> Powers:
    """Densities on some lines of a grid, and their variances; spectra of another spacing are brought onto it."""
    if spectra.step_hz == grid.step_hz and spectra.psd.shape[1] >= cut.stop:
        return Powers(np.asarray(spectra.psd[:, cut], dtype=np.float64), spectra.variance[:, cut])
    return on_lines(spectra, grid.step_hz, cut.start, cut.stop)
