"""Rows of the table `line_differences`: one comparison line by line, a list a pair and position."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.line_difference import LineSide, line_difference
from tapeline.arrays import Reals
from tapeline.jobs.compare import CompareRun
from tapeline.jobs.compare.compared_pairs import Compared, pairing_of
from tapeline.jobs.compare.compared_runs import ComparisonJob
from tapeline.jobs.compare.item_columns import point_columns, sessions_columns
from tapeline.jobs.table_files import session_table
from tapeline.limits import CERTAIN_DOF
from tapeline.statistics.combined_uncertainty import rest_of_sum
from tapeline.statistics.uncertainty_terms import RANDOM_ERROR
from tapeline.store import parquet

if TYPE_CHECKING:
    from tapeline.store.rows import LineDifferencesRow

AT_ONCE = 8
"""Positions whose spectra are held at once, as many as the table `narrowband` holds together."""

COLUMNS = ["run", "position", "first_hz", "step_hz", "effective_averages"]

LISTS = ["corrected_psd_pa2_per_hz", "psd_pa2_per_hz"]


@dataclass(frozen=True)
class Spectrum:
    """One run's lines at a position: power spectral densities in Pa^2/Hz, (lines,), NaN where they do not count."""

    run: str
    first_hz: float | None
    step_hz: float
    effective_averages: float
    corrected: Reals
    total: Reals


def line_difference_rows(
    results: Path, job: ComparisonJob, name: str, pairs: Sequence[Compared]
) -> Iterator[list[LineDifferencesRow]]:
    """The rows of some positions at a time. Spectra of another line spacing are not compared."""
    for start in range(0, len(job.cube.positions), AT_ONCE):
        names = job.cube.positions[start : start + AT_ONCE]
        rows: list[LineDifferencesRow] = []
        for found in pairs:
            both = zip(found.pair.sessions, found.pair.sides, strict=True)
            sides = [_spectra(results, session, runs, names) for session, runs in both]
            rows += [row for position in names if (row := _row(job, name, found, position, sides)) is not None]
        yield rows


def _spectra(
    results: Path, session: str, runs: Sequence[CompareRun], positions: Sequence[str]
) -> dict[str, list[Spectrum]]:
    """The spectra of some runs by position; without the lists that are not needed here."""
    wanted = [("run", "in", [run.run for run in runs]), ("position", "in", list(positions))]
    path = session_table(results, "narrowband", session)
    table = parquet.read_where(path, wanted, COLUMNS + LISTS)
    found: dict[str, list[Spectrum]] = {}
    for k in range(table.num_rows):
        run, position, *numbers = (table[column][k].as_py() for column in COLUMNS)
        lists = (np.asarray(table[name][k].values, dtype=np.float64) for name in LISTS)
        found.setdefault(position, []).append(Spectrum(run, *numbers, *lists))
    return found


def _row(
    job: ComparisonJob, name: str, found: Compared, position: str, sides: Sequence[dict[str, list[Spectrum]]]
) -> LineDifferencesRow | None:
    p = job.cube.positions.index(position)
    used = [_usable(job, runs, side.get(position, []), p) for runs, side in zip(found.pair.sides, sides, strict=True)]
    grids = {(each.first_hz, each.step_hz, each.corrected.size) for side in used for each in side}
    if not all(used) or len(grids) > 1:
        return None
    first, step, size = grids.pop()
    if first is None:
        return None
    hz: Reals = first + step * np.arange(size, dtype=np.float64)
    beyond, degrees_of_freedom = _beyond_random(job, found, p, hz)
    made = [
        LineSide(
            np.stack([each.corrected for each in side]),
            np.array([each.effective_averages for each in side]),
            np.stack([each.total for each in side]),
        )
        for side in used
    ]
    lines = line_difference(made[0], made[1], beyond, degrees_of_freedom, job.needs.confidence)
    if not np.isfinite(lines.difference_db).any():
        return None
    return {
        "comparison": name,
        **sessions_columns(*found.pair.sessions),
        "position": position,
        **point_columns(found.pair.point),
        "pairing": pairing_of(job, position, found.pair.sessions),
        "first_hz": first,
        "step_hz": step,
        "difference_db": lines.difference_db.astype(np.float32),
        "lower_db": lines.lower_db.astype(np.float32),
        "upper_db": lines.upper_db.astype(np.float32),
        "reference_runs": [each.run for each in used[0]],
        "treatment_runs": [each.run for each in used[1]],
    }


def _usable(job: ComparisonJob, runs: tuple[CompareRun, ...], spectra: list[Spectrum], p: int) -> list[Spectrum]:
    """The spectra of runs that count in any band of the position, in their order."""
    names, used = job.used(runs)
    bands = np.array([item.quantity == "band" for item in job.cube.items], dtype=bool)
    kept = {name for name, known in zip(names, used[:, p], strict=True) if known[bands].any()}
    return sorted((each for each in spectra if each.run in kept), key=lambda each: each.run)


def _beyond_random(job: ComparisonJob, found: Compared, p: int, hz: Reals) -> tuple[Reals, Reals]:
    """What makes the nearest band's difference uncertain beyond its random error: variance and degrees of freedom."""
    bands = [i for i, item in enumerate(job.cube.items) if item.quantity == "band"]
    valued = [i for i in bands if np.isfinite(found.result.difference_db[p, i])]
    if not valued:
        return np.zeros(hz.size), np.full(hz.size, CERTAIN_DOF)
    middle = np.array([job.cube.items[i].midband_hz or np.nan for i in valued])
    result, random_error = found.result, found.result.terms[RANDOM_ERROR.name][0][p, valued]
    rest, degrees_of_freedom = rest_of_sum(
        result.standard_error_db[p, valued], np.minimum(result.degrees_of_freedom[p, valued], CERTAIN_DOF), random_error
    )
    edges = np.sqrt(middle[1:] * middle[:-1])
    nearest = np.searchsorted(edges, hz)
    return rest[nearest], degrees_of_freedom[nearest]
