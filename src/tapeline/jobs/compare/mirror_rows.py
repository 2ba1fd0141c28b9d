"""Rows of the table `mirror_differences`: a position at yaw +b against its partner on the other side at yaw -b."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.mirror_pairs import MirrorPair, mirror_verdict
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.compare import CompareRun
from tapeline.jobs.compare.compared_runs import ComparisonJob
from tapeline.jobs.compare.item_columns import item_columns
from tapeline.jobs.compare.level_means import LevelMean, assumed_repeats, calibration_variance, level_mean
from tapeline.jobs.compare.simple_differences import with_findings
from tapeline.jobs.compare.unlike_background import lacking_at
from tapeline.jobs.levels.inherited_doubt import inherited_doubt
from tapeline.jobs.levels.level_array import Item
from tapeline.limits import SETTING_DOF
from tapeline.statistics.combined_uncertainty import welch_satterthwaite
from tapeline.statistics.comparison import MeanTerms, terms_between_positions
from tapeline.statistics.repeat_pools import Point, RepeatPools
from tapeline.statistics.uncertainty_terms import ASSUMED_REPEATS, CALIBRATION

if TYPE_CHECKING:
    from tapeline.store.rows import MirrorDifferencesRow

Sides = tuple[tuple[LevelMean, int], tuple[LevelMean, int]]
"""Mean levels and the place of the position, of either partner."""


def mirror_rows(job: ComparisonJob, pools: RepeatPools) -> list[MirrorDifferencesRow]:
    """One row a session, condition, pair of partners, speed and yaw: the first less the second.

    The first of two partners by name is the first; at yaw 0 and at either sign of yaw there is a row. Two sensors have
    nothing in common but the state of the air, so that all but that counts on both sides.
    """
    found = list(_mirrored(job, pools))
    untested = {k for k, each in enumerate(found) if not each.tested}
    rows = with_findings([each.row for each in found], job.needs, untested)
    histories: dict[tuple[str, str, float, Item], list[tuple[int, float]]] = {}
    for k, each in enumerate(found):
        histories.setdefault(each.history, []).append((k, each.row["difference_db"]))
    for k, (each, row) in enumerate(zip(found, rows, strict=True)):
        others = [value for other, value in histories[each.history] if other != k]
        row["agreement"] = mirror_verdict(
            each.levels, others, row["standard_error_db"], job.needs.compare.mirror_limit_db
        )
    return rows


@dataclass(frozen=True)
class Mirrored:
    """A row with what its agreement is judged by, and whether its levels are sound enough to test it."""

    row: MirrorDifferencesRow
    item: Item
    levels: MirrorPair
    tested: bool

    @property
    def history(self) -> tuple[str, str, float, Item]:
        """What the pair's other differences share with it: the item and the yaw angle."""
        return self.row["position"], self.row["mirror"], self.row["yaw_deg"], self.item


def _mirrored(job: ComparisonJob, pools: RepeatPools) -> Iterator[Mirrored]:
    partners = sorted({(min(pair), max(pair)) for pair in job.needs.mirrors})
    places = {name: p for p, name in enumerate(job.cube.positions)}
    known = [(first, second) for first, second in partners if first in places and second in places]
    if not known:
        return
    unsure = job.in_doubt | job.cube.diluted
    means: dict[tuple[str, str, Point], LevelMean] = {
        key: level_mean(job, runs, pools.of_cell(key)) for key, runs in job.cells.items() if job.known(runs)
    }
    for (session, condition, (speed, yaw)), mean in means.items():
        # Minus zero is zero, so that yaw 0 is its own opposite.
        opposite = means.get((session, condition, (speed, -yaw + 0.0)))
        if opposite is None:
            continue
        calibration = calibration_variance(job, session)
        for first, second in known:
            p, q = places[first], places[second]
            sides = ((mean, p), (opposite, q))
            alike = _same_range(job, sides) & _same_background(job, sides)
            difference = np.where(alike, mean.mean_db[p] - opposite.mean_db[q], np.nan)
            variances, each = _terms(job, sides, calibration)
            error, degrees = np.sqrt(variances.sum(axis=0)), welch_satterthwaite(variances, each)
            for i, item in enumerate(job.cube.items):
                if not np.isfinite(difference[i]):
                    continue
                runs, mirror_runs = _used(job, mean.runs, p, i), _used(job, opposite.runs, q, i)
                doubt = [
                    f"{job.cube.positions[place]}: {words}"
                    for names, place in ((runs, p), (mirror_runs, q))
                    for words in inherited_doubt(job.cube, names, place, i)
                ]
                tested = not any(
                    unsure[job.cube.places(names), place, i].any() for names, place in ((runs, p), (mirror_runs, q))
                )
                row: MirrorDifferencesRow = {
                    "session": session,
                    "condition": condition,
                    "position": first,
                    "mirror": second,
                    "speed_mps": speed,
                    "yaw_deg": yaw,
                    **item_columns(item),
                    "level_db": float(mean.mean_db[p, i]),
                    "mirror_level_db": float(opposite.mean_db[q, i]),
                    "difference_db": float(difference[i]),
                    "standard_error_db": float(error[i]),
                    "degrees_of_freedom": finite_or_none(degrees[i]),
                    "runs": runs,
                    "mirror_runs": mirror_runs,
                    "doubtful": bool(doubt),
                    "doubt": doubt,
                }
                levels = MirrorPair(
                    row["level_db"],
                    row["mirror_level_db"],
                    finite_or_none(opposite.mean_db[p, i]) if yaw else None,
                    finite_or_none(mean.mean_db[q, i]) if yaw else None,
                )
                yield Mirrored(row, item, levels, tested)


def _same_range(job: ComparisonJob, sides: Sides) -> NDArray[np.bool_]:
    """Where the levels of both sides sum the same bands, (items,); bands always do."""
    alike = np.ones(len(job.cube.items), dtype=bool)
    for edges in job.cube.summed:
        parts = []
        for mean, place in sides:
            names, used = job.used(mean.runs)
            index = [job.cube.runs.index(name) for name in names]
            parts.append(np.where(used[:, place], edges[index, place], np.nan))
        every = np.concatenate(parts)
        known = np.isfinite(every)
        alike &= ~(np.where(known, every, -np.inf).max(axis=0) > np.where(known, every, np.inf).min(axis=0))
    return alike


def _same_background(job: ComparisonJob, sides: Sides) -> NDArray[np.bool_]:
    """Where as much background was subtracted from both sides, or what was makes no difference, (items,)."""
    parts = [(*job.used(mean.runs), place) for mean, place in sides]
    at_place = [(names, used[:, [place]], place) for names, used, place in parts]
    lacks = lacking_at(job.cube, at_place[0], at_place[1], job.limits.no_correction_above_db)
    return np.asarray(~(lacks[0] | lacks[1])[0])


def _terms(job: ComparisonJob, sides: Sides, calibration: Reals) -> tuple[Reals, Reals]:
    """Variances and degrees of freedom of all terms of both sides together, (terms, items)."""
    parts = []
    for mean, place in sides:
        assumed = assumed_repeats(job, mean)
        terms = mean.terms | {
            CALIBRATION.name: (np.broadcast_to(calibration, assumed.shape), np.full(assumed.shape, np.inf)),
            ASSUMED_REPEATS.name: (assumed, np.full(assumed.shape, SETTING_DOF)),
        }
        here = {name: (variance[place], degrees[place]) for name, (variance, degrees) in terms.items()}
        parts.append(MeanTerms(mean.of_runs.at(place), here))
    return terms_between_positions(parts)


def _used(job: ComparisonJob, runs: tuple[CompareRun, ...], place: int, item: int) -> list[str]:
    names, used = job.used(runs)
    return [name for r, name in enumerate(names) if used[r, place, item]]
