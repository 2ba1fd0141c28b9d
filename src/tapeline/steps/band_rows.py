"""Rows of the bands table: levels, uncertainties, and why a band has none."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import Subtraction, background_uncertainty_db, random_uncertainty_db
from tapeline.acoustics.band_levels import Method, Powers, band_sums, shares_of
from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.uncertainty import welch_satterthwaite
from tapeline.acoustics.usable_range import ChannelRange, RangeLimits, absent, band_limits
from tapeline.acoustics.windows import Reals
from tapeline.steps.session_levels import Job, Measured, interval_columns, level_columns, number, subtracted
from tapeline.store import tables

METHODS: tuple[Method, Method] = ("lines", "filters")


def band_rows(job: Job, m: Measured) -> list[dict[str, Any]]:
    """One row a position and band of one run."""
    settings = job.needs.bands
    bands = bands_between(settings.fraction, *settings.range_hz)
    total, below, result = subtracted(job, m, bands, "Z")
    columns = level_columns(job, total.power, below.power if below else None, result)
    columns |= _uncertainties(m, total, below, result)
    columns |= interval_columns(job, columns["level_db"], total.degrees_of_freedom)
    lines, filters_less_lines = held_lines(m, bands, settings.method), _filters_less_lines_db(m, bands)
    narrower = m.has_background[:, None] & ~np.isfinite(below.power) if below else np.zeros(total.power.shape, bool)
    rows = []
    for p, position in enumerate(m.run.positions):
        limits = limits_of(job, m, bands, lines, p)
        gone = absent(limits)
        differ = np.abs(filters_less_lines[p]) > settings.methods_differ_db
        for b in range(len(bands)):
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
                "marks": [name for name, flags in limits.items() if flags[b]],
            }
            if not gone[b]:
                row |= {name: number(array[p, b]) for name, array in columns.items()}
                row["state"] = tables.STATES[result.state[p, b]]
                row["filters_minus_lines_db"] = number(filters_less_lines[p, b])
                row["marks"] += ["methods-differ"] if differ[b] else []
                row["marks"] += ["background-narrower"] if narrower[p, b] else []
            rows.append(row)
    return rows


def held_lines(m: Measured, bands: Bands, method: Method) -> Reals:
    """How many lines each band holds."""
    return np.array([band.share.sum() for band in shares_of(bands, m.run.spectra, method)])


def _filters_less_lines_db(m: Measured, bands: Bands) -> Reals:
    """Total levels by band filters less those by summed lines, (positions, bands): where the way matters."""
    lines, filters = (band_sums(m.run.spectra, shares_of(bands, m.run.spectra, way)).power for way in METHODS)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(10.0 * np.log10(filters / lines))


def limits_of(
    job: Job, m: Measured, bands: Bands, lines: Reals, p: int, used_s: float | None = None
) -> dict[str, NDArray[np.bool_]]:
    """What limits the bands of one position; see `band_limits`. `used_s` where it is not all of the run's."""
    high_pass, low_pass = job.filters.get(m.run.positions[p], (np.nan, np.nan))
    channel = ChannelRange(m.run.response_low_hz[p], m.run.response_high_hz[p], high_pass, low_pass)
    b = job.needs.bands
    limits = RangeLimits(b.least_lines, b.least_bandwidth_time, b.highest_fraction_of_rate)
    return band_limits(bands, lines, m.run.used_s if used_s is None else used_s, m.run.sample_rate_hz, channel, limits)


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
