"""Step `tables`: one session's levels with their background subtracted, for readers."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import (
    Subtraction,
    background_uncertainty_db,
    random_uncertainty_db,
)
from tapeline.acoustics.band_levels import Powers, mean_powers, shares_of
from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.history import levels_exceeded
from tapeline.acoustics.overall import sum_bands
from tapeline.acoustics.statistics import spectrum_interval_db
from tapeline.acoustics.uncertainty import welch_satterthwaite
from tapeline.acoustics.windows import Reals
from tapeline.campaign.plan import Plan
from tapeline.campaign.settings import Overall
from tapeline.steps import places
from tapeline.steps.session_levels import (
    Job,
    Measured,
    interval_columns,
    keep_where,
    level_columns,
    load_job,
    measured_run,
    number,
    subtracted,
)
from tapeline.store import parquet, tables

EXCEEDED_PCT = (5.0, 10.0, 50.0, 90.0, 95.0)
"""Percentages of the time that levels are exceeded in, L5 to L95 (common practice)."""

FEW_LINES = 5.0
"""Bands of fewer lines are marked: too few to stand for the band's shape (common practice)."""


def run(plan: Plan, session: str) -> None:
    """Write the session's narrowband, bands, overall and history tables."""
    needs = plan.tables_needs(session)
    job = load_job(plan.campaign.results, needs)
    measured = [measured_run(job, item) for item in needs.runs if item.run in job.loaded]
    digest = plan.digest("tables", session)
    rows = {
        tables.BANDS: [row for m in measured for row in _band_rows(job, m)],
        tables.OVERALL: [row for m in measured for row in _overall_rows(job, m)],
        tables.NARROWBAND: [row for m in measured for row in _narrowband_rows(job, m)],
    }
    for table, content in rows.items():
        path = places.session_table(job.results, table.name, session)
        parquet.write_rows(table, path, content, campaign=needs.campaign, digest=digest)
    _write_history(job, digest)


def _band_rows(job: Job, m: Measured) -> list[dict[str, Any]]:
    settings = job.needs.bands
    bands = bands_between(settings.fraction, *settings.range_hz)
    total, below, result = subtracted(job, m, bands, "Z")
    columns = level_columns(job, total.power, below.power if below else None, result)
    columns |= _uncertainties(m, total, below, result)
    columns |= interval_columns(job, columns["level_db"], total.degrees_of_freedom)
    lines = np.array([band.share.sum() for band in shares_of(bands, m.run.spectra, settings.method)])
    outside = _outside(job, m, bands)
    rows = []
    for p, position in enumerate(m.run.positions):
        for b in range(len(bands)):
            marks = _marks(m, bands, p, b, float(lines[b]))
            row = {
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
            }
            if outside[b]:
                rows.append(row | {"marks": [*marks, "outside-usable-range"]})
                continue
            values = {name: number(array[p, b]) for name, array in columns.items()}
            rows.append(row | values | {"marks": marks, "state": tables.STATES[result.state[p, b]]})
    return rows


def _outside(job: Job, m: Measured, bands: Bands) -> NDArray[np.bool_]:
    return np.asarray(bands.upper_hz > job.needs.bands.highest_fraction_of_rate * m.run.sample_rate_hz)


def _marks(m: Measured, bands: Bands, p: int, b: int, lines: float) -> list[str]:
    marks = ["few-lines"] if lines < FEW_LINES else []
    low, high = m.run.response_low_hz[p], m.run.response_high_hz[p]
    if bands.lower_hz[b] < low or bands.upper_hz[b] > high:
        marks.append("response-unknown")
    return marks


def _uncertainties(m: Measured, total: Powers, below: Powers | None, result: Subtraction) -> dict[str, Reals]:
    random, left = random_uncertainty_db(result), background_uncertainty_db(result)
    degrees = total.degrees_of_freedom
    if below is not None:
        both = welch_satterthwaite([total.variance, below.variance], [degrees, below.degrees_of_freedom])
        is_subtracted = (result.state != background.CLEAR) & (result.state != background.NONE)
        degrees = np.where(is_subtracted, both, degrees)
    bound = result.state == background.BOUND
    return {
        "random_uncertainty_db": random,
        "background_uncertainty_db": left,
        "standard_uncertainty_db": np.sqrt(random**2 + left**2 + m.uncertainty_db[:, None] ** 2),
        "degrees_of_freedom": np.where(bound, np.nan, degrees),
    }


def _overall_rows(job: Job, m: Measured) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    history = parquet.read(places.history(job.results, m.run.run))
    for wanted in job.needs.overall:
        rows += _one_overall(job, m, wanted, history)
    return rows


def _one_overall(job: Job, m: Measured, wanted: Overall, history: pa.Table) -> list[dict[str, Any]]:
    bands = bands_between(job.needs.bands.fraction, *wanted.range_hz)
    inside = ~_outside(job, m, bands)
    bands = Bands(
        bands.fraction,
        bands.midband_hz[inside],
        bands.nominal_hz[inside],
        bands.lower_hz[inside],
        bands.upper_hz[inside],
    )
    if len(bands) == 0:
        return []
    total, below, result = subtracted(job, m, bands, wanted.weighting)
    whole = Bands(bands.fraction, bands.midband_hz[:1], bands.nominal_hz[:1], bands.lower_hz[:1], bands.upper_hz[-1:])
    sum_total, sum_below, _ = subtracted(job, m, whole, wanted.weighting, "lines")
    nothing = np.zeros(len(m.run.positions))
    variances = (sum_total.variance[:, 0], sum_below.variance[:, 0] if sum_below else nothing)
    summed = sum_bands(
        total.power,
        below.power if below else None,
        result,
        variances,
        job.limits,
        job.needs.background.bound_share,
    )
    bare = Powers(total.power.sum(axis=1), sum_total.variance[:, 0])
    final = keep_where(m.has_background, summed.result, bare)
    columns = level_columns(job, total.power.sum(axis=1), below.power.sum(axis=1) if below else None, final)
    columns |= interval_columns(job, columns["level_db"], sum_total.degrees_of_freedom[:, 0])
    random, left = random_uncertainty_db(final), background_uncertainty_db(final)
    rows = []
    for p, position in enumerate(m.run.positions):
        rows.append(
            {name: number(array[p]) for name, array in columns.items()}
            | _statistics(history, position, wanted.weighting)
            | {
                "run": m.run.run,
                "position": position,
                "weighting": wanted.weighting,
                "lower_hz": wanted.range_hz[0],
                "upper_hz": wanted.range_hz[1],
                "lower_edge_hz": bands.lower_hz[0],
                "upper_edge_hz": bands.upper_hz[-1],
                "state": tables.STATES[final.state[p]],
                "random_uncertainty_db": number(random[p]),
                "background_uncertainty_db": number(left[p]),
                "standard_uncertainty_db": number(np.sqrt(random[p] ** 2 + left[p] ** 2 + m.uncertainty_db[p] ** 2)),
                "degrees_of_freedom": number(sum_total.degrees_of_freedom[p, 0]),
                "bound_share": number(summed.bound_share[p]),
                "quality": m.run.verdicts[p],
                "calibration": m.calibration_verdicts[p],
            }
        )
    return rows


def _statistics(history: pa.Table, position: str, weighting: str) -> dict[str, float | None]:
    """Percentiles and largest levels of one channel's history; empty where it has none."""
    keep = pc.and_(pc.equal(history["position"], position), pc.equal(history["weighting"], weighting))
    own = history.filter(keep)
    exceeded = levels_exceeded(own["level_db"].to_numpy(), EXCEEDED_PCT)
    largest = {"maximum_db": "level_db", "fast_maximum_db": "fast_maximum_db", "slow_maximum_db": "slow_maximum_db"}
    return {f"l{pct:g}_db": number(level) for pct, level in zip(EXCEEDED_PCT, exceeded, strict=True)} | {
        name: pc.max(own[column]).as_py() for name, column in largest.items()
    }


def _narrowband_rows(job: Job, m: Measured) -> list[dict[str, Any]]:
    spectra = m.run.spectra
    low, high = job.needs.range_hz
    hz = spectra.lines_hz
    kept = np.flatnonzero((hz >= low) & (hz <= high))
    cut = slice(kept[0], kept[-1] + 1) if kept.size else slice(0, 0)
    total = np.asarray(spectra.psd[:, cut], dtype=np.float64)
    lines = Powers(total, spectra.variance[:, cut])
    same_grid = all(b.step_hz == spectra.step_hz and b.psd.shape == spectra.psd.shape for b in m.below)
    below = None
    result = background.without_background(lines.power, lines.variance)
    if m.has_background.any() and same_grid:
        parts = [Powers(np.asarray(b.psd[:, cut], dtype=np.float64), b.variance[:, cut]) for b in m.below]
        below = mean_powers(parts, m.used)
        corrected = background.subtract(lines.power, below.power, lines.variance, below.variance, job.limits)
        result = keep_where(m.has_background, corrected, lines)
    line_low, line_high = spectrum_interval_db(m.run.effective_averages, job.needs.confidence)
    rows = []
    for p, position in enumerate(m.run.positions):
        has = below is not None and bool(m.has_background[p])
        rows.append(
            {
                "run": m.run.run,
                "position": position,
                "first_hz": float(hz[cut][0]) if kept.size else None,
                "step_hz": spectra.step_hz,
                "effective_averages": m.run.effective_averages,
                "line_low_db": number(line_low),
                "line_high_db": number(line_high),
                "psd_pa2_per_hz": total[p].astype(np.float32),
                "background_psd_pa2_per_hz": below.power[p].astype(np.float32) if below and has else None,
                "corrected_psd_pa2_per_hz": result.corrected[p].astype(np.float32),
                "margin_db": result.margin_db[p].astype(np.float32) if has else None,
                "state": result.state[p].astype(np.uint8),
                "response_low_hz": number(m.run.response_low_hz[p]),
                "response_high_hz": number(m.run.response_high_hz[p]),
            }
        )
    return rows


def _write_history(job: Job, digest: str) -> None:
    path = places.session_table(job.results, tables.HISTORY.name, job.needs.session)
    with parquet.writing_parts(tables.HISTORY, path, campaign=job.needs.campaign, digest=digest) as writer:
        for run in sorted(item.run for item in job.needs.runs):
            part = parquet.read(places.history(job.results, run))
            if part.num_rows:
                writer.write({name: part[name] for name in tables.HISTORY.column_names()})
