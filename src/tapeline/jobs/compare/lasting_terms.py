"""What does not average out over repeats in a difference: drift, sessions, and what no repeats could show."""

from __future__ import annotations

import numpy as np

from tapeline.arrays import Reals
from tapeline.jobs.compare.compared_runs import ComparisonJob, Pair
from tapeline.jobs.compare.session_changes import SessionChanges, same_mount
from tapeline.limits import MEASURED_SESSION_CHANGES, SETTING_DOF
from tapeline.statistics.repeat_scatter import Scatter

UNREPEATED = ("speed", "steadiness")
"""Terms that repeats show among their scatter; without any repeats they are taken as stated."""

BETWEEN = "between sessions"
"""What sessions change, mounting included, as conditions measured in both show."""

ASSUMED = "between sessions, assumed"
"""What sessions or mounting change where no condition was measured in both."""

ASSUMED_REPEATS = "repeats, assumed"
"""What repeats scatter where the campaign has none."""

EXPONENT = "speed exponent"
"""What the exponent of speed leaves uncertain where the compared runs differ in speed."""

Terms = dict[str, tuple[Reals, Reals]]


def lasting_terms(job: ComparisonJob, pair: Pair, scatters: tuple[Scatter, Scatter], changes: SessionChanges) -> Terms:
    """Variance (dB^2) and degrees of freedom, (positions, items), by name of the term.

    Within a session the drift of the sensitivity. Between sessions what they were measured to change, with the mount
    left in place or made anew: it holds calibration, air and response too. Where no condition was measured in both,
    these stand by themselves beside what settings assume. Where no repeats give a scatter: speed, steadiness, and what
    settings assume of repeats.
    """
    first, second = pair.sessions
    terms = _drift(job, first) if first == second else _between_sessions(job, pair, changes)
    if job.needs.compare.at_nominal:
        terms[EXPONENT] = (_exponent(job, pair), certain(job))
    unknown = np.minimum(scatters[0].degrees_of_freedom, scatters[1].degrees_of_freedom) <= 0.0
    if unknown.any():
        stated = {name: (_of_both(job, pair, name), certain(job)) for name in UNREPEATED}
        stated[ASSUMED_REPEATS] = _assumed_repeats(job, pair)
        terms |= {name: (np.where(unknown, part, 0.0), freedom) for name, (part, freedom) in stated.items()}
    return terms


def certain(job: ComparisonJob) -> Reals:
    """Infinite degrees of freedom for every position and item."""
    return np.full((len(job.cube.positions), len(job.cube.items)), np.inf)


def _drift(job: ComparisonJob, session: str) -> Terms:
    drift = [(job.calibration.get((session, p)) or {}).get("drift_db") or 0.0 for p in job.cube.positions]
    return {"drift": (np.array(drift)[:, None] ** 2 / 6.0 + np.zeros(certain(job).shape), certain(job))}


def _exponent(job: ComparisonJob, pair: Pair) -> Reals:
    """Variance (dB^2) by the exponent with which both sides are brought to the nominal speed, (positions, items)."""
    sides = []
    for runs in pair.sides:
        names, used = job.used(runs)
        speed = np.array([job.speed_db[name] for name in names])[:, None, None]
        sides.append(np.where(used, speed, 0.0).sum(axis=0) / np.maximum(used.sum(axis=0), 1))
    return np.asarray(((sides[1] - sides[0]) * job.needs.operating_point.speed_exponent_uncertainty) ** 2)


def _assumed_repeats(job: ComparisonJob, pair: Pair) -> tuple[Reals, Reals]:
    inverse = np.zeros(certain(job).shape)
    for runs in (pair.reference, pair.treatment):
        inverse += 1.0 / np.maximum(job.used(runs)[1].sum(axis=0), 1)
    return inverse * job.needs.compare.repeat_sd_db**2, np.full(inverse.shape, SETTING_DOF)


def _between_sessions(job: ComparisonJob, pair: Pair, changes: SessionChanges) -> Terms:
    shape = certain(job).shape
    calibration, response, environment, mounting, measured, assumed = (np.zeros(shape) for _ in range(6))
    freedom = np.ones(shape)
    answers, mounts, air = (_of_both(job, pair, name) for name in ("response", "mounting", "environment"))
    compare = job.needs.compare
    for p, position in enumerate(job.cube.positions):
        untouched = same_mount(job, position, pair.sessions)
        known = changes.of_mount(untouched)
        is_known = known.changes[p] > 0.0
        few = np.where(known.changes[p] < MEASURED_SESSION_CHANGES, SETTING_DOF, 0.0)
        usual = (compare.session_sd_db if untouched else compare.remount_sd_db) ** 2
        together = (known.changes[p] * known.variance_db2[p] + few * usual) / np.maximum(known.changes[p] + few, 1e-9)
        freedom[p] = np.where(is_known, known.degrees_of_freedom[p] + few, 1.0)
        measured[p] = np.where(is_known, 2.0 * together, 0.0)
        rows = [job.calibration.get((session, position)) or {} for session in pair.sessions]
        of_both = sum((row.get("standard_uncertainty_db") or 0.0) ** 2 for row in rows)
        calibration[p] = np.where(is_known, 0.0, of_both)
        environment[p] = np.where(is_known, 0.0, air[p])
        sensors = [row.get("sensor") for row in rows]
        if sensors[0] != sensors[1] or (sensors[0] is None and not untouched):
            response[p] = np.where(is_known, 0.0, answers[p])
        # A stated mounting is what the assumed standard deviation of a remounted sensor stands for. Of the default
        # mounting that deviation holds a part: only what it has beyond is added, and not less than sessions have.
        stated = job.needs.mounting_stated & (mounts[p] > 0.0)
        session, remount = 2.0 * compare.session_sd_db**2, 2.0 * compare.remount_sd_db**2
        alone = np.where(untouched | stated, session, np.maximum(session, remount - mounts[p]))
        assumed[p] = np.where(is_known, 0.0, alone)
        if not untouched:
            mounting[p] = np.where(is_known, 0.0, mounts[p])
    return {
        "calibration": (calibration, certain(job)),
        "response": (response, certain(job)),
        "environment": (environment, certain(job)),
        "mounting": (mounting, certain(job)),
        BETWEEN: (measured, freedom),
        ASSUMED: (assumed, np.full(shape, SETTING_DOF)),
    }


def _of_both(job: ComparisonJob, pair: Pair, name: str) -> Reals:
    """Variance of the difference by a term that each run has of its own, over the number of runs of either side.

    What is the same in all runs of a session does not become less by repeats.
    """
    total = np.zeros(certain(job).shape)
    for runs in (pair.reference, pair.treatment):
        names, used = job.used(runs)
        index = job.cube.places(names)
        squares = np.where(used, np.nan_to_num(job.cube.values[f"{name}_uncertainty_db"][index]) ** 2, 0.0).sum(axis=0)
        count = np.maximum(used.sum(axis=0), 1)
        total += squares / (count**2 if name in UNREPEATED else count)
    return total
