"""Differences beside those of the comparisons proper: intervals, p-values adjusted as one family, words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from tapeline.jobs.compare import CompareNeeds
from tapeline.statistics.comparison import finding_words
from tapeline.statistics.significance import ADJUSTMENTS, student_factor, student_p_value


def with_findings(rows: Sequence[Mapping[str, Any]], needs: CompareNeeds) -> list[dict[str, Any]]:
    """The rows with `lower_db`, `upper_db`, `p_value`, `adjusted_p_value`, `family_size` and `finding` added.

    Each row has `difference_db`, `standard_error_db`, `degrees_of_freedom` (None: infinite) and `quantity`; bands and
    overall levels are families of their own. Rows whose entry `tested` is false are not tested and have no interval:
    a level is in doubt.
    """
    found: list[dict[str, Any]] = []
    for quantity in ("band", "overall"):
        part = [row for row in rows if row["quantity"] == quantity]
        d, error = (
            np.array([row[name] for row in part], dtype=float) for name in ("difference_db", "standard_error_db")
        )
        degrees_of_freedom = np.maximum([row["degrees_of_freedom"] or np.inf for row in part], 1.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            p = student_p_value(d / error, degrees_of_freedom)
        p[[not row.get("tested", True) for row in part]] = np.nan
        half = student_factor(degrees_of_freedom, needs.confidence) * error
        adjusted = ADJUSTMENTS[needs.compare.adjustment](p)
        threshold = needs.compare.practical_threshold_db
        half[np.isnan(p)] = np.nan
        words = finding_words(d, (d - half, d + half), adjusted, needs.confidence, threshold)
        for k, row in enumerate(part):
            tested = row.get("tested", True)
            found.append(
                {
                    **{name: value for name, value in row.items() if name != "tested"},
                    "lower_db": float(d[k] - half[k]) if tested else None,
                    "upper_db": float(d[k] + half[k]) if tested else None,
                    "p_value": float(p[k]) if np.isfinite(p[k]) else None,
                    "adjusted_p_value": float(adjusted[k]) if np.isfinite(p[k]) else None,
                    "family_size": int(np.count_nonzero(np.isfinite(p))),
                    "finding": words[k],
                }
            )
    return found
