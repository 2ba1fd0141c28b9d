"""What does not average out over repeats in a difference: drift, sessions, and what no repeats could show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from tapeline.arrays import Reals
from tapeline.jobs.compare.compared_runs import ComparisonJob, Pair
from tapeline.jobs.compare.session_changes import same_mount
from tapeline.limits import SETTING_DOF
from tapeline.statistics.repeat_scatter import Scatter
from tapeline.statistics.session_changes import SessionChanges
from tapeline.statistics.session_scatter import with_assumed
from tapeline.statistics.term_variances import (
    Side,
    variance_assumed_between_sessions,
    variance_of_assumed_repeats,
    variance_of_difference,
    variance_of_drift,
    variance_of_exponent,
)
from tapeline.statistics.uncertainty_terms import (
    ASSUMED_BETWEEN_SESSIONS,
    ASSUMED_REPEATS,
    BETWEEN_SESSIONS,
    CALIBRATION,
    DRIFT,
    NON_AVERAGING_TERMS,
    SPEED_EXPONENT,
    TERMS_SHOWN_BY_REPEATS,
    UncertaintyTerm,
)

if TYPE_CHECKING:
    from tapeline.store.rows import CalibrationRow

Terms = dict[str, tuple[Reals, Reals]]


def non_averaging_terms(
    job: ComparisonJob, pair: Pair, scatters: tuple[Scatter, Scatter], changes: SessionChanges
) -> Terms:
    """Variance (dB^2) and degrees of freedom, (positions, items), by name of the term.

    Within a session the drift of the sensitivity. Between sessions what they were measured to change, with the mount
    left in place or made anew: it holds calibration, air and response too. Where no condition was measured in both,
    these stand by themselves beside what settings assume. Where no repeats give a scatter: speed, steadiness, and what
    settings assume of repeats.
    """
    first, second = pair.sessions
    terms = _drift(job, first) if first == second else _between_sessions(job, pair, changes)
    if job.needs.compare.at_nominal:
        exponent = job.needs.operating_point.speed_exponent_uncertainty
        terms[SPEED_EXPONENT.name] = (variance_of_exponent(_speeds(job, pair), exponent), certain(job))
    unknown = np.minimum(scatters[0].degrees_of_freedom, scatters[1].degrees_of_freedom) <= 0.0
    if unknown.any():
        stated = {term.name: (_of_both(job, pair, term), certain(job)) for term in TERMS_SHOWN_BY_REPEATS}
        repeats = variance_of_assumed_repeats(
            (job.used(runs)[1] for runs in pair.sides), job.needs.compare.repeat_sd_db
        )
        stated[ASSUMED_REPEATS.name] = (repeats, np.full(repeats.shape, SETTING_DOF))
        terms |= {name: (np.where(unknown, part, 0.0), degrees) for name, (part, degrees) in stated.items()}
    return terms


def certain(job: ComparisonJob) -> Reals:
    """Infinite degrees of freedom for every position and item."""
    return np.full((len(job.cube.positions), len(job.cube.items)), np.inf)


def _drift(job: ComparisonJob, session: str) -> Terms:
    drift = np.array([(job.calibration.get((session, p)) or {}).get("drift_db") or 0.0 for p in job.cube.positions])
    every = certain(job)
    return {DRIFT.name: (np.broadcast_to(variance_of_drift(drift)[:, None], every.shape), every)}


def _speeds(job: ComparisonJob, pair: Pair) -> list[Side]:
    sides = [job.used(runs) for runs in pair.sides]
    return [(np.array([job.speed_db[name] for name in names])[:, None, None], used) for names, used in sides]


def _between_sessions(job: ComparisonJob, pair: Pair, changes: SessionChanges) -> Terms:
    shape, compare, positions = certain(job).shape, job.needs.compare, job.cube.positions
    stayed = np.array([same_mount(job, position, pair.sessions) for position in positions], dtype=bool)
    rows = [[job.calibration.get((session, position)) or {} for session in pair.sessions] for position in positions]
    alike = [_same_sensor(each, same_fitting=bool(kept)) for each, kept in zip(rows, stayed, strict=True)]
    known = changes.of_mounts(stayed)
    usual = np.where(stayed, compare.session_sd_db**2, compare.remount_sd_db**2)[:, None]
    change, degrees_of_freedom = with_assumed(known, usual)
    is_known = known.changes > 0.0
    parts = {
        term: _calibrations(rows) if term is CALIBRATION else _of_both(job, pair, term) for term in NON_AVERAGING_TERMS
    }
    terms: Terms = {}
    for term, part in parts.items():
        cancels = [
            term.cancels_between_sessions(same_fitting=bool(kept), same_sensor=same)
            for kept, same in zip(stayed, alike, strict=True)
        ]
        terms[term.name] = (np.where(is_known | np.array(cancels)[:, None], 0.0, part), certain(job))
    of_fittings, stated = np.zeros(shape), np.zeros(shape, dtype=bool)
    for term in (term for term in parts if term.shared_by == "fitting"):
        if term.evidence_where(job.needs.stated_settings) == "stated":
            stated |= parts[term] > 0.0
        else:
            of_fittings += parts[term]
    assumed = variance_assumed_between_sessions(
        compare.session_sd_db, compare.remount_sd_db, stayed[:, None], of_fittings, stated
    )
    return terms | {
        BETWEEN_SESSIONS.name: (2.0 * change, degrees_of_freedom),
        ASSUMED_BETWEEN_SESSIONS.name: (
            np.where(is_known, 0.0, assumed),
            np.full(shape, SETTING_DOF),
        ),
    }


def _same_sensor(rows: Sequence[CalibrationRow], *, same_fitting: bool) -> bool:
    """Whether two sessions have the same sensor at a position; where none is named, a fitting that stayed says so."""
    sensors = [row.get("sensor") for row in rows]
    return sensors[0] == sensors[1] and (sensors[0] is not None or same_fitting)


def _calibrations(rows: Sequence[Sequence[CalibrationRow]]) -> Reals:
    """Variances (dB^2) of the sensitivities of both sessions together, (positions, 1)."""
    return np.array([[sum((row.get("standard_uncertainty_db") or 0.0) ** 2 for row in both)] for both in rows])


def _of_both(job: ComparisonJob, pair: Pair, term: UncertaintyTerm) -> Reals:
    """Variance (dB^2) of a pair's difference by a term that its runs have in their columns."""
    column, sides = job.cube.values[term.uncertainty_column], [job.used(runs) for runs in pair.sides]
    return variance_of_difference(term, [(column[job.cube.places(names)], used) for names, used in sides])
