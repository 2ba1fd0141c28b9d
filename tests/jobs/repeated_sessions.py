"""Levels of repeats in sessions, given by name, as the job `repeat` has them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from made_cubes import made_cube

from tapeline.acoustics import background
from tapeline.campaign.settings import Repeatability
from tapeline.jobs.levels.level_array import COLUMNS, Item
from tapeline.jobs.repeat import RepeatNeeds, RepeatRun
from tapeline.jobs.repeat.repeated_runs import RepeatJob
from tapeline.store import tables

BAND = Item("band", "Z", 891.3, 1122.0, 1000.0, 1000.0)
OVERALL = Item("overall", "A", 100.0, 4000.0)


@dataclass(frozen=True)
class GivenRepeats:
    """Levels by run, at two positions; runs are named `session-condition-number` and stand in order of time.

    The band at 1 kHz and the overall level have the same level. A level of None is a bound; `mounts` by session, at
    both positions; `corrections` to the nominal point by run, none where they are not named; `background_source` by
    run, flow where it is not named. Something was subtracted from every level, but where all are `clear`.
    """

    levels: Mapping[str, tuple[float | None, float | None]]
    mounts: Mapping[str, str | None] = field(default_factory=dict)
    corrections: Mapping[str, float] = field(default_factory=dict)
    unusable: frozenset[tuple[str, str]] = frozenset()
    settings: Repeatability = field(default_factory=Repeatability)
    random_db: float = 0.1
    edges_hz: Mapping[str, float] = field(default_factory=dict)
    background_source: Mapping[str, str] = field(default_factory=dict)
    clear: bool = False

    def job(self) -> RepeatJob:
        """The job, with a cube of runs in alphabetical order as it is when read."""
        names = sorted(self.levels)
        shape = (len(names), 2, 2)
        given = np.array([[np.nan if x is None else x for x in self.levels[n]] for n in names])[:, :, None]
        level = np.broadcast_to(given, shape)
        values = {name: np.zeros(shape) for name in COLUMNS}
        values["random_uncertainty_db"] = np.full(shape, self.random_db)
        values["corrected_level_db"] = level.copy()
        values["upper_bound_db"] = np.where(np.isnan(level), 80.0, np.nan)
        correction = np.array([self.corrections.get(name, np.nan) for name in names])
        values["nominal_correction_db"] = np.broadcast_to(correction[:, None, None], shape).copy()
        edges = np.full(shape, np.nan)
        edges[:, :, 1] = [[self.edges_hz.get(name, 4467.0)] * 2 for name in names]
        state = np.where(np.isnan(level), background.BOUND, background.CLEAR if self.clear else background.CORRECTED)
        background_source = np.array(
            [tables.BACKGROUND_SOURCES.index(self.background_source.get(name, "flow")) for name in names], np.int8
        )
        usable = np.array([[(name, place) not in self.unusable for place in ("p", "q")] for name in names])
        cube = made_cube(
            names,
            ("p", "q"),
            (BAND, OVERALL),
            values,
            state.astype(np.int8),
            cells=[tuple(name.split("-")[:2]) for name in names],
            background_source=background_source[:, None, None],
            unusable=~usable,
            lower_hz=np.where(np.isnan(edges), np.nan, 89.1),
            upper_hz=edges,
            at_nominal=self.settings.at_nominal,
        )
        parts = [(name, *name.split("-")[:2]) for name in self.levels]
        sessions = dict.fromkeys(session for _, session, _ in parts)
        needs = RepeatNeeds(
            campaign="given",
            runs=tuple(RepeatRun(name, session, condition, 30.0, 0.0) for name, session, condition in parts),
            mounts=tuple(sorted((s, place, self.mounts.get(s, f"{s}-pad")) for s in sessions for place in ("p", "q"))),
            reference_condition="open",
            references=(),
            repeats_pooled=True,
            window="hann",
            overlap=0.5,
            confidence=0.95,
            repeatability=self.settings,
        )
        return RepeatJob(needs, cube)
