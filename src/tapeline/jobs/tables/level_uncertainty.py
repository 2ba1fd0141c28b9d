"""Uncertainty of levels as columns: each term, all together, and the intervals that follow."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tapeline.acoustics import background
from tapeline.acoustics.background import (
    Subtraction,
    background_uncertainty_db,
    corrected_interval,
    random_uncertainty_db,
)
from tapeline.acoustics.band_levels import Powers
from tapeline.acoustics.levels import level_db
from tapeline.arrays import Reals
from tapeline.jobs.tables.session_levels import Levels, Measured, SessionJob
from tapeline.statistics.significance import student_factor
from tapeline.statistics.uncertainty import welch_satterthwaite

Curve = Sequence[tuple[float, float]]


def curve_db(curve: Curve, hz: Reals) -> Reals:
    """A curve of [Hz, dB] pairs at some frequencies: linear over the logarithm, its ends held."""
    at, values = (np.array(column, dtype=np.float64) for column in zip(*curve, strict=True))
    with np.errstate(divide="ignore"):
        return np.asarray(np.interp(np.log(np.maximum(hz, 1e-9)), np.log(at), values))


def frequency_terms(job: SessionJob, m: Measured, hz: Reals) -> dict[str, Reals]:
    """Standard uncertainties (dB) of response and mounting, (positions, frequencies)."""
    settings = job.needs.uncertainty
    low, high = m.run.response_low_hz[:, None], m.run.response_high_hz[:, None]
    charted = (hz >= low) & (hz <= high)
    return {
        "response": np.where(charted, curve_db(settings.response_db, hz), curve_db(settings.no_chart_db, hz)),
        "mounting": np.broadcast_to(curve_db(settings.mounting_db, hz), charted.shape),
    }


def uncertainty_columns(
    job: SessionJob, m: Measured, levels: Levels, terms: dict[str, Reals], *, intervals: bool = True
) -> dict[str, Reals]:
    """Columns of the totals' shape; `terms` are those of `frequency_terms`, brought to that shape."""
    result = levels.result
    shape = result.total.shape
    across = (slice(None),) + (None,) * (len(shape) - 1)
    found = {
        "random": random_uncertainty_db(result),
        "background": background_uncertainty_db(result),
        "calibration": np.broadcast_to(m.uncertainty_db[across], shape),
        "response": np.broadcast_to(terms["response"], shape),
        "environment": np.full(shape, m.conditions.environment_uncertainty_db),
        "mounting": np.broadcast_to(terms["mounting"], shape),
        "speed": np.full(shape, m.conditions.speed_uncertainty_db),
        "steadiness": m.steadiness_db[across] * _share_left(result),
    }
    certain = np.full(shape, np.inf)
    freedom = dict.fromkeys(found, certain) | {
        "random": levels.kept.degrees_of_freedom,
        "background": _background_freedom(levels),
        "calibration": np.broadcast_to(m.calibration_freedom[across], shape),
        "steadiness": np.full(shape, m.steadiness_freedom),
    }
    variances = {name: value**2 for name, value in found.items()}
    names = list(found)
    degrees = welch_satterthwaite([variances[name] for name in names], [freedom[name] for name in names])
    bound = result.state == background.BOUND
    columns = {f"{name}_uncertainty_db": np.where(bound, np.nan, value) for name, value in found.items()}
    columns["background_scatter_uncertainty_db"] = _background_scatter_db(levels)
    columns["standard_uncertainty_db"] = np.sqrt(np.sum([variances[name] for name in names], axis=0))
    columns["degrees_of_freedom"] = np.where(bound, np.nan, degrees)
    if not intervals:
        return columns
    rest = [name for name in names if name not in ("random", "background")]
    lasting = welch_satterthwaite([variances[name] for name in rest], [freedom[name] for name in rest])
    factor = student_factor(lasting, job.needs.confidence)
    return columns | _intervals(job, result, factor * np.sqrt(np.sum([variances[name] for name in rest], axis=0)))


def _intervals(job: SessionJob, result: Subtraction, reach_db: Reals) -> dict[str, Reals]:
    """Ends of the corrected level's interval, and with `reach_db` of all other terms, of the absolute level."""
    reference = job.needs.reference_pressure_pa
    level = level_db(result.corrected, reference)
    low, high = (level_db(end, reference) for end in corrected_interval(result, job.needs.confidence))
    with np.errstate(invalid="ignore"):
        columns = {
            "corrected_lower_db": low,
            "corrected_upper_db": high,
            "absolute_lower_db": level - np.hypot(level - low, reach_db),
            "absolute_upper_db": level + np.hypot(high - level, reach_db),
        }
    return {name: np.where(np.isfinite(ends), ends, np.nan) for name, ends in columns.items()}


def _background_scatter_db(levels: Levels) -> Reals:
    """What the run's own background scatters, of the background's uncertainty, and what its tones may hide.

    Nothing scatters where nothing is subtracted.
    """
    result = levels.result
    subtracted = (result.state != background.CLEAR) & (result.state != background.NONE)
    own = np.where(subtracted, levels.below_own, 0.0) + levels.tones**2 / 3.0
    with np.errstate(divide="ignore", invalid="ignore"):
        return background.as_db(own / result.corrected**2)


def _share_left(result: Subtraction) -> Reals:
    """How much more a corrected level moves than the total when both come and go together: total over corrected."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.maximum(result.total / result.corrected, 1.0)


def _background_freedom(levels: Levels) -> Reals:
    """Of the background's averages and scatter; what is neglected is certain to lie within its rectangle."""
    subtracted = (levels.result.subtracted_variance > 0.0) & (levels.result.state != background.NONE)
    return np.where(subtracted, levels.below_freedom, np.inf)


def over_bands(terms: dict[str, Reals], powers: Powers) -> dict[str, Reals]:
    """Terms of bands (positions, bands) as those of their sum: mean weighted by power, for errors that bands share."""
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = powers.power / powers.power.sum(axis=1, keepdims=True)
        return {name: np.nan_to_num((value * weight).sum(axis=1)) for name, value in terms.items()}
