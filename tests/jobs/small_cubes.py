"""Small synthetic cubes of levels, every one given by hand: a band and an overall level that are the same."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from comparison_needs import PLAIN, compared
from made_cubes import made_cube

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits
from tapeline.campaign.plan import Achieved
from tapeline.campaign.settings import Compare
from tapeline.campaign.treated_conditions import Untreated
from tapeline.jobs.compare import CompareNeeds, CompareRun
from tapeline.jobs.compare.compared_pairs import Compared, compared_pairs
from tapeline.jobs.compare.compared_runs import ComparisonJob, repeat_pools
from tapeline.jobs.compare.session_changes import session_changes
from tapeline.jobs.levels.level_array import COLUMNS, Item
from tapeline.store import parquet, tables
from tapeline.store.tables import BACKGROUND_SOURCES

BAND = Item("band", "Z", 891.3, 1122.0, 1000.0, 1000.0)
OVERALL = Item("overall", "A", 100.0, 5000.0)
RANDOM_DB = 0.1


@dataclass(frozen=True)
class Given:
    """One run: levels by position (NaN: no level), operating point, time; the name is `session-condition-number`."""

    run: str
    levels: tuple[float, ...]
    speed_mps: float = 30.0
    yaw_deg: float = 0.0
    hours: float | None = None


@dataclass(frozen=True)
class Small:
    """A small campaign. `bounds` and `unusable` are by run and position; `edges` are lower ones of overall levels."""

    runs: Sequence[Given]
    positions: tuple[str, ...] = ("p", "q")
    bounds: Mapping[tuple[str, str], float] = field(default_factory=dict)
    unusable: frozenset[tuple[str, str]] = frozenset()
    edges: Mapping[tuple[str, str], float] = field(default_factory=dict)
    uncertainties: Mapping[str, float] = field(default_factory=dict)
    calibration_db: float = 0.1
    areas: tuple[tuple[str, str], ...] = ()
    mirrors: tuple[tuple[str, str], ...] = ()
    applied: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    comparisons: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    compare: Compare = field(default_factory=Compare)
    without_levels: frozenset[str] = frozenset()
    doubt: Mapping[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)
    background_source: Mapping[str, str] = field(default_factory=dict)
    margins: Mapping[str, float] = field(default_factory=dict)
    corrections: Mapping[str, float] = field(default_factory=dict)
    achieved: Mapping[str, Achieved] = field(default_factory=dict)
    untreated: str = ""

    def job(self) -> ComparisonJob:
        known = sorted((one for one in self.runs if one.run not in self.without_levels), key=lambda one: one.run)
        shape = (len(known), len(self.positions), 2)
        values = {name: np.zeros(shape) for name in COLUMNS}
        values |= {f"{name}_uncertainty_db": np.full(shape, value) for name, value in self.uncertainties.items()}
        values["random_uncertainty_db"] = np.full(shape, RANDOM_DB)
        values["upper_bound_db"] = np.full(shape, np.nan)
        levels = np.array([one.levels for one in known], dtype=float).reshape(shape[:2])
        values["corrected_level_db"] = np.repeat(levels[:, :, None], 2, axis=2)
        values["level_db"] = values["corrected_level_db"].copy()
        correction = np.array([self.corrections.get(one.run, np.nan) for one in known])
        values["nominal_correction_db"] = np.broadcast_to(correction[:, None, None], shape).copy()
        margin = np.array([self.margins.get(one.run, np.nan) for one in known])
        values["margin_db"] = np.broadcast_to(margin[:, None, None], shape).copy()
        state = np.full(shape, background.CLEAR, dtype=np.int8)
        state[margin < 15.0] = background.CORRECTED
        usable, edges = np.ones(shape[:2], dtype=bool), np.full(shape, np.nan)
        edges[:, :, 1] = OVERALL.lower_hz
        place = {one.run: r for r, one in enumerate(known)}
        for (run, position), bound in self.bounds.items():
            at = place[run], self.positions.index(position)
            values["corrected_level_db"][at], values["upper_bound_db"][at], state[at] = np.nan, bound, background.BOUND
        for run, position in self.unusable:
            usable[place[run], self.positions.index(position)] = False
        for (run, position), edge in self.edges.items():
            edges[place[run], self.positions.index(position), 1] = edge
        cube = made_cube(
            tuple(place),
            self.positions,
            (BAND, OVERALL),
            values,
            state,
            cells=[(one.run.rpartition("-")[0], one.speed_mps, one.yaw_deg) for one in known],
            background_source=np.array(
                [[[BACKGROUND_SOURCES.index(self.background_source.get(one.run, "flow"))]] for one in known]
            ),
            unusable=~usable,
            doubt={
                (place[run], self.positions.index(position), i): codes
                for (run, position), codes in self.doubt.items()
                for i in range(2)
            },
            lower_hz=edges,
            at_nominal=self.compare.at_nominal,
        )
        return ComparisonJob(self._needs(), cube, self._calibration(), MarginLimits(15.0, 6.0, 3.0, 1.96))

    def compared(self, job: ComparisonJob, name: str) -> list[Compared]:
        """The differences of one comparison, as the job makes them."""
        pools = repeat_pools(job)
        return compared_pairs(job, job.needs.comparisons[name], pools, session_changes(job, pools))

    def _needs(self) -> CompareNeeds:
        runs = tuple(
            CompareRun(
                one.run,
                *one.run.split("-")[:2],
                one.speed_mps,
                one.yaw_deg,
                ("b",),
                True,
                one.hours,
                self.achieved.get(one.run),
            )
            for one in sorted(self.runs, key=lambda one: one.run)
        )
        return replace(
            PLAIN,
            campaign="small",
            comparisons=compared(self.comparisons),
            applied=dict(self.applied),
            runs=runs,
            mounts=tuple((s, p, "pad") for s in sorted({run.session for run in runs}) for p in self.positions),
            areas=self.areas,
            mirrors=self.mirrors,
            compare=self.compare,
            untreated=Untreated(self.untreated, "nothing applied") if self.untreated else None,
        )

    def _calibration(self) -> dict[tuple[str, str], dict[str, Any]]:
        row = {"standard_uncertainty_db": self.calibration_db, "drift_db": 0.0, "sensor": "s"}
        return {(one.run.split("-")[0], p): row for one in self.runs for p in self.positions}


def bands(rows: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Those rows that are about the band."""
    return [row for row in rows if row["quantity"] == "band"]


def overall(rows: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Those rows that are about the overall level."""
    return [row for row in rows if row["quantity"] == "overall"]


def written(folder: Path, name: str, rows: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The rows as the table holds them: columns checked, no key twice, nothing but keys that may be empty."""
    table = tables.BY_NAME[name]
    path = folder / f"{name}.parquet"
    parquet.write_rows(table, path, rows, campaign="small", digest="none")
    found = parquet.read_rows(table, path)
    keys = [tuple(row[column] for column in table.own_key) for row in found]
    assert len(set(keys)) == len(keys), "a key stands twice"
    may_be_empty = {column.name for column in table.columns if column.null}
    empty = {column for row in found for column, value in row.items() if value is None} - may_be_empty
    assert not empty, f"empty cells without a word what they mean: {empty}"
    return found
