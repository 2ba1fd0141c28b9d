"""What does not average out over repeats in a difference: drift, sessions, and what no repeats could show."""

from __future__ import annotations

import numpy as np

from tapeline.acoustics.comparison import Scatter, between_sessions_variance
from tapeline.acoustics.windows import Reals
from tapeline.campaign.slices import CompareRun
from tapeline.steps.compared_runs import Job, Pair, Point

ASSUMED_FREEDOM = 2.0
"""Degrees of freedom given to a variance that is a setting and no measurement (own choice: little trust)."""

UNREPEATED = ("speed", "steadiness")
"""Terms that repeats show among their scatter; without any repeats they are taken as stated."""

ASSUMED = "between sessions, assumed"
"""What sessions or mounting change where no condition was measured in both."""

Terms = dict[str, tuple[Reals, Reals]]


def lasting_terms(job: Job, pair: Pair, scatters: tuple[Scatter, Scatter]) -> Terms:
    """Variance (dB^2) and degrees of freedom, (positions, items), by name of the term.

    Within a session the drift of the sensitivity; between sessions both sensitivities and what air does to the sensors,
    the response where the sensor is another one, and what sessions or mounting change: as conditions measured in both
    show, else as settings assume, with the stated mounting. Where repeats give no scatter: speed and steadiness.
    """
    first, second = pair.sessions
    terms = _drift(job, first) if first == second else _between_sessions(job, pair, scatters)
    if not (scatters[0].degrees_of_freedom.any() and scatters[1].degrees_of_freedom.any()):
        terms |= {name: (_of_both(job, pair, name), certain(job)) for name in UNREPEATED}
    return terms


def certain(job: Job) -> Reals:
    """Infinite degrees of freedom for every position and item."""
    return np.full((len(job.cube.positions), len(job.cube.items)), np.inf)


def _drift(job: Job, session: str) -> Terms:
    drift = [(job.calibration.get((session, p)) or {}).get("drift_db") or 0.0 for p in job.cube.positions]
    return {"drift": (np.array(drift)[:, None] ** 2 / 6.0 + np.zeros(certain(job).shape), certain(job))}


def _between_sessions(job: Job, pair: Pair, scatters: tuple[Scatter, Scatter]) -> Terms:
    found, known = _between(job, scatters, *pair.sessions)
    calibration, response, mounting, assumed = (np.zeros(certain(job).shape) for _ in range(4))
    answers, mounts = _of_both(job, pair, "response"), _of_both(job, pair, "mounting")
    for p, position in enumerate(job.cube.positions):
        rows = [job.calibration.get((session, position)) or {} for session in pair.sessions]
        calibration[p] = sum((row.get("standard_uncertainty_db") or 0.0) ** 2 for row in rows)
        untouched = same_mount(job, position, pair.sessions)
        sensors = [row.get("sensor") for row in rows]
        if sensors[0] != sensors[1] or (sensors[0] is None and not untouched):
            response[p] = answers[p]
        # A stated mounting is what the assumed standard deviation of a remounted sensor stands for.
        of_session = untouched | (mounts[p] > 0.0)
        stated = np.where(of_session, job.needs.compare.session_sd_db, job.needs.compare.remount_sd_db)
        assumed[p] = np.where(known > 0, 0.0, 2.0 * stated**2)
        if not untouched:
            mounting[p] = np.where(known > 0, 0.0, mounts[p])
    every = np.zeros(assumed.shape)
    return {
        "calibration": (calibration, certain(job)),
        "response": (response, certain(job)),
        "environment": (_of_both(job, pair, "environment"), certain(job)),
        "mounting": (mounting, certain(job)),
        "between sessions": (every + 2.0 * np.where(known > 0, found, 0.0), every + np.maximum(known, 1.0)),
        ASSUMED: (assumed, every + ASSUMED_FREEDOM),
    }


def _of_both(job: Job, pair: Pair, name: str) -> Reals:
    """Variance of the difference by a term that each run has of its own, over the number of runs of either side.

    What is the same in all runs of a session does not become less by repeats.
    """
    total = np.zeros(certain(job).shape)
    for runs in (pair.reference, pair.treatment):
        names, used = job.used(runs)
        index = [job.cube.runs.index(run) for run in names]
        squares = np.where(used, np.nan_to_num(job.cube.values[f"{name}_uncertainty_db"][index]) ** 2, 0.0).sum(axis=0)
        count = np.maximum(used.sum(axis=0), 1)
        total += squares / (count**2 if name in UNREPEATED else count)
    return total


def _between(job: Job, scatters: tuple[Scatter, Scatter], first: str, second: str) -> tuple[Reals, Reals]:
    grouped: dict[tuple[str, Point], dict[str, list[CompareRun]]] = {}
    for item in job.needs.runs:
        if item.session in (first, second):
            key = (item.condition, (item.speed_mps, item.yaw_deg))
            grouped.setdefault(key, {}).setdefault(item.session, []).append(item)
    twice = [
        (job.cell(tuple(by_session[first])), job.cell(tuple(by_session[second])))
        for _, by_session in sorted(grouped.items())
        if len(by_session) == 2
    ]
    return between_sessions_variance(twice, scatters, len(job.cube.items))


def same_mount(job: Job, position: str, sessions: tuple[str, str]) -> bool:
    """Whether the sensor at a position stayed where it was from one session to the other."""
    mounts = {(session, place): mount for session, place, mount in job.needs.mounts}
    names = [mounts.get((session, position)) for session in sessions]
    return names[0] is not None and names[0] == names[1]
