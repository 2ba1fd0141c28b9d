"""Differences beside those of the comparisons proper: intervals, p-values adjusted as one family, words."""

from __future__ import annotations

from collections.abc import Container, Sequence
from copy import copy
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.compare import CompareNeeds
from tapeline.statistics.comparison import finding_words
from tapeline.statistics.significance import ADJUSTMENTS, student_factor, student_p_value

if TYPE_CHECKING:
    from tapeline.store.rows import JudgedColumns

    class DifferenceColumns(JudgedColumns, total=False):
        """What all tables of such differences have."""

        quantity: str
        difference_db: float


Difference = TypeVar("Difference", bound="DifferenceColumns")


def with_findings(
    rows: Sequence[Difference], needs: CompareNeeds, untested: Container[int] = frozenset()
) -> list[Difference]:
    """The rows with `lower_db`, `upper_db`, `p_value`, `adjusted_p_value`, `family_size` and `finding` added.

    Each row has `difference_db`, `standard_error_db`, `degrees_of_freedom` (None: infinite) and `quantity`; bands and
    overall levels are families of their own. Rows at the places `untested` have no interval: a level is in doubt.
    """
    found = [copy(row) for row in rows]
    for quantity in ("band", "overall"):
        places = [k for k, row in enumerate(found) if row["quantity"] == quantity]
        part, tested = [found[k] for k in places], np.array([k not in untested for k in places], dtype=bool)
        d = np.array([row["difference_db"] for row in part], dtype=float)
        error = np.array([row["standard_error_db"] for row in part], dtype=float)
        degrees_of_freedom = np.maximum([row["degrees_of_freedom"] or np.inf for row in part], 1.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            p = student_p_value(d / error, degrees_of_freedom)
        p[~tested] = np.nan
        half = student_factor(degrees_of_freedom, needs.confidence) * error
        adjusted = ADJUSTMENTS[needs.compare.adjustment](p)
        threshold = needs.compare.practical_threshold_db
        half[np.isnan(p)] = np.nan
        words = finding_words(d, (d - half, d + half), adjusted, needs.confidence, threshold)
        for k, row in enumerate(part):
            row["lower_db"] = float(d[k] - half[k]) if tested[k] else None
            row["upper_db"] = float(d[k] + half[k]) if tested[k] else None
            row["p_value"] = finite_or_none(p[k])
            row["adjusted_p_value"] = float(adjusted[k]) if np.isfinite(p[k]) else None
            row["family_size"] = int(np.count_nonzero(np.isfinite(p)))
            row["finding"] = words[k]
    return found
