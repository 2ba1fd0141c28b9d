"""Rows of the overall table: weighted sums over the bands that each position has."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from tapeline.acoustics.background import background_uncertainty_db, random_uncertainty_db
from tapeline.acoustics.band_levels import Powers
from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.history import levels_exceeded
from tapeline.acoustics.overall import sum_bands
from tapeline.acoustics.usable_range import absent
from tapeline.campaign.settings import Overall
from tapeline.steps import places
from tapeline.steps.band_rows import held_lines, limits_of
from tapeline.steps.level_history import history_edges_hz
from tapeline.steps.session_levels import (
    Job,
    Measured,
    interval_columns,
    keep_where,
    level_columns,
    number,
    subtracted,
)
from tapeline.store import parquet, tables

EXCEEDED_PCT = (5.0, 10.0, 50.0, 90.0, 95.0)
"""Percentages of the time that levels are exceeded in, L5 to L95 (common practice)."""

LARGEST = {"maximum_db": "level_db", "fast_maximum_db": "fast_maximum_db", "slow_maximum_db": "slow_maximum_db"}
"""Columns of the largest levels, and where in the history they come from."""

STATISTICS = (*(f"l{pct:g}_db" for pct in EXCEEDED_PCT), *LARGEST)


def overall_rows(job: Job, m: Measured) -> list[dict[str, Any]]:
    """One row a position, weighting and range of one run."""
    rows: list[dict[str, Any]] = []
    history = parquet.read(places.history(job.results, m.run.run))
    for wanted in job.needs.overall:
        rows += _one_overall(job, m, wanted, history)
    return rows


def _one_overall(job: Job, m: Measured, wanted: Overall, history: pa.Table) -> list[dict[str, Any]]:
    """One overall level of every position, those with the same usable bands together."""
    bands = bands_between(job.needs.bands.fraction, *wanted.range_hz)
    lines = held_lines(m, bands, job.needs.bands.method)
    groups: dict[bytes, list[int]] = {}
    for p in range(len(m.run.positions)):
        usable = ~absent(limits_of(job, m, bands, lines, p))
        groups.setdefault(usable.tobytes(), []).append(p)
    rows: list[dict[str, Any]] = []
    for flags, chosen in groups.items():
        usable = np.frombuffer(flags, dtype=bool)
        if usable.any():
            found = _sums(job, m, wanted, bands.chosen(usable), chosen, history)
            if not usable.all():
                found = [row | {"marks": [*row["marks"], "narrower-range"]} for row in found]
            rows += found
    return rows


def _sums(
    job: Job, m: Measured, wanted: Overall, bands: Bands, chosen: list[int], history: pa.Table
) -> list[dict[str, Any]]:
    """Rows of the overall level that sums these bands, of the chosen positions."""
    total, below, result = subtracted(job, m, bands, wanted.weighting)
    narrower = (
        m.has_background & ~np.isfinite(below.power).all(axis=1) if below else np.zeros(len(m.has_background), bool)
    )
    below = Powers(np.nan_to_num(below.power), np.nan_to_num(below.variance)) if below else None
    whole = Bands(bands.fraction, bands.midband_hz[:1], bands.nominal_hz[:1], bands.lower_hz[:1], bands.upper_hz[-1:])
    sum_total, sum_below, _ = subtracted(job, m, whole, wanted.weighting, "lines")
    nothing = np.zeros(len(m.run.positions))
    variances = (sum_total.variance[:, 0], np.nan_to_num(sum_below.variance[:, 0]) if sum_below else nothing)
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
    of_history = history_edges_hz(job.needs.overall[0].range_hz)
    of_this_range = bool(np.allclose(of_history, (bands.lower_hz[0], bands.upper_hz[-1]), rtol=1e-6))
    rows = []
    for p in chosen:
        position = m.run.positions[p]
        rows.append(
            {name: number(array[p]) for name, array in columns.items()}
            | (_statistics(history, position, wanted.weighting) if of_this_range else dict.fromkeys(STATISTICS))
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
                "marks": ["background-narrower"] if narrower[p] else [],
                "quality": m.run.verdicts[p],
                "calibration": m.calibration_verdicts[p],
            }
        )
    return rows


def _statistics(history: pa.Table, position: str, weighting: str) -> dict[str, float | None]:
    """Percentiles and largest levels of one channel's history; empty where it has none."""
    keep = pc.and_(pc.equal(history["position"], position), pc.equal(history["weighting"], weighting))
    own = history.filter(keep)
    exceeded = levels_exceeded(own["level_db"].drop_null().to_numpy(), EXCEEDED_PCT)
    return {f"l{pct:g}_db": number(level) for pct, level in zip(EXCEEDED_PCT, exceeded, strict=True)} | {
        name: pc.max(own[column]).as_py() for name, column in LARGEST.items()
    }
