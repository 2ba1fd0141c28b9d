"""Rows of the tables `areas` and `area_differences`: energy means over the positions of an area."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.area_mean import AreaMean, energy_mean
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.compare.compared_pairs import Compared
from tapeline.jobs.compare.compared_runs import ComparisonJob
from tapeline.jobs.compare.item_columns import item_columns, point_columns, sessions_columns
from tapeline.jobs.compare.level_means import calibration_variance, level_mean
from tapeline.jobs.compare.simple_differences import with_findings
from tapeline.jobs.compare.unlike_background import Side
from tapeline.jobs.levels.inherited_doubt import inherited_doubt
from tapeline.statistics.repeat_pools import RepeatPools

if TYPE_CHECKING:
    from tapeline.store.rows import AreaDifferencesRow, AreasRow, DoubtColumns


def areas_of(job: ComparisonJob) -> dict[str, list[int]]:
    """Places of the positions of each area; positions without an area are in none."""
    named = dict(job.needs.areas)
    found: dict[str, list[int]] = {}
    for p, position in enumerate(job.cube.positions):
        if named.get(position):
            found.setdefault(named[position], []).append(p)
    return dict(sorted(found.items()))


def area_rows(job: ComparisonJob, pools: RepeatPools) -> Iterator[AreasRow]:
    """One row a session, condition, operating point, area and band or overall level.

    Where a position of the area is a bound the mean is one too, `background.bound_factor` of its standard uncertainties
    above the mean of bounds and levels: what is uncertain of an absolute level is in no bound of a band. A level that
    holds a background which could not be subtracted is no more than a bound.
    """
    areas = areas_of(job)
    for key, runs in job.cells.items():
        session, condition, point = key
        if not job.known(runs):
            continue
        of_cell = pools.of_cell(key)
        mean, cell = level_mean(job, runs, of_cell), job.cell(runs)
        own, shared = mean.own_variance, mean.shared_variance + calibration_variance(job, session)
        names, used = job.used(runs)
        in_doubt = job.any_used([(names, used)], job.in_doubt_within_session)
        diluted = job.any_used([(names, used)], job.cube.diluted)
        measured, upper = mean.mean_db - mean.added_db, cell.upper_db - mean.added_db
        for area, places in areas.items():
            sound = _sound(np.where(cell.bound, upper, measured), in_doubt, places)
            either = np.where(sound, np.where(cell.bound, upper, measured), np.nan)
            level = np.where(sound, measured, np.nan)
            parts = (level[places], own[places], of_cell.correlation, shared[places])
            found, most = energy_mean(*parts), energy_mean(either[places], *parts[1:])
            bounded = np.asarray(((cell.bound | diluted) & sound)[places].any(axis=0))
            common: AreasRow = {"session": session, "condition": condition, "area": area, **point_columns(point)}
            for i, item in enumerate(job.cube.items):
                if not np.isfinite(most.level_db[i]):
                    continue
                known = np.isfinite(either[places, i])
                variance = found.own_variance_db2[i] + found.shared_variance_db2[i]
                yield {
                    **common,
                    **item_columns(item),
                    "level_db": None if bounded[i] else float(found.level_db[i]),
                    "upper_bound_db": _upper_bound_db(job, most, i) if bounded[i] else None,
                    "standard_uncertainty_db": None if bounded[i] else float(np.sqrt(variance)),
                    "spread_db": finite_or_none(found.spread_db[i]) if not bounded[i] else None,
                    "positions": [job.cube.positions[p] for p, has in zip(places, known, strict=True) if has],
                    "without_level": [job.cube.positions[p] for p, has in zip(places, known, strict=True) if not has],
                    "runs": [name for r, name in enumerate(names) if used[r, places, i].any()],
                    **_doubt(job, [(names, used)], [p for p, has in zip(places, known, strict=True) if has], i),
                }


def _upper_bound_db(job: ComparisonJob, most: AreaMean, i: int) -> float:
    variance = np.nan_to_num(most.own_variance_db2[i]) + np.nan_to_num(most.shared_variance_db2[i])
    return float(most.level_db[i] + job.needs.background.bound_factor * np.sqrt(variance))


def _sound(levels: Reals, in_doubt: NDArray[np.bool_], places: list[int]) -> NDArray[np.bool_]:
    """Positions of an area that count: those in doubt only where no other one of it has a level, (positions, items)."""
    there = np.isfinite(levels)
    sounder = (there & ~in_doubt)[places].any(axis=0)
    return np.asarray(there & ~(in_doubt & sounder))


def _doubt(job: ComparisonJob, sides: Sequence[Side], places: list[int], i: int) -> DoubtColumns:
    """What makes a mean over positions doubtful, by position."""
    doubt = [
        f"{job.cube.positions[p]}: {words}"
        for p in places
        for words in inherited_doubt(
            job.cube, [name for names, used in sides for r, name in enumerate(names) if used[r, p, i]], p, i
        )
    ]
    return {"doubtful": bool(doubt), "doubt": doubt}


def area_difference_rows(
    job: ComparisonJob, name: str, pairs: Sequence[Compared], pools: RepeatPools
) -> list[AreaDifferencesRow]:
    """One row a pair, area and band or overall level of one comparison, over the positions that both sides have.

    What the runs of a session have in common does not become less by more positions; what sessions change is taken as
    common to all of them.
    """
    rows = [row for found in pairs for row in _area_differences(job, name, found, pools)]
    return with_findings(rows, job.needs)


def _area_differences(
    job: ComparisonJob, name: str, found: Compared, pools: RepeatPools
) -> Iterator[AreaDifferencesRow]:
    first, second = found.pair.sessions
    names = [job.used(runs) for runs in found.pair.sides]
    both = np.isfinite(found.result.difference_db)
    correlation = 1.0 if first != second else pools.of_session(first).correlation
    errors = (found.result.reference_error_db**2, found.result.treatment_error_db**2)
    for area, places in areas_of(job).items():
        sides = [
            energy_mean(
                np.where(both, cell.mean_db, np.nan)[places],
                variance[places],
                correlation,
                found.lasting_variance[places] / 2.0,
            )
            for cell, variance in zip(found.cells, errors, strict=True)
        ]
        degrees_of_freedom = np.where(both, found.result.degrees_of_freedom, np.inf)[places].min(axis=0)
        common: AreaDifferencesRow = {
            "comparison": name,
            **sessions_columns(first, second),
            "area": area,
            **point_columns(found.pair.point),
        }
        for i, item in enumerate(job.cube.items):
            if not both[places, i].any():
                continue
            yield {
                **common,
                **item_columns(item),
                "reference_level_db": float(sides[0].level_db[i]),
                "treatment_level_db": float(sides[1].level_db[i]),
                "difference_db": float(sides[1].level_db[i] - sides[0].level_db[i]),
                "standard_error_db": float(np.sqrt(sum(_variance(side, i) for side in sides))),
                "degrees_of_freedom": finite_or_none(degrees_of_freedom[i]),
                "positions": [job.cube.positions[p] for p in places if both[p, i]],
                "left_out": [job.cube.positions[p] for p in places if not both[p, i]],
                **_doubt(job, names, [p for p in places if both[p, i]], i),
            }


def _variance(side: AreaMean, i: int) -> float:
    return float(side.own_variance_db2[i] + side.shared_variance_db2[i])
