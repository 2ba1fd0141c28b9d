"""Columns of the overall table: weighted sums over the bands that each position has."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pyarrow as pa

from tapeline.acoustics import background
from tapeline.acoustics.background import Subtraction
from tapeline.acoustics.band_levels import LineSpectra, Powers
from tapeline.acoustics.bands import Bands, bands_between
from tapeline.acoustics.history import levels_exceeded
from tapeline.acoustics.overall import OverallSum, sum_bands
from tapeline.acoustics.usable_range import absent
from tapeline.acoustics.weightings import Weighting
from tapeline.arrays import Flags, Reals
from tapeline.campaign.settings import Overall
from tapeline.jobs.cell_values import finite_cells, lists_of_names, named_cells
from tapeline.jobs.levels.level_use_columns import doubt_column, hum_in_sum, undecided
from tapeline.jobs.spectra.level_history import history_edges_hz
from tapeline.jobs.tables.history_by_position import HistoryByPosition
from tapeline.jobs.tables.level_uncertainty import frequency_terms, over_bands, uncertainty_columns
from tapeline.jobs.tables.run_background import Sums
from tapeline.jobs.tables.sensor_sizes import (
    beyond_offer,
    of_sum,
    over_lines,
    size_attenuation,
    size_columns,
)
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
from tapeline.store.tables_of_levels import SIZE_LIMITED

LARGEST = {"maximum_db": "level_db", "fast_maximum_db": "fast_maximum_db", "slow_maximum_db": "slow_maximum_db"}
"""Columns of the largest levels, and where in the history they come from."""

EXCEEDED = tuple(f"l{pct:g}_db" for pct in EXCEEDED_LEVELS_PCT)
"""Columns of the levels exceeded for a share of the time."""


def overall_columns(job: SessionJob, m: Measured, history: pa.Table) -> list[dict[str, Any]]:
    """The columns of one run in parts, a cell a position; `history` is the run's own table of that name.

    A part holds one weighting and range at the positions that have the same bands of it. The columns of the levels' use
    are not decided yet.
    """
    return [part for wanted in job.needs.overall for part in _one_overall(job, m, wanted, history)]


def _one_overall(job: SessionJob, m: Measured, wanted: Overall, history: pa.Table) -> Iterator[dict[str, Any]]:
    """One overall level of every position, those with the same usable bands together."""
    bands = bands_between(job.needs.bands.fraction, *wanted.range_hz)
    lines = held_lines(m.run, bands, job.needs.bands.method)
    groups: dict[bytes, list[int]] = {}
    for p in range(len(m.run.positions)):
        usable = ~absent(limits_of(m.run, bands, lines, p, job.needs.bands, job.filters, job.left_out))
        groups.setdefault(usable.tobytes(), []).append(p)
    for flags, chosen in groups.items():
        usable = np.frombuffer(flags, dtype=bool)
        if usable.any():
            yield _sums(job, m, wanted, bands, usable, chosen, history)


def _sums(
    job: SessionJob,
    m: Measured,
    wanted: Overall,
    asked: Bands,
    usable: Flags,
    chosen: list[int],
    history: pa.Table,
) -> dict[str, Any]:
    """The overall level that sums the `usable` of the bands `asked` for, of the chosen positions."""
    bands = asked.chosen(usable)
    stretches = bands.joined()
    levels, one, summed = summed_levels(job, m, wanted.weighting, bands)
    final, below, electrical = summed.result, levels.below, levels.electrical
    columns = level_columns(
        job,
        m,
        final,
        None if below is None else np.where(m.background.there, np.nansum(below.power, axis=1), np.nan),
        None if electrical is None else electrical.power.sum(axis=1),
    )
    own = levels_of_sum(levels, one, final)
    terms = over_bands(frequency_terms(job, m, bands.midband_hz), levels.total)
    columns |= uncertainty_columns(job, m, own, terms)
    size, spectra = job.needs.sensor_size, m.run.spectra
    of_bands = over_lines(m.sizes, size, bands, spectra)
    size_db, limited = of_sum(
        of_bands, beyond_offer(of_bands, size), levels.total.power, job.needs.background.bound_share
    )
    unsure = over_bands({"size": size_attenuation(m.sizes, size, bands.midband_hz).uncertainty_db}, levels.total)[
        "size"
    ]
    columns |= size_columns(size_db, unsure, limited, final.corrected, job.needs.reference_pressure_pa)
    columns |= interval_columns(job, columns["level_db"], one.total.degrees_of_freedom[:, 0])
    marks = {
        name: np.asarray(flags.any(axis=1)) for name, flags in levels.marks.items() if name != "at-electrical-floor"
    }
    marks["at-electrical-floor"] = one.marks["at-electrical-floor"][:, 0]
    marks[SIZE_LIMITED] = limited
    # Bands that carry little of the sum are in its uncertainty and doubt nothing.
    marks["background-louder-here"] &= final.louder
    of_history = history_edges_hz(job.needs.overall[0].range_hz)
    edges = (bands.lower_hz[0], bands.upper_hz[-1])
    of_this_range = len(stretches) == 1 and bool(np.allclose(of_history, edges, rtol=1e-6))
    marks["narrower-range"] = np.full(len(m.run.positions), not usable.all())
    marks = {name: flags[chosen] for name, flags in marks.items()}
    positions, doubts = [m.run.positions[p] for p in chosen], [m.doubts[p] for p in chosen]
    hum = [
        hum_in_sum(each, bands.lower_hz, bands.upper_hz, levels.total.power[p])
        for each, p in zip(doubts, chosen, strict=True)
    ]
    numbers = {name: values[chosen] for name, values in (columns | {"bound_share": summed.bound_share}).items()}
    if of_this_range:
        numbers |= history_statistics(history, positions, wanted.weighting)
    else:
        numbers |= dict.fromkeys((*EXCEEDED, *LARGEST), np.full(len(chosen), np.nan))
    alike = {
        "run": m.run.run,
        "weighting": wanted.weighting,
        "lowest_band_hz": wanted.range_hz[0],
        "highest_band_hz": wanted.range_hz[1],
        "lower_hz": edges[0],
        "upper_hz": edges[1],
        "absent_bands_hz": None if usable.all() else asked.nominal_hz[~usable].astype(np.float32),
    }
    nowhere = np.zeros(len(chosen), dtype=bool)
    return {
        **{name: [cell] * len(chosen) for name, cell in alike.items()},
        **finite_cells(numbers, nowhere),
        "position": positions,
        "state": named_cells(tables.STATES, final.state[chosen], nowhere),
        "background_source": named_cells(
            tables.BACKGROUND_SOURCES, levels.background_source[chosen].max(axis=1), nowhere
        ),
        "marks": lists_of_names(marks, len(chosen)),
        "doubt": doubt_column(doubts, np.array(hum)[:, None], {name: flags[:, None] for name, flags in marks.items()}),
        "quality": [m.run.verdicts[p] for p in chosen],
        "calibration": [m.calibration_verdicts[p] for p in chosen],
        **undecided(len(chosen)),
    }


def summed_levels(
    job: SessionJob, m: Measured, weighting: Weighting, bands: Bands
) -> tuple[Levels, Levels, OverallSum]:
    """The weighted bands (positions, bands), their range as one band (positions, 1), and the sum over the bands."""
    levels = levels_of(job, m, band_powers_of(bands, weighting, job.needs.bands.method))
    one = levels_of(job, m, _summed(band_powers_of(bands.joined(), weighting, "lines")), bounds=False)
    summed = sum_bands(levels.result, _variances(levels, one), job.limits, job.needs.background.bound_share)
    return levels, one, summed


def levels_of_sum(levels: Levels, one: Levels, final: Subtraction) -> Levels:
    """The sum `final` of bands as levels (positions,), from what `summed_levels` found."""
    return dataclasses.replace(
        levels,
        result=final,
        kept=_column(one.kept),
        below_degrees_of_freedom=one.below_degrees_of_freedom[:, 0],
        below_own=one.below_own[:, 0],
        tones=levels.tones.sum(axis=1),
    )


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


def history_statistics(history: pa.Table, positions: Sequence[str], weighting: str) -> dict[str, Reals]:
    """Percentiles and largest levels of channels' histories, (positions,); NaN where there is none, or silence."""
    own = HistoryByPosition(history, positions, weighting)
    exceeded = [levels_exceeded(each, EXCEEDED_LEVELS_PCT) for each in own.levels("level_db", with_silence=True)]
    found = dict(zip(EXCEEDED, np.array(exceeded).reshape(len(positions), len(EXCEEDED)).T, strict=True))
    for name, column in LARGEST.items():
        found[name] = np.array([each.max(initial=-np.inf) for each in own.levels(column)])
    return finite_cells(found, np.zeros(len(positions), dtype=bool))
