"""Uncertainty of levels as columns: each term, all together, and the intervals that follow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

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
from tapeline.jobs.tables.sensor_sizes import size_attenuation, size_term_db
from tapeline.jobs.tables.session_levels import Levels, Measured, SessionJob
from tapeline.statistics.combined_uncertainty import welch_satterthwaite
from tapeline.statistics.significance import student_factor
from tapeline.statistics.uncertainty_terms import BACKGROUND, LEVEL_TERMS

Curve = Sequence[tuple[float, float]]


def curve_db(curve: Curve, hz: Reals) -> Reals:
    """A curve of [Hz, dB] pairs at some frequencies: linear over the logarithm, its ends held."""
    at, values = (np.array(column, dtype=np.float64) for column in zip(*curve, strict=True))
    with np.errstate(divide="ignore"):
        return np.asarray(np.interp(np.log(np.maximum(hz, 1e-9)), np.log(at), values))


def frequency_terms(job: SessionJob, m: Measured, hz: Reals) -> dict[str, Reals]:
    """Standard uncertainties (dB) that depend on frequency, (positions, frequencies), by the columns of their terms."""
    settings = job.needs.uncertainty
    low, high = m.run.response_low_hz[:, None], m.run.response_high_hz[:, None]
    charted = (hz >= low) & (hz <= high)
    return {
        "response": np.where(charted, curve_db(settings.response_db, hz), curve_db(settings.no_chart_db, hz)),
        "mounting": np.broadcast_to(curve_db(settings.mounting_db, hz), charted.shape),
        "size": size_term_db(size_attenuation(m.sizes, job.needs.sensor_size, hz)),
    }


@dataclass(frozen=True)
class LevelTerms:
    """Standard uncertainties (dB) and degrees of freedom of every term, (terms, *the totals' shape), as `LEVEL_TERMS`.

    The terms of a bound stand here too; NaN where there is no power.
    """

    uncertainty_db: Reals
    degrees_of_freedom: Reals

    @property
    def variances(self) -> Reals:
        """Squares of the uncertainties, dB^2."""
        return np.asarray(self.uncertainty_db**2)


def level_terms(job: SessionJob, m: Measured, levels: Levels, terms: dict[str, Reals]) -> LevelTerms:
    """Every term of levels; `terms` are those of `frequency_terms`, brought to the totals' shape.

    Every term of `LEVEL_TERMS` has its value here or in `frequency_terms`, and degrees of freedom where it estimates
    them. Raises KeyError for one that has not.
    """
    result = levels.result
    shape = result.total.shape
    across = (slice(None),) + (None,) * (len(shape) - 1)
    found = {
        "random": random_uncertainty_db(result),
        "background": background_uncertainty_db(result),
        "calibration": np.broadcast_to(m.uncertainty_db[across], shape),
        "environment": np.full(shape, m.conditions.environment_uncertainty_db),
        "speed": np.full(shape, m.conditions.speed_uncertainty_db),
        "steadiness": m.steadiness_db[across] * _share_left(result),
        **{name: np.broadcast_to(value, shape) for name, value in terms.items()},
    }
    estimated = {
        "random": levels.kept.degrees_of_freedom,
        "background": _background_degrees_of_freedom(levels),
        "calibration": np.broadcast_to(m.calibration_degrees_of_freedom[across], shape),
        "steadiness": np.full(shape, m.steadiness_degrees_of_freedom),
    }
    degrees_of_freedom = np.stack(
        [
            estimated[term.column] if term.degrees_of_freedom is None else np.full(shape, term.degrees_of_freedom)
            for term in LEVEL_TERMS
        ]
    )
    return LevelTerms(np.stack([found[term.column] for term in LEVEL_TERMS]), degrees_of_freedom)


def uncertainty_columns(
    job: SessionJob, m: Measured, levels: Levels, terms: dict[str, Reals], *, whole_alone: bool = False
) -> dict[str, Reals]:
    """Columns of the totals' shape; `terms` are those of `frequency_terms`, brought to that shape.

    `whole_alone`: the standard uncertainty with its degrees of freedom, neither its terms nor intervals.
    """
    result = levels.result
    found = level_terms(job, m, levels, terms)
    variances, degrees_of_freedom = found.variances, found.degrees_of_freedom
    bound = result.state == background.BOUND
    columns = {
        "standard_uncertainty_db": np.sqrt(np.sum(variances, axis=0)),
        "degrees_of_freedom": np.where(bound, np.nan, welch_satterthwaite(variances, degrees_of_freedom)),
    }
    if whole_alone:
        return columns
    columns |= {
        term.uncertainty_column: np.where(bound, np.nan, value)
        for term, value in zip(LEVEL_TERMS, found.uncertainty_db, strict=True)
    }
    columns[BACKGROUND.scatter_column] = _background_scatter_db(levels)
    factor, reach_db = reach_of_other_terms(found, job.needs.confidence)
    return columns | _intervals(job, result, factor * reach_db)


def reach_of_other_terms(found: LevelTerms, confidence: float) -> tuple[Reals, Reals]:
    """Student's factor and standard uncertainty (dB) of all terms that run and background do not scatter by."""
    rest = [term.found_from != "scatter" for term in LEVEL_TERMS]
    variances = found.variances[rest]
    factor = student_factor(welch_satterthwaite(variances, found.degrees_of_freedom[rest]), confidence)
    return factor, np.sqrt(np.sum(variances, axis=0))


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


def _background_degrees_of_freedom(levels: Levels) -> Reals:
    """Of the background's averages and scatter; what is neglected is certain to lie within its rectangle."""
    subtracted = (levels.result.subtracted_variance > 0.0) & (levels.result.state != background.NONE)
    return np.where(subtracted, levels.below_degrees_of_freedom, np.inf)


def over_bands(terms: dict[str, Reals], powers: Powers) -> dict[str, Reals]:
    """Terms of bands (positions, bands) as those of their sum: mean weighted by power, for errors that bands share."""
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = powers.power / powers.power.sum(axis=1, keepdims=True)
        return {name: np.nan_to_num((value * weight).sum(axis=1)) for name, value in terms.items()}
