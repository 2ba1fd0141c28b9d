"""Rows of the table `repeatability`: scatter within and between sessions, and the shift from the first to the last."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.campaign.settings import Repeatability
from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.compare.item_columns import item_columns, point_columns
from tapeline.jobs.repeat.repeated_runs import BASES, RepeatJob, Repeats
from tapeline.limits import REPEATABILITY_LIMIT_SD
from tapeline.statistics.comparison import condition_mean
from tapeline.statistics.repeat_pools import Point
from tapeline.statistics.repeatability import (
    OneWay,
    SessionVariances,
    Suspect,
    cochran,
    grubbs,
    mandel_h,
    mandel_k,
    one_way,
    reproducibility_interval,
    session_variances,
    within_interval,
)
from tapeline.statistics.session_scatter import at_session, shift_error
from tapeline.statistics.significance import student_p_value
from tapeline.store.tables_of_repeats import LESS_TAKEN_OFF

if TYPE_CHECKING:
    from tapeline.store.rows import RepeatabilityRow

ONE_SESSION, NO_REPEATS = "one session", "no repeats"
LESS_IN_OTHER, BOUND_IN_OTHER = f"other session had {LESS_TAKEN_OFF}", "other session has bounds"
NOT_STATED = "not stated"


@dataclass(frozen=True)
class Shift:
    """Last session less first at each (position, item), by number of the session; NaN where there is one session."""

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    shift_db: Reals
    standard_error_db: Reals
    degrees_of_freedom: Reals
    p_value: Reals


@dataclass(frozen=True)
class Found:
    """All that is found of one condition at one operating point, arrays of shape ([sessions,] positions, items)."""

    repeats: Repeats
    by_session: SessionVariances
    parts: OneWay
    random_db: Reals
    within_ends_db: tuple[Reals, Reals]
    ends_db: tuple[Reals, Reals]
    suspects: tuple[Suspect, Suspect]
    h: Reals
    k: Reals
    shift: Shift


def repeatability_rows(job: RepeatJob) -> Iterator[list[RepeatabilityRow]]:
    """One row a position and item with a level; all operating points of a condition at a time."""
    for condition, points in job.cells.items():
        yield [
            row
            for point, runs in points.items()
            for row in _rows(job, condition, point, found(job, condition, point, job.repeats(runs)))
        ]


def found(job: RepeatJob, condition: str, point: Point, repeats: Repeats) -> Found:
    """The analysis of one condition at one operating point."""
    level, session = repeats.levels.level_db, repeats.session
    by_session, parts = session_variances(level, session), one_way(level, session)
    known = np.isfinite(level)
    squares = np.where(known, np.nan_to_num(repeats.levels.random_db) ** 2, 0.0)
    return Found(
        repeats=repeats,
        by_session=by_session,
        parts=parts,
        random_db=np.sqrt(squares.sum(axis=0) / np.maximum(known.sum(axis=0), 1)),
        within_ends_db=within_interval(parts, job.needs.confidence),
        ends_db=reproducibility_interval(parts, job.needs.confidence),
        suspects=(cochran(by_session), grubbs(by_session)),
        h=mandel_h(by_session),
        k=mandel_k(by_session),
        shift=_shift(job, condition, point, repeats, by_session),
    )


def _shift(job: RepeatJob, condition: str, point: Point, repeats: Repeats, by_session: SessionVariances) -> Shift:
    there = by_session.counts > 0
    first, last = there.argmax(axis=0), there.shape[0] - 1 - there[::-1].argmax(axis=0)
    cells = [condition_mean(repeats.of_session(number)) for number in range(len(repeats.sessions))]
    scatters = [job.pools.of_cell((session, condition, point)) for session in repeats.sessions]
    error = shift_error(cells, scatters, (first, last))
    two = there.any(axis=0) & (first < last)
    shift = np.where(two, at_session(by_session.means, last) - at_session(by_session.means, first), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        p = student_p_value(shift / error.error_db, error.degrees_of_freedom)
    shown = (np.where(two, values, np.nan) for values in (error.error_db, error.degrees_of_freedom, p))
    return Shift(first, last, shift, *shown)


def _rows(job: RepeatJob, condition: str, point: Point, f: Found) -> Iterator[RepeatabilityRow]:
    for p, position in enumerate(job.cube.positions):
        for i, item in enumerate(job.cube.items):
            if f.parts.runs[p, i]:
                doubt = job.doubt(f.repeats, p, i)
                yield {
                    "condition": condition,
                    **point_columns(point),
                    "position": position,
                    **item_columns(item),
                    "midband_hz": item.midband_hz,
                    **_of_sessions(f, p, i),
                    **_components(f, p, i),
                    **_flags(job.needs.repeatability, f, p, i),
                    **_shift_columns(job, f, p, i),
                    "doubtful": bool(doubt),
                    "doubt": doubt,
                }


def _of_sessions(f: Found, p: int, i: int) -> RepeatabilityRow:
    counts = f.by_session.counts[:, p, i]
    there = np.flatnonzero(counts)
    return {
        "level_basis": BASES[int(f.repeats.nominal[p, i])],
        "run_count": int(f.parts.runs[p, i]),
        "bounds": int(f.repeats.bounds[:, p, i].sum()),
        "session_count": int(f.parts.sessions[p, i]),
        "sessions": [f.repeats.sessions[j] for j in there],
        "session_runs": counts[there].tolist(),
        "session_mean_db": f.by_session.means[there, p, i].tolist(),
        "session_sd_db": np.sqrt(f.by_session.variances[there, p, i]).tolist(),
        "mandel_h": f.h[there, p, i].tolist(),
        "mandel_k": f.k[there, p, i].tolist(),
        "left_out": f.repeats.left_out(p, i),
    }


def _components(f: Found, p: int, i: int) -> RepeatabilityRow:
    parts = f.parts
    within = finite_or_none(np.sqrt(parts.within_square[p, i]))
    degrees_of_freedom = finite_or_none(parts.reproducibility_degrees_of_freedom[p, i])
    return {
        "within_session_sd_db": within,
        "within_session_lower_db": finite_or_none(f.within_ends_db[0][p, i]),
        "within_session_upper_db": finite_or_none(f.within_ends_db[1][p, i]),
        "within_degrees_of_freedom": int(parts.within_degrees_of_freedom[p, i]),
        "random_error_db": float(f.random_db[p, i]),
        "repeatability_limit_db": None if within is None else REPEATABILITY_LIMIT_SD * within,
        "between_session_sd_db": finite_or_none(np.sqrt(parts.between_variance[p, i])),
        "between_degrees_of_freedom": int(parts.between_degrees_of_freedom[p, i]),
        "between_refused": _refused(f, p, i),
        "reproducibility_sd_db": finite_or_none(np.sqrt(parts.reproducibility_variance[p, i])),
        "reproducibility_degrees_of_freedom": degrees_of_freedom,
        "reproducibility_lower_db": finite_or_none(f.ends_db[0][p, i]),
        "reproducibility_upper_db": finite_or_none(f.ends_db[1][p, i]),
    }


def _refused(f: Found, p: int, i: int) -> str | None:
    """Why nothing is said between sessions."""
    if f.parts.sessions[p, i] > 1:
        return NO_REPEATS if f.parts.within_degrees_of_freedom[p, i] == 0 else None
    if f.repeats.session_less[:, p, i].any():
        return LESS_IN_OTHER
    return BOUND_IN_OTHER if f.repeats.bounds[:, p, i].any() else ONE_SESSION


def _flags(settings: Repeatability, f: Found, p: int, i: int) -> RepeatabilityRow:
    words = []
    for suspect in f.suspects:
        chance, session = suspect.p_value[p, i], int(suspect.session[p, i])
        word = (
            "outlier" if chance <= settings.outlier_level else "straggler" if chance <= settings.straggler_level else ""
        )
        words.append(f"{f.repeats.sessions[session]}: {word}" if word else None)
    return {"cochran": words[0], "grubbs": words[1]}


def _shift_columns(job: RepeatJob, f: Found, p: int, i: int) -> RepeatabilityRow:
    shift = f.shift
    if np.isnan(shift.shift_db[p, i]):
        return {}
    first, last = (f.repeats.sessions[int(end[p, i])] for end in (shift.first, shift.last))
    mounts = [job.mount(session, job.cube.positions[p]) for session in (first, last)]
    return {
        "shift_db": finite_or_none(shift.shift_db[p, i]),
        "shift_of": f"{first} > {last}",
        "shift_standard_error_db": finite_or_none(shift.standard_error_db[p, i]),
        "shift_degrees_of_freedom": finite_or_none(shift.degrees_of_freedom[p, i]),
        "shift_p_value": finite_or_none(shift.p_value[p, i]),
        "shift_mount": NOT_STATED if None in mounts else "same-mount" if mounts[0] == mounts[1] else "remounted",
    }
