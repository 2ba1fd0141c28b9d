"""One session's runs with their backgrounds: what all tables of the session start from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import (
    MarginLimits,
    Subtraction,
)
from tapeline.acoustics.band_levels import LineSpectra, Method, Powers, band_sums, mean_powers, shares_of
from tapeline.acoustics.bands import Bands
from tapeline.acoustics.levels import level_db
from tapeline.acoustics.statistics import spectrum_interval_db
from tapeline.acoustics.weightings import Weighting, power_weights
from tapeline.acoustics.windows import Reals
from tapeline.campaign.slices import SessionRun, TablesNeeds
from tapeline.steps import places
from tapeline.steps.session_spectra import RunSpectra, load_run
from tapeline.store import parquet


@dataclass(frozen=True)
class Job:
    """What all parts of the step share."""

    needs: TablesNeeds
    results: Path
    loaded: dict[str, RunSpectra]
    calibration: dict[str, dict[str, dict[str, Any]]]
    limits: MarginLimits
    filters: dict[str, tuple[float, float]]


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


def load_job(results: Path, needs: TablesNeeds) -> Job:
    """Read the spectra of the session's runs and of all background runs they name, and the session's calibration."""
    names = [*(item.run for item in needs.runs), *needs.backgrounds]
    verdicts = {
        (row["run"], row["position"]): row["verdict"]
        for session in needs.sessions
        for row in parquet.read_rows(places.verdicts(results, session))
    }
    spectra = {name: load_run(results, name, needs.window, verdicts) for name in names}
    loaded = {name: found for name, found in spectra.items() if found is not None}
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
        filters={name: (high or np.nan, low or np.nan) for name, high, low in needs.filters},
    )


def measured_run(job: Job, item: SessionRun) -> Measured:
    """One run together with its background runs; unusable background channels do not count."""
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


def subtracted(
    job: Job, m: Measured, bands: Bands, weighting: Weighting, method: Method | None = None
) -> tuple[Powers, Powers | None, Subtraction]:
    """Band powers of the run and of its background, and the one taken off the other."""
    chosen = method or job.needs.bands.method
    total = _sums(m.run.spectra, bands, weighting, chosen)
    if not m.has_background.any():
        return total, None, background.without_background(total.power, total.variance)
    below = mean_powers([_sums(spectra, bands, weighting, chosen) for spectra in m.below], m.used)
    result = background.subtract(total.power, below.power, total.variance, below.variance, job.limits)
    return total, below, keep_where(m.has_background[:, None] & np.isfinite(below.power), result, total)


def _sums(spectra: LineSpectra, bands: Bands, weighting: Weighting, method: Method) -> Powers:
    """NaN for bands that reach beyond the last line."""
    weights = None if weighting == "Z" else power_weights(weighting, spectra.lines_hz)
    found = band_sums(spectra, shares_of(bands, spectra, method), weights)
    known = bands.upper_hz <= (spectra.psd.shape[1] - 0.5) * spectra.step_hz
    return Powers(np.where(known, found.power, np.nan), np.where(known, found.variance, np.nan))


def keep_where(has: NDArray[np.bool_], result: Subtraction, total: Powers) -> Subtraction:
    """What has no background stands as it is; `has` is (positions,), or (positions, bands) as the powers may be."""
    if has.all():
        return result
    bare = background.without_background(total.power, total.variance)
    pick = has.reshape(*has.shape, *(1 for _ in range(total.power.ndim - has.ndim)))
    return Subtraction(
        *(np.where(pick, getattr(result, name), getattr(bare, name)) for name in Subtraction.__dataclass_fields__)
    )


def level_columns(job: Job, total: Reals, below: Reals | None, result: Subtraction) -> dict[str, Reals]:
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


def interval_columns(job: Job, levels_db: Reals, degrees_of_freedom: Reals) -> dict[str, Reals]:
    """Ends of the within-record interval of total levels: random error of the averages alone, chi-square."""
    low, high = spectrum_interval_db(degrees_of_freedom / 2.0, job.needs.confidence)
    return {"level_low_db": levels_db + low, "level_high_db": levels_db + high}


def number(value: Any) -> float | None:
    """A plain number for a table's cell, null for NaN."""
    return None if np.isnan(value) else float(value)
