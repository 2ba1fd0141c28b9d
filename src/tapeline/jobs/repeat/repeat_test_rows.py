"""Rows of the table `repeat_tests`: pairs of repeats held against each other, line by line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.acoustics.bands import bands_between
from tapeline.acoustics.spectrum_equality import DB_PER_LN, line_correlation, log_ratios, spectrum_equality
from tapeline.acoustics.usable_range import overlapping
from tapeline.acoustics.windows import WindowName
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import as_reals, finite_or_none, given
from tapeline.jobs.repeat import RepeatRun
from tapeline.jobs.repeat.repeated_runs import BASES, RepeatJob
from tapeline.jobs.table_files import session_table
from tapeline.limits import OTHER_REPEATS_DIFFERENCES, REPEAT_TEST_LINES
from tapeline.statistics.repeat_pair_test import Regions, Usual, pair_test, region_means
from tapeline.statistics.significance import holm
from tapeline.store import parquet
from tapeline.store.tables import NARROWBAND

if TYPE_CHECKING:
    from tapeline.store.rows import RepeatTestsRow

POSITIONS_AT_ONCE = 8
"""Positions whose lines are held at once, as they are written (row groups of the narrowband table)."""

BANDS = np.arange(-20, 14)
"""Third octaves about 1 kHz (IEC 61260-1, base ten), 10 Hz to 20 kHz, in which repeats are held against others."""

NOMINAL_HZ = bands_between(3, 10.0, 20_000.0).nominal_hz
"""Their nominal frequencies."""

GRID = ["first_hz", "step_hz", "left_out_hz"]
COLUMNS = ["run", "position", *GRID, "effective_averages", "nominal_correction_db", "psd_pa2_per_hz"]

Pair = tuple[RepeatRun, RepeatRun]


@dataclass(frozen=True)
class Lines:
    """One averaged spectrum of the narrowband table, psd of shape (lines,) in Pa^2/Hz, NaN where left out by hand."""

    grid: tuple[float | None, float, int]
    averages: float
    correction_db: float | None
    psd: NDArray[np.float32]


@dataclass(frozen=True)
class Tested:
    """One pair at one position: its row, and where it was tested its mean differences by third octave (dB, dB^2)."""

    row: RepeatTestsRow
    difference_db: Reals | None = None
    random_db2: Reals | None = None


def repeat_test_rows(job: RepeatJob, results: Path) -> Iterator[list[RepeatTestsRow]]:
    """One row a pair and position where both channels are usable; one session at a time, in sorted order."""
    every: dict[str, dict[Pair, list[Tested]]] = {}
    for session in sorted({run.session for run in job.needs.runs}):
        pairs = [pair for runs in _cells(job, session) for pair in pairs_of(runs, job.needs.repeatability.most_pairs)]
        by_pair: dict[Pair, list[Tested]] = {pair: [] for pair in pairs}
        for spectra in _spectra(job, results, session, pairs):
            for pair, tested in by_pair.items():
                tested.extend(_rows(job, pair, spectra))
        every[session] = by_pair
    usual = _usual(job, {pair: tested for by_pair in every.values() for pair, tested in by_pair.items()})
    for by_pair in every.values():
        yield [
            row
            for pair, tested in by_pair.items()
            for row in _judged(job, [{**each.row, **usual.get((pair, each.row["position"]), {})} for each in tested])
        ]


def _usual(job: RepeatJob, pairs: dict[Pair, list[Tested]]) -> dict[tuple[Pair, str], RepeatTestsRow]:
    """How each pair stands to what repeats of the campaign usually differ by, by pair and position."""
    names = [pair for pair, tested in pairs.items() if any(each.difference_db is not None for each in tested)]
    place = {position: p for p, position in enumerate(job.cube.positions)}
    shape = (len(names), len(place), BANDS.size)
    found, sound = Regions(np.full(shape, np.nan), np.full(shape, np.nan)), np.zeros(shape[:2], dtype=bool)
    at = [
        (k, place[each.row["position"]], each)
        for k, pair in enumerate(names)
        for each in pairs[pair]
        if each.difference_db is not None
    ]
    for k, p, each in at:
        found.difference_db[k, p], found.random_db2[k, p] = each.difference_db, each.random_db2
        sound[k, p] = not each.row["doubtful"]
    runs = np.array([[job.cube.runs.index(run.run) for run in pair] for pair in names], dtype=np.int64).reshape(-1, 2)
    groups = [(a.session, a.condition, a.speed_mps, a.yaw_deg) for a, _ in names]
    cell = np.array([groups.index(group) for group in groups], dtype=np.int64)
    usual = pair_test(found, runs, cell, sound)
    return {(names[k], each.row["position"]): _usual_columns(job, usual, k, p) for k, p, each in at}


def _usual_columns(job: RepeatJob, usual: Usual, k: int, p: int) -> RepeatTestsRow:
    columns: RepeatTestsRow = {
        "independent_differences": int(usual.others[k]),
        "level_median_db": finite_or_none(usual.level_db[k, p]),
    }
    if usual.others[k] < OTHER_REPEATS_DIFFERENCES:
        return columns
    return columns | {
        "pair_level_db": finite_or_none(usual.pair_level_db[k]),
        "pair_p_value": finite_or_none(usual.pair_p_value[k]),
        "usual_level_sd_db": finite_or_none(usual.level_sd_db[k, p]),
        "level_usual_p_value": finite_or_none(usual.level_p_value[k, p]),
        "shape_band_hz": float(NOMINAL_HZ[usual.region[k, p]]),
        "shape_difference_db": finite_or_none(usual.shape_db[k, p]),
        "usual_shape_sd_db": finite_or_none(usual.shape_sd_db[k, p]),
        "shape_usual_p_value": finite_or_none(usual.shape_p_value[k, p]),
        "usual_p_value": finite_or_none(usual.p_value[k, p]),
        "as_usual": _as_usual(usual.p_value[k, p], usual.pair_p_value[k], 1.0 - job.needs.confidence),
    }


def _as_usual(p_value: float, pair_p_value: float, level: float) -> bool | None:
    """Whether either p-value is above the level; None where nothing tells."""
    return None if np.isnan(p_value) or np.isnan(pair_p_value) else bool(max(p_value, pair_p_value) > level)


def pairs_of(runs: Sequence[RepeatRun], most: int) -> list[Pair]:
    """Neighbours in time, and each later run against the first, from the start on; at most so many."""
    neighbours = list(pairwise(runs))
    found = [*neighbours, *((runs[0], later) for later in runs[2:])]
    return sorted(found, key=lambda pair: (runs.index(pair[1]), -runs.index(pair[0])))[:most]


def _cells(job: RepeatJob, session: str) -> Iterator[tuple[RepeatRun, ...]]:
    for points in job.cells.values():
        for runs in points.values():
            yield tuple(run for run in runs if run.session == session)


def _spectra(
    job: RepeatJob, results: Path, session: str, pairs: Sequence[Pair]
) -> Iterator[dict[tuple[str, str], Lines]]:
    """The lines of the paired runs by run and position, some positions at a time."""
    path = session_table(results, NARROWBAND.name, session)
    runs = sorted({run.run for pair in pairs for run in pair})
    for first in range(0, len(job.cube.positions) if runs else 0, POSITIONS_AT_ONCE):
        chosen = list(job.cube.positions[first : first + POSITIONS_AT_ONCE])
        filters = [("position", "in", chosen), ("run", "in", runs)]
        table = parquet.read_where(path, filters, COLUMNS)
        yield {(table["run"][r].as_py(), table["position"][r].as_py()): _lines(table, r) for r in range(table.num_rows)}


def _lines(table: pa.Table, r: int) -> Lines:
    psd = table["psd_pa2_per_hz"][r].values.to_numpy(zero_copy_only=False)
    first, step, ranges = (table[name][r].as_py() for name in GRID)
    grid = (first, step, psd.size)
    if ranges:
        middle = first + step * np.arange(psd.size)
        pairs = zip(ranges[::2], ranges[1::2], strict=True)
        psd = np.where(overlapping(middle - 0.5 * step, middle + 0.5 * step, pairs), np.float32(np.nan), psd)
    return Lines(grid, table["effective_averages"][r].as_py(), table["nominal_correction_db"][r].as_py(), psd)


def _rows(job: RepeatJob, pair: Pair, spectra: dict[tuple[str, str], Lines]) -> Iterator[Tested]:
    index = [job.cube.runs.index(run.run) for run in pair]
    for p, position in enumerate(job.cube.positions):
        found = [spectra.get((run.run, position)) for run in pair]
        if found[0] is None or found[1] is None or not job.cube.usable[index, p].any(axis=1).all():
            continue
        row: RepeatTestsRow = {
            "session": pair[0].session,
            "condition": pair[0].condition,
            "speed_mps": pair[0].speed_mps,
            "yaw_deg": pair[0].yaw_deg,
            "position": position,
            "run_a": pair[0].run,
            "run_b": pair[1].run,
            "doubtful": bool(doubt := _doubt(job, index, p)),
            "doubt": doubt,
        }
        tested = _test(job, found[0], found[1])
        yield Tested({**row, **tested.row}, tested.difference_db, tested.random_db2)


def _doubt(job: RepeatJob, index: list[int], p: int) -> list[str]:
    """Why a channel is doubtful in either run, in any band."""
    found = {f"{code}: {job.cube.runs[r]}" for r in index for codes in job.cube.doubt[r, p] for code in codes}
    return sorted(found)


def _test(job: RepeatJob, first: Lines, second: Lines) -> Tested:
    if first.grid != second.grid:
        return Tested({"not_tested": "other lines"})
    known = (first.psd > 0.0) & (second.psd > 0.0) & np.isfinite(first.psd) & np.isfinite(second.psd)
    lines = int(known.sum())
    if lines < REPEAT_TEST_LINES:
        return Tested({"not_tested": "too few lines", "lines": lines})
    corrections = (first.correction_db, second.correction_db)
    nominal = job.needs.repeatability.at_nominal and None not in corrections
    factors = [10.0 ** ((c or 0.0) / 10.0) if nominal else 1.0 for c in corrections]
    one, two = (each.psd[known].astype(np.float64) * k for each, k in zip((first, second), factors, strict=True))
    averages = (first.averages, second.averages)
    correlation = _correlation(job.needs.window, job.needs.overlap, min(averages))
    result = spectrum_equality(one, two, averages, correlation)
    ratios, variance = log_ratios(one, two, averages)
    start_hz, step_hz, _ = first.grid
    hz = (start_hz or 0.0) + step_hz * np.flatnonzero(known)
    band = np.floor(10.0 * np.log10(np.maximum(hz, 1.0) / 1000.0) + 0.5).astype(np.int64) - BANDS[0]
    region = np.where((band >= 0) & (band < BANDS.size), band, -1)
    means = region_means(DB_PER_LN * ratios, DB_PER_LN**2 * variance, region, BANDS.size, correlation)
    row: RepeatTestsRow = {
        "lines": lines,
        "level_basis": BASES[int(nominal)],
        "statistic": float(result.statistic),
        "degrees_of_freedom": float(result.degrees_of_freedom),
        "p_value": float(result.p_value),
        "level_difference_db": float(result.level_difference_db),
        "shape_p_value": float(result.shape_p_value),
        "excess_db": float(result.excess_db),
    }
    return Tested(row, *means)


@lru_cache
def _correlation(window: WindowName, overlap: float, averages: float) -> Reals:
    return line_correlation(window, overlap, averages)


def _judged(job: RepeatJob, rows: list[RepeatTestsRow]) -> Iterator[RepeatTestsRow]:
    """The rows of one pair with p-values adjusted over its positions, and what they say."""
    adjusted = holm(as_reals(row.get("p_value") for row in rows))
    for row, p in zip(rows, adjusted.tolist(), strict=True):
        if np.isnan(p):
            yield row
            continue
        same = p > 1.0 - job.needs.confidence
        changed = not same and given(row["excess_db"]) >= job.needs.repeatability.excess_db
        yield row | {"adjusted_p_value": p, "same": same, "changed": changed}
