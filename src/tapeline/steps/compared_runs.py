"""The runs that comparisons are made from: their levels, their pairs at one operating point, their scatter."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.background import MarginLimits
from tapeline.acoustics.comparison import Cell, Scatter, cell_of, pooled_scatter
from tapeline.campaign.settings import Comparison
from tapeline.campaign.slices import CompareNeeds, CompareRun
from tapeline.steps.level_cube import LevelCube

Point = tuple[float, float]


@dataclass(frozen=True)
class Pair:
    """The runs of both conditions that one set of differences is made from."""

    reference: tuple[CompareRun, ...]
    treatment: tuple[CompareRun, ...]
    point: Point

    @property
    def sessions(self) -> tuple[str, str]:
        return self.reference[0].session, self.treatment[0].session


@dataclass(frozen=True)
class Job:
    """What all parts of the step share."""

    needs: CompareNeeds
    cube: LevelCube
    calibration: dict[tuple[str, str], dict[str, Any]]
    limits: MarginLimits

    def known(self, runs: tuple[CompareRun, ...]) -> list[str]:
        """Names of those runs that have levels at all."""
        known = set(self.cube.runs)
        return [run.run for run in runs if run.run in known]

    def cell(self, runs: tuple[CompareRun, ...], compared: NDArray[np.bool_] | None = None) -> Cell:
        """The repeats of some runs put together; `compared` (positions, items) leaves out the rest."""
        return cell_of(self.cube.levels(self.known(runs), compared))

    def used(self, runs: tuple[CompareRun, ...]) -> tuple[list[str], NDArray[np.bool_]]:
        """Names of runs, and which have a level or a bound that can be put together, (runs, positions, items)."""
        names = self.known(runs)
        index = [self.cube.runs.index(name) for name in names]
        return names, np.asarray(self.cube.comparable(index) & self.cube.known[index])


def pairs_of(job: Job, comparison: Comparison) -> Iterator[Pair]:
    """Per operating point: each session that has both conditions; where none has, each pair of sessions that do."""
    by_cell: dict[tuple[str, Point, str], list[CompareRun]] = {}
    for item in job.needs.runs:
        by_cell.setdefault((item.condition, (item.speed_mps, item.yaw_deg), item.session), []).append(item)
    for point in sorted({key[1] for key in by_cell}):
        reference, treatment = (
            {key[2]: tuple(runs) for key, runs in sorted(by_cell.items()) if key[:2] == (condition, point)}
            for condition in (comparison.reference, comparison.treatment)
        )
        shared = sorted(set(reference) & set(treatment))
        pairs = [(s, s) for s in shared] or [(r, t) for r in sorted(reference) for t in sorted(treatment)]
        for first, second in pairs:
            yield Pair(reference[first], treatment[second], point)


def scatter_by_session(job: Job) -> dict[str, Scatter]:
    """Scatter of repeats, pooled over all conditions and operating points of a session.

    A session without repeats gets the scatter of all sessions together.
    """
    groups: dict[str, dict[tuple[str, Point], list[str]]] = {}
    known = set(job.cube.runs)
    for item in job.needs.runs:
        cells = groups.setdefault(item.session, {})
        if item.run in known:
            cells.setdefault((item.condition, (item.speed_mps, item.yaw_deg)), []).append(item.run)
    items = len(job.cube.items)
    pooled = job.needs.compare.repeats_pooled
    levels = {name: [job.cube.levels(runs) for runs in cells.values() if pooled] for name, cells in groups.items()}
    everything = pooled_scatter([group for found in levels.values() for group in found], items)
    own = {name: pooled_scatter(found, items) for name, found in levels.items()}
    return {name: one if one.degrees_of_freedom.any() else everything for name, one in own.items()}
