"""Rows of the table `session_means`: one difference from several sessions, weighted, and whether they agree."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.compare.compared_pairs import Compared
from tapeline.jobs.compare.compared_runs import ComparisonJob
from tapeline.jobs.compare.item_columns import item_columns, point_columns
from tapeline.jobs.compare.simple_differences import with_findings
from tapeline.jobs.levels.inherited_doubt import doubt_columns
from tapeline.statistics.repeat_pools import Point
from tapeline.statistics.weighted_session_mean import weighted_session_mean

if TYPE_CHECKING:
    from tapeline.store.rows import SessionMeansRow


def session_mean_rows(job: ComparisonJob, name: str, pairs: Sequence[Compared]) -> list[SessionMeansRow]:
    """One row an operating point, position and band or overall level that two sessions or more compared within.

    Differences between sessions are not put together: they share sessions, and are no independent evidence. A session
    whose levels are in doubt counts only where no other one is sound.
    """
    by_point: dict[Point, list[Compared]] = {}
    for found in pairs:
        if found.pair.sessions[0] == found.pair.sessions[1]:
            by_point.setdefault(found.pair.point, []).append(found)
    rows: list[SessionMeansRow] = []
    for point, group in sorted(by_point.items()):
        if len(group) < 2:
            continue
        differences, errors, degrees_of_freedom = (
            np.stack([getattr(found.result, part) for found in group])
            for part in ("difference_db", "standard_error_db", "degrees_of_freedom")
        )
        known, doubted = np.isfinite(differences), np.stack([found.doubted for found in group])
        kept_out = known & doubted & (known & ~doubted).any(axis=0)
        differences = np.where(kept_out, np.nan, differences)
        mean = weighted_session_mean(differences, errors, degrees_of_freedom, job.needs.confidence)
        for p, i in np.argwhere(((known | doubted).sum(axis=0) >= 2) & known.any(axis=0)):
            used = np.flatnonzero(np.isfinite(differences[:, p, i]))
            if used.size == 1:
                k = int(used[0])
                values = (differences[k, p, i], errors[k, p, i], degrees_of_freedom[k, p, i])
                weights, between, agreement = [1.0], None, None
            elif np.isfinite(mean.mean_db[p, i]):
                values = (mean.mean_db[p, i], mean.standard_error_db[p, i], mean.degrees_of_freedom[p, i])
                weights = [float(mean.weights[k, p, i]) for k in used]
                between, agreement = float(mean.between_sd_db[p, i]), float(mean.agreement_p_value[p, i])
            else:
                continue
            runs = [name for k in used for name in job.runs_used(group[k].pair, p, i)]
            rows.append(
                {
                    "comparison": name,
                    "position": job.cube.positions[p],
                    **point_columns(point),
                    **item_columns(job.cube.items[i]),
                    "difference_db": float(values[0]),
                    "standard_error_db": float(values[1]),
                    "degrees_of_freedom": finite_or_none(values[2]),
                    "between_sessions_sd_db": between,
                    "agreement_p_value": agreement,
                    "sessions": [group[k].pair.sessions[0] for k in used],
                    "differences_db": [float(group[k].result.difference_db[p, i]) for k in used],
                    "weights": weights,
                    "left_out": [group[k].pair.sessions[0] for k in np.flatnonzero(doubted[:, p, i]) if k not in used],
                    **doubt_columns(job.cube, runs, p, i),
                }
            )
    return with_findings(rows, job.needs)
