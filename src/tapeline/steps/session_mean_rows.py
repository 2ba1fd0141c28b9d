"""Rows of the table `session_means`: one difference from several sessions, weighted, and whether they agree."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from tapeline.acoustics.mean_of_sessions import mean_of_sessions
from tapeline.steps.cell_values import finite_or_none
from tapeline.steps.compared_pairs import Compared
from tapeline.steps.compared_runs import Job, Point
from tapeline.steps.item_columns import item_columns, point_columns
from tapeline.steps.simple_differences import with_findings


def session_mean_rows(job: Job, name: str, pairs: Sequence[Compared]) -> list[dict[str, Any]]:
    """One row an operating point, position and band or overall level that two sessions or more compared within.

    Differences between sessions are not put together: they share sessions, and are no independent evidence.
    """
    by_point: dict[Point, list[Compared]] = {}
    for found in pairs:
        if found.pair.sessions[0] == found.pair.sessions[1]:
            by_point.setdefault(found.pair.point, []).append(found)
    rows: list[dict[str, Any]] = []
    for point, group in sorted(by_point.items()):
        if len(group) < 2:
            continue
        differences, errors, freedom = (
            np.stack([getattr(found.result, part) for found in group])
            for part in ("difference_db", "standard_error_db", "degrees_of_freedom")
        )
        mean = mean_of_sessions(differences, errors, freedom, job.needs.confidence)
        for p, i in np.argwhere(np.isfinite(mean.mean_db)):
            used = np.flatnonzero(mean.weights[:, p, i] > 0.0)
            rows.append(
                {
                    "comparison": name,
                    "position": job.cube.positions[p],
                    **point_columns(point),
                    **item_columns(job.cube.items[i]),
                    "difference_db": float(mean.mean_db[p, i]),
                    "standard_error_db": float(mean.standard_error_db[p, i]),
                    "degrees_of_freedom": finite_or_none(mean.degrees_of_freedom[p, i]),
                    "between_sessions_sd_db": float(mean.between_sd_db[p, i]),
                    "agreement_p_value": float(mean.agreement_p_value[p, i]),
                    "sessions": [group[k].pair.sessions[0] for k in used],
                    "differences_db": [float(group[k].result.difference_db[p, i]) for k in used],
                    "weights": [float(mean.weights[k, p, i]) for k in used],
                }
            )
    return with_findings(rows, job.needs)
