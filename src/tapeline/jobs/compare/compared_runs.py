"""The runs that comparisons are made from: their levels, their pairs at one operating point, their scatter."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.background import MarginLimits
from tapeline.arrays import Reals
from tapeline.campaign.coverage_cells import session_pairs
from tapeline.campaign.settings import Comparison
from tapeline.jobs.compare import CompareNeeds, CompareRun
from tapeline.jobs.compare.unlike_background import Side
from tapeline.jobs.levels.level_array import LevelArray, load_cube
from tapeline.jobs.levels.run_conditions import speed_share
from tapeline.jobs.table_files import campaign_table
from tapeline.quality.use_of_levels import NOT_SUBTRACTED, doubts_level
from tapeline.statistics.comparison import ConditionMean, condition_mean
from tapeline.statistics.repeat_pools import CellKey, Point, RepeatPools, rows_of
from tapeline.store import parquet, tables

if TYPE_CHECKING:
    from tapeline.store.rows import CalibrationRow


@dataclass(frozen=True)
class Pair:
    """The runs of both conditions that one set of differences is made from."""

    reference: tuple[CompareRun, ...]
    treatment: tuple[CompareRun, ...]
    point: Point

    @property
    def sides(self) -> tuple[tuple[CompareRun, ...], tuple[CompareRun, ...]]:
        """The reference's and the treatment's runs."""
        return self.reference, self.treatment

    @property
    def sessions(self) -> tuple[str, str]:
        return self.reference[0].session, self.treatment[0].session


@dataclass(frozen=True)
class ComparisonJob:
    """What all parts of the job share."""

    needs: CompareNeeds
    cube: LevelArray
    calibration: dict[tuple[str, str], CalibrationRow]
    limits: MarginLimits

    @cached_property
    def mounts(self) -> dict[tuple[str, str], str | None]:
        """The mount of each session and position, None where it is not named."""
        return {(session, position): mount for session, position, mount in self.needs.mounts}

    @cached_property
    def in_doubt(self) -> NDArray[np.bool_]:
        """Levels in doubt by more than a background that was not subtracted, (runs, positions, items)."""
        flags = np.zeros(self.cube.state.shape, dtype=bool)
        for at in np.argwhere(self.cube.doubted):
            flags[tuple(at)] = doubts_level(set(self.cube.doubt[tuple(at)]) - NOT_SUBTRACTED)
        return flags

    @cached_property
    def in_doubt_within_session(self) -> NDArray[np.bool_]:
        """Those of them that are in doubt against others of their session too: its calibration is the same in all."""
        flags, session = self.in_doubt.copy(), {run.run: run.session for run in self.needs.runs}
        for r, p, i in np.argwhere(flags):
            row = self.calibration.get((session.get(self.cube.runs[r], ""), self.cube.positions[p])) or {}
            known = NOT_SUBTRACTED.union(row.get("reasons") or ())
            flags[r, p, i] = doubts_level(set(self.cube.doubt[r, p, i]) - known)
        return flags

    def runs_used(self, pair: Pair, p: int, i: int) -> list[str]:
        """Names of the runs that count on both sides of a pair at one position and item."""
        sides = map(self.used, pair.sides)
        return [name for names, used in sides for name, counts in zip(names, used[:, p, i], strict=True) if counts]

    def any_used(self, sides: Iterable[Side], flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Where a level that counts on any side is flagged, (positions, items)."""
        found = [(used & flags[self.cube.places(names)]).any(axis=0) for names, used in sides]
        return np.asarray(np.any(found, axis=0))

    @cached_property
    def speed_db(self) -> dict[str, float]:
        """10 lg of achieved over nominal speed by run: what one unit of the exponent of speed makes in its level."""
        point = self.needs.operating_point
        return {
            run.run: 0.0 if run.achieved is None else 10.0 * math.log10(speed_share(run.achieved, point))
            for run in self.needs.runs
        }

    @cached_property
    def cells(self) -> dict[CellKey, tuple[CompareRun, ...]]:
        """The repeats of each session, condition and operating point, in this order; runs without levels are there."""
        gathered: dict[CellKey, list[CompareRun]] = {}
        for run in self.needs.runs:
            gathered.setdefault((run.session, run.condition, (run.speed_mps, run.yaw_deg)), []).append(run)
        return {key: tuple(runs) for key, runs in sorted(gathered.items())}

    def known(self, runs: tuple[CompareRun, ...]) -> list[str]:
        """Names of those runs that have levels at all."""
        known = set(self.cube.runs)
        return [run.run for run in runs if run.run in known]

    def has_levels(self, runs: tuple[CompareRun, ...]) -> bool:
        """Whether any of some runs has a level or a bound that may be used, anywhere."""
        return bool(self.cube.usable[self.cube.places(self.known(runs))].any())

    def cell(self, runs: tuple[CompareRun, ...], compared: NDArray[np.bool_] | None = None) -> ConditionMean:
        """The repeats of some runs put together; `compared` (positions, items) leaves out the rest."""
        return condition_mean(self.cube.levels(self.known(runs), compared))

    def pooled_cell(self, runs: tuple[CompareRun, ...]) -> ConditionMean:
        """The same of those levels that say something of others."""
        return condition_mean(self.cube.pooled_levels(self.known(runs)))

    def nominal_correction(self, runs: tuple[CompareRun, ...], compared: NDArray[np.bool_]) -> Reals:
        """What bringing them to the nominal point adds to the mean level of some runs, (positions, items)."""
        index = self.cube.places(self.known(runs))
        used = self.cube.comparable[index] & compared & np.isfinite(self.cube.values["corrected_level_db"][index])
        added = np.where(self.cube.nominal[index] & used, self.cube.values["nominal_correction_db"][index], 0.0)
        return np.asarray(added.sum(axis=0) / np.maximum(used.sum(axis=0), 1))

    def used(self, runs: tuple[CompareRun, ...]) -> tuple[list[str], NDArray[np.bool_]]:
        """Names of runs, and which have a level or a bound that can be put together, (runs, positions, items)."""
        names = self.known(runs)
        return names, self.cube.comparable[self.cube.places(names)]


def load_comparison_job(results: Path, needs: CompareNeeds) -> ComparisonJob:
    """Read the levels of all sessions and the calibration that comparisons are made from."""
    rows = parquet.read_rows(tables.CALIBRATION, campaign_table(results, tables.CALIBRATION.name))
    b = needs.background
    return ComparisonJob(
        needs,
        load_cube(results, b.references, at_nominal=needs.compare.at_nominal),
        {(row["session"], row["position"]): row for row in rows},
        MarginLimits(b.no_correction_above_db, b.enough_margin_db, b.least_margin_db, b.bound_factor),
    )


def pairs_of(job: ComparisonJob, comparison: Comparison) -> Iterator[Pair]:
    """Per operating point: each session that has both conditions; where none has, each pair of sessions that do.

    A condition counts where one of its runs has a usable level; where no pair has, all that were measured are paired,
    so that it is said why there is no difference.
    """
    for point in sorted({point for _, _, point in job.cells}):
        for counts in (job.has_levels, bool):
            reference, treatment = (
                {key[0]: runs for key, runs in job.cells.items() if key[1:] == (condition, point) and counts(runs)}
                for condition in (comparison.reference, comparison.treatment)
            )
            pairs = list(session_pairs(reference, treatment))
            yield from (Pair(reference[first], treatment[second], point) for first, second in pairs)
            if pairs:
                break


def repeat_pools(job: ComparisonJob) -> RepeatPools:
    """The repeats of all cells that say something of others."""
    rows = {key: rows_of(job.cube.pooled_levels(job.known(runs))) for key, runs in job.cells.items() if job.known(runs)}
    shape = len(job.cube.positions), len(job.cube.items)
    return RepeatPools(rows, job.cube.near_items, shape, job.needs.compare.repeats_pooled)


def key_of(runs: tuple[CompareRun, ...]) -> CellKey:
    """The cell that some runs are the repeats of."""
    return runs[0].session, runs[0].condition, (runs[0].speed_mps, runs[0].yaw_deg)
