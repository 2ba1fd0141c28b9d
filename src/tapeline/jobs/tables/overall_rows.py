"""Rows of the overall table: weighted sums over the bands that each position has."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, cast

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from tapeline.acoustics import background
from tapeline.acoustics.band_levels import LineSpectra, Powers
from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.history import levels_exceeded
from tapeline.acoustics.overall import sum_bands
from tapeline.acoustics.usable_range import absent
from tapeline.arrays import Reals
from tapeline.campaign.settings import Overall
from tapeline.jobs.cell_values import cells_at, finite_or_none
from tapeline.jobs.levels.level_use_columns import doubt_of, hum_in_sum
from tapeline.jobs.spectra.level_history import history_edges_hz
from tapeline.jobs.tables.level_uncertainty import frequency_terms, over_bands, uncertainty_columns
from tapeline.jobs.tables.run_background import Sums
from tapeline.jobs.tables.session_levels import (
    Levels,
    Measured,
    SessionJob,
    band_powers_of,
    interval_columns,
    level_columns,
    levels_of,
)
from tapeline.jobs.tables.usable_bands import held_lines, limits_of
from tapeline.limits import EXCEEDED_LEVELS_PCT
from tapeline.store import tables

if TYPE_CHECKING:
    from tapeline.store.rows import OverallRow

LARGEST = {"maximum_db": "level_db", "fast_maximum_db": "fast_maximum_db", "slow_maximum_db": "slow_maximum_db"}
"""Columns of the largest levels, and where in the history they come from."""


def overall_rows(job: SessionJob, m: Measured, history: pa.Table) -> list[OverallRow]:
    """One row a position, weighting and range of one run; `history` is the run's own table of that name."""
    rows: list[OverallRow] = []
    for wanted in job.needs.overall:
        rows += _one_overall(job, m, wanted, history)
    return rows


def _one_overall(job: SessionJob, m: Measured, wanted: Overall, history: pa.Table) -> list[OverallRow]:
    """One overall level of every position, those with the same usable bands together."""
    bands = bands_between(job.needs.bands.fraction, *wanted.range_hz)
    lines = held_lines(m.run, bands, job.needs.bands.method)
    groups: dict[bytes, list[int]] = {}
    for p in range(len(m.run.positions)):
        usable = ~absent(limits_of(m.run, bands, lines, p, job.needs.bands, job.filters, job.left_out))
        groups.setdefault(usable.tobytes(), []).append(p)
    rows: list[OverallRow] = []
    for flags, chosen in groups.items():
        usable = np.frombuffer(flags, dtype=bool)
        if usable.any():
            found = _sums(job, m, wanted, bands.chosen(usable), chosen, history)
            if not usable.all():
                absent_hz = bands.nominal_hz[~usable].astype(np.float32)
                found = [
                    row | {"marks": [*row["marks"], "narrower-range"], "absent_bands_hz": absent_hz} for row in found
                ]
            rows += found
    return rows


def _sums(
    job: SessionJob, m: Measured, wanted: Overall, bands: Bands, chosen: list[int], history: pa.Table
) -> list[OverallRow]:
    """Rows of the overall level that sums these bands, of the chosen positions."""
    levels = levels_of(job, m, band_powers_of(bands, wanted.weighting, job.needs.bands.method))
    stretches = bands.joined()
    one = levels_of(job, m, _summed(band_powers_of(stretches, wanted.weighting, "lines")), bounds=False)
    summed = sum_bands(levels.result, _variances(levels, one), job.limits, job.needs.background.bound_share)
    final, below, electrical = summed.result, levels.below, levels.electrical
    columns = level_columns(
        job,
        m,
        final,
        None if below is None else np.where(m.background.there, np.nansum(below.power, axis=1), np.nan),
        None if electrical is None else electrical.power.sum(axis=1),
    )
    own = dataclasses.replace(
        levels,
        result=final,
        kept=_column(one.kept),
        below_degrees_of_freedom=one.below_degrees_of_freedom[:, 0],
        below_own=one.below_own[:, 0],
        tones=levels.tones.sum(axis=1),
    )
    terms = over_bands(frequency_terms(job, m, bands.midband_hz), levels.total)
    columns |= uncertainty_columns(job, m, own, terms)
    columns |= interval_columns(job, columns["level_db"], one.total.degrees_of_freedom[:, 0])
    marks = {
        name: np.asarray(flags.any(axis=1)) for name, flags in levels.marks.items() if name != "at-electrical-floor"
    }
    marks["at-electrical-floor"] = one.marks["at-electrical-floor"][:, 0]
    # Bands that carry little of the sum are in its uncertainty and doubt nothing.
    marks["background-louder-here"] &= final.louder
    of_history = history_edges_hz(job.needs.overall[0].range_hz)
    edges = (bands.lower_hz[0], bands.upper_hz[-1])
    of_this_range = len(stretches) == 1 and bool(np.allclose(of_history, edges, rtol=1e-6))
    rows: list[OverallRow] = []
    for p in chosen:
        position = m.run.positions[p]
        said = [name for name, flags in marks.items() if flags[p]]
        hum = hum_in_sum(m.doubts[p], bands.lower_hz, bands.upper_hz, levels.total.power[p])
        rows.append(
            {
                **cast("OverallRow", cells_at(columns, p)),  # terms name their columns
                **(history_statistics(history, position, wanted.weighting) if of_this_range else {}),
                "run": m.run.run,
                "position": position,
                "weighting": wanted.weighting,
                "lowest_band_hz": wanted.range_hz[0],
                "highest_band_hz": wanted.range_hz[1],
                "lower_hz": edges[0],
                "upper_hz": edges[1],
                "state": tables.STATES[final.state[p]],
                "background_source": tables.BACKGROUND_SOURCES[levels.background_source[p].max()],
                "bound_share": finite_or_none(summed.bound_share[p]),
                "marks": said,
                "doubt": doubt_of(m.doubts[p], hum, said),
                "quality": m.run.verdicts[p],
                "calibration": m.calibration_verdicts[p],
            }
        )
    return rows


def _summed(sums: Sums) -> Sums:
    """The sum over all bands as one; stretches of neighbouring bands share no lines, their errors are independent."""

    def one(spectra: LineSpectra) -> Powers:
        found = sums(spectra)
        return Powers(found.power.sum(axis=1, keepdims=True), found.variance.sum(axis=1, keepdims=True))

    return one


def _variances(bands: Levels, one: Levels) -> tuple[Reals, Reals]:
    """Variances (positions,) of what is kept of the sum and of its background: those of one band over the range.

    Where the range reaches beyond a slower background, the bands that have one stand for it.
    """
    of_bands = np.where(bands.result.state == background.NONE, 0.0, bands.result.below_variance).sum(axis=1)
    of_range = np.where(one.result.state[:, 0] == background.NONE, of_bands, one.result.below_variance[:, 0])
    return one.kept.variance[:, 0], of_range


def _column(powers: Powers) -> Powers:
    """The only band's powers, (positions,)."""
    return Powers(powers.power[:, 0], powers.variance[:, 0])


def history_statistics(history: pa.Table, position: str, weighting: str) -> OverallRow:
    """Percentiles and largest levels of one channel's history; empty where it has none."""
    keep = pc.and_(pc.equal(history["position"], position), pc.equal(history["weighting"], weighting))
    own = history.filter(keep)
    levels = pc.if_else(own["silent"], -np.inf, own["level_db"])
    exceeded = levels_exceeded(levels.drop_null().to_numpy(), EXCEEDED_LEVELS_PCT)
    found = {f"l{pct:g}_db": finite_or_none(level) for pct, level in zip(EXCEEDED_LEVELS_PCT, exceeded, strict=True)}
    found |= {name: pc.max(own[column]).as_py() for name, column in LARGEST.items()}
    return cast("OverallRow", found)  # percentages name their columns
