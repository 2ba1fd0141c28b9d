"""Step `tables`: one session's levels with their background subtracted, for readers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import (
    MarginLimits,
    Subtraction,
    background_uncertainty_db,
    random_uncertainty_db,
)
from tapeline.acoustics.band_levels import LineSpectra, Powers, band_sums, mean_powers, shares_of
from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.history import levels_exceeded
from tapeline.acoustics.levels import level_db
from tapeline.acoustics.overall import sum_bands
from tapeline.acoustics.statistics import welch_satterthwaite
from tapeline.acoustics.weightings import Weighting, power_weights
from tapeline.acoustics.windows import Reals
from tapeline.campaign.plan import Plan
from tapeline.campaign.settings import Overall
from tapeline.campaign.slices import SessionRun, TablesNeeds
from tapeline.steps import places
from tapeline.steps.session_spectra import RunSpectra, load_run
from tapeline.store import parquet, tables
from tapeline.store.schema import Table

FEW_LINES = 5.0
"""Bands of fewer lines are marked: too few to stand for the band's shape (common practice)."""


@dataclass(frozen=True)
class Job:
    """What all parts of the step share."""

    needs: TablesNeeds
    results: Path
    loaded: dict[str, RunSpectra]
    calibration: dict[str, dict[str, dict[str, Any]]]
    limits: MarginLimits


@dataclass(frozen=True)
class Measured:
    """One run, the spectra of its background runs in the run's order of positions, and which of them count."""

    run: RunSpectra
    below: list[LineSpectra]
    used: NDArray[np.bool_]
    uncertainty_db: Reals
    calibration_verdicts: tuple[str, ...]

    @property
    def has_background(self) -> NDArray[np.bool_]:
        """Which positions have at least one usable background spectrum."""
        return np.asarray(self.used.any(axis=0)) if self.below else np.zeros(len(self.run.positions), dtype=bool)


def run(plan: Plan, session: str) -> None:
    """Write the session's narrowband, bands, overall and history tables."""
    needs = plan.tables_needs(session)
    job = _load(plan.campaign.results, needs)
    measured = [_measured(job, item) for item in needs.runs if item.run in job.loaded]
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


def _load(results: Path, needs: TablesNeeds) -> Job:
    names = [*(item.run for item in needs.runs), *needs.backgrounds]
    loaded = {name: spectra for name in names if (spectra := load_run(results, name, needs.window)) is not None}
    rows = parquet.read_rows(places.calibration(results, needs.session))
    limits = needs.background
    return Job(
        needs=needs,
        results=results,
        loaded=loaded,
        calibration={needs.session: {row["position"]: row for row in rows}},
        limits=MarginLimits(
            limits.no_correction_above_db, limits.enough_margin_db, limits.least_margin_db, limits.bound_factor
        ),
    )


def _measured(job: Job, item: SessionRun) -> Measured:
    spectra = job.loaded[item.run]
    selected = [job.loaded[name].select(spectra.positions) for name in item.background if name in job.loaded]
    own = job.calibration[job.needs.session]
    return Measured(
        run=spectra,
        below=[below for below, _ in selected],
        used=np.array([usable for _, usable in selected], dtype=bool).reshape(len(selected), len(spectra.positions)),
        uncertainty_db=np.array([own[p]["standard_uncertainty_db"] or 0.0 for p in spectra.positions]),
        calibration_verdicts=tuple(own[p]["verdict"] for p in spectra.positions),
    )


def _subtracted(job: Job, m: Measured, bands: Bands, weights: Weighting) -> tuple[Powers, Powers | None, Subtraction]:
    """Band powers of the run and of its background, and the one taken off the other."""
    total = _sums(m.run.spectra, bands, weights)
    if not m.has_background.any():
        return total, None, background.without_background(total.power, total.variance)
    below = mean_powers([_sums(spectra, bands, weights) for spectra in m.below], m.used)
    result = background.subtract(total.power, below.power, total.variance, below.variance, job.limits)
    return total, below, _keep_where(m.has_background, result, total)


def _sums(spectra: LineSpectra, bands: Bands, weighting: Weighting) -> Powers:
    weights = None if weighting == "Z" else power_weights(weighting, spectra.lines_hz)
    return band_sums(spectra, shares_of(bands, spectra), weights)


def _keep_where(has: NDArray[np.bool_], result: Subtraction, total: Powers) -> Subtraction:
    """Positions whose background runs are all unusable stand as if there were none."""
    if has.all():
        return result
    bare = background.without_background(total.power, total.variance)
    pick = has[:, None]
    return Subtraction(
        *(np.where(pick, getattr(result, name), getattr(bare, name)) for name in Subtraction.__dataclass_fields__)
    )


def _level_columns(job: Job, total: Reals, below: Reals | None, result: Subtraction) -> dict[str, Reals]:
    """The level columns shared by bands and overall levels, as arrays of the totals' shape."""
    reference = job.needs.reference_pressure_pa
    nothing = np.full(total.shape, np.nan)
    return {
        "level_db": level_db(total, reference),
        "level_pa2": total,
        "background_level_db": nothing if below is None else level_db(below, reference),
        "background_pa2": nothing if below is None else below,
        "corrected_level_db": level_db(result.corrected, reference),
        "corrected_pa2": result.corrected,
        "upper_bound_db": level_db(result.upper_bound, reference),
        "margin_db": result.margin_db,
    }


def _band_rows(job: Job, m: Measured) -> list[dict[str, Any]]:
    settings = job.needs.bands
    bands = bands_between(settings.fraction, *settings.range_hz)
    total, below, result = _subtracted(job, m, bands, "Z")
    columns = _level_columns(job, total.power, below.power if below else None, result)
    columns |= _uncertainties(m, total, below, result)
    lines = np.array([band.share.sum() for band in shares_of(bands, m.run.spectra)])
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
            values = {name: _number(array[p, b]) for name, array in columns.items()}
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
        subtracted = (result.state != background.CLEAR) & (result.state != background.NONE)
        degrees = np.where(subtracted, both, degrees)
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
    total, below, result = _subtracted(job, m, bands, wanted.weighting)
    whole = Bands(bands.fraction, bands.midband_hz[:1], bands.nominal_hz[:1], bands.lower_hz[:1], bands.upper_hz[-1:])
    sum_total, sum_below, _ = _subtracted(job, m, whole, wanted.weighting)
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
    final = _without(m.has_background, summed.result, sum_total)
    columns = _level_columns(job, sum_total.power[:, 0], sum_below.power[:, 0] if sum_below else None, final)
    random, left = random_uncertainty_db(final), background_uncertainty_db(final)
    rows = []
    for p, position in enumerate(m.run.positions):
        levels = _history_levels(history, position, wanted.weighting)
        l10, l50, l90 = levels_exceeded(levels, (10.0, 50.0, 90.0))
        rows.append(
            {name: _number(array[p]) for name, array in columns.items()}
            | {
                "run": m.run.run,
                "position": position,
                "weighting": wanted.weighting,
                "lower_hz": wanted.range_hz[0],
                "upper_hz": wanted.range_hz[1],
                "lower_edge_hz": bands.lower_hz[0],
                "upper_edge_hz": bands.upper_hz[-1],
                "state": tables.STATES[final.state[p]],
                "random_uncertainty_db": _number(random[p]),
                "background_uncertainty_db": _number(left[p]),
                "standard_uncertainty_db": _number(np.sqrt(random[p] ** 2 + left[p] ** 2 + m.uncertainty_db[p] ** 2)),
                "degrees_of_freedom": _number(sum_total.degrees_of_freedom[p, 0]),
                "bound_share": _number(summed.bound_share[p]),
                "l10_db": _number(l10),
                "l50_db": _number(l50),
                "l90_db": _number(l90),
                "maximum_db": _number(levels.max()) if levels.size else None,
                "quality": m.run.verdicts[p],
                "calibration": m.calibration_verdicts[p],
            }
        )
    return rows


def _without(has: NDArray[np.bool_], result: Subtraction, total: Powers) -> Subtraction:
    bare = background.without_background(total.power[:, 0], total.variance[:, 0])
    return Subtraction(
        *(np.where(has, getattr(result, name), getattr(bare, name)) for name in Subtraction.__dataclass_fields__)
    )


def _history_levels(history: pa.Table, position: str, weighting: str) -> Reals:
    frame = history.select(["position", "weighting", "level_db"])
    keep = np.array(frame.column("position").to_pylist(), dtype=object) == position
    keep &= np.array(frame.column("weighting").to_pylist(), dtype=object) == weighting
    return np.asarray(frame.column("level_db").to_numpy()[keep.astype(bool)])


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
        subtracted = background.subtract(lines.power, below.power, lines.variance, below.variance, job.limits)
        result = _keep_where(m.has_background, subtracted, lines)
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
                "psd_pa2_per_hz": total[p].astype(np.float32),
                "background_psd_pa2_per_hz": below.power[p].astype(np.float32) if below and has else None,
                "corrected_psd_pa2_per_hz": result.corrected[p].astype(np.float32),
                "margin_db": result.margin_db[p].astype(np.float32) if has else None,
                "state": result.state[p].astype(np.uint8),
            }
        )
    return rows


def _write_history(job: Job, digest: str) -> None:
    parts = [parquet.read(places.history(job.results, item.run)) for item in job.needs.runs]
    table: Table = tables.HISTORY
    empty = table.arrow().empty_table()
    joined = pa.concat_tables([part.cast(table.arrow()) for part in parts]) if parts else empty
    path = places.session_table(job.results, table.name, job.needs.session)
    parquet.write_arrow(table, path, joined, campaign=job.needs.campaign, digest=digest)


def _number(value: Any) -> float | None:
    return None if np.isnan(value) else float(value)
