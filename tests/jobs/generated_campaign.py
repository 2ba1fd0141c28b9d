"""Generated campaigns of levels with known truth, as comparisons see them: sessions, mounts, repeats, many bands.

Synthetic. Levels are drawn in dB: the condition's true level, what the session does to a position, what a new mount
does to it, what a run has of its own (partly at all positions alike), and random error.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from comparison_needs import PLAIN, compared
from made_cubes import made_cube
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits
from tapeline.campaign.settings import Compare
from tapeline.jobs.compare import CompareRun
from tapeline.jobs.compare.compared_runs import ComparisonJob
from tapeline.jobs.levels.level_array import COLUMNS, Item

Reals = NDArray[np.float64]

LIMITS = MarginLimits(15.0, 6.0, 3.0, 1.96)


@dataclass(frozen=True)
class Scatters:
    """Standard deviations in dB; `alike` is the share of the variance of runs that all positions have together.

    `session_alike` is the same for what a session changes, `bands_alike` the share that sessions and mounts
    change in all bands of a position alike, `run_bands_alike` the same of runs. Where `tails` are given, runs, sessions
    and mounts follow Student's t with so many degrees of freedom, at the same standard deviation.
    """

    run: float = 0.25
    session: float = 0.5
    mount: float = 0.8
    random: float = 0.1
    alike: float = 0.3
    session_alike: float = 0.0
    bands_alike: float = 0.0
    run_bands_alike: float = 0.0
    tails: float | None = None


@dataclass(frozen=True)
class Design:
    """Which condition is measured how often, by session: {session: {condition: runs}}, at every operating point."""

    repeats: dict[str, dict[str, int]]
    comparisons: dict[str, tuple[str, str]]
    positions: int = 8
    bands: int = 12
    points: tuple[tuple[float, float], ...] = ((30.0, 0.0), (40.0, 0.0))
    kept: int = 4  # the first positions keep their mount from session to session
    scatters: Scatters = field(default_factory=Scatters)
    applied: dict[str, tuple[str, ...]] = field(default_factory=dict)
    compare: Compare = field(default_factory=Compare)
    odd_point: float = 1.0  # by how much runs scatter more at the first operating point
    unlike: tuple[float, ...] = ()  # by how much runs, sessions and mounts scatter more at the first positions
    unlike_sessions: dict[str, float] = field(default_factory=dict)  # by how much runs of a session scatter more


@dataclass(frozen=True)
class Generated:
    """One campaign with the true levels of its conditions, (points, positions, bands)."""

    job: ComparisonJob
    truth: dict[str, Reals]


def generated(
    design: Design, truth: dict[str, Reals], random: np.random.Generator, between: dict[str, float] | None = None
) -> Generated:
    """Draw all levels; `truth` is by condition, (points, positions, bands).

    `between` is the standard deviation (dB) by which a condition differs from session to session by itself.
    """
    shape = (design.positions, design.bands)
    of = design.scatters

    at_positions = np.ones((design.positions, 1))
    at_positions[: len(design.unlike), 0] = design.unlike

    def unit(size: tuple[int, ...]) -> Reals:
        if of.tails is None:
            return random.normal(0.0, 1.0, size)
        return np.asarray(random.standard_t(of.tails, size) * np.sqrt((of.tails - 2.0) / of.tails))

    def draw(sd: float, whole: float, in_bands: float = 0.0) -> Reals:
        parts = ((whole, (1, design.bands)), (in_bands, (design.positions, 1)), (1.0 - whole - in_bands, shape))
        return np.asarray(sd * sum(np.sqrt(max(share, 0.0)) * unit(size) for share, size in parts))

    runs: list[CompareRun] = []
    levels: list[Reals] = []

    def draw_place(sd: float, whole: float) -> Reals:
        in_all_bands = unit((design.positions, 1))
        alone = draw(sd * np.sqrt(1.0 - of.bands_alike), whole)
        return np.asarray(at_positions * (sd * np.sqrt(of.bands_alike) * in_all_bands + alone))

    first_mounts = draw_place(of.mount, 0.0)
    for session, conditions in design.repeats.items():
        of_session = draw_place(of.session, of.session_alike) + np.where(
            np.arange(design.positions)[:, None] < design.kept, first_mounts, draw_place(of.mount, 0.0)
        )
        for condition, count in conditions.items():
            alone = random.normal(0.0, (between or {}).get(condition, 0.0), (len(design.points), *shape))
            for k, (speed, yaw) in enumerate(design.points):
                run_sd = of.run * (design.odd_point if k == 0 else 1.0) * design.unlike_sessions.get(session, 1.0)
                for number in range(count):
                    name = f"{session}-{condition}-{k}-{number}"
                    runs.append(CompareRun(name, session, condition, speed, yaw, (f"{session}-b",), True))
                    of_run = at_positions * draw(run_sd, of.alike, of.run_bands_alike)
                    random_error = random.normal(0.0, of.random, shape)
                    levels.append(truth[condition][k] + alone[k] + of_session + of_run + random_error)
    return Generated(_job(design, runs, np.stack(levels)), truth)


def _job(design: Design, runs: list[CompareRun], levels: Reals) -> ComparisonJob:
    order = sorted(range(len(runs)), key=lambda k: runs[k].run)
    shape = levels.shape
    values = {name: np.zeros(shape) for name in COLUMNS}
    values["corrected_level_db"] = levels[order]
    values["random_uncertainty_db"] = np.full(shape, design.scatters.random)
    values["upper_bound_db"] = np.full(shape, np.nan)
    mids = 1000.0 * 10.0 ** (np.arange(design.bands) / 10.0)
    items = tuple(Item("band", "Z", m / 10**0.05, m * 10**0.05, float(f"{m:.3g}"), m) for m in mids)
    positions = tuple(f"p{p:02}" for p in range(design.positions))
    cube = made_cube(
        [runs[k].run for k in order],
        positions,
        items,
        values,
        np.full(shape, background.CLEAR, dtype=np.int8),
        cells=[runs[k].run.rpartition("-")[0] for k in order],
    )
    calibration: dict[tuple[str, str], dict[str, Any]] = {
        (session, place): {"standard_uncertainty_db": 0.1, "drift_db": 0.0, "sensor": place}
        for session in design.repeats
        for place in positions
    }
    mounts = tuple(
        (session, place, "pad" if p < design.kept else None)
        for session in design.repeats
        for p, place in enumerate(positions)
    )
    needs = replace(
        PLAIN,
        campaign="generated",
        comparisons=compared(design.comparisons),
        applied=design.applied,
        runs=tuple(runs[k] for k in order),
        mounts=mounts,
        compare=design.compare,
    )
    return ComparisonJob(needs, cube, calibration, LIMITS)
