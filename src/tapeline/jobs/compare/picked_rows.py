"""What is picked out of a table of differences: its interval after selection, and what is to be expected of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.jobs.cell_values import as_reals, finite_or_none
from tapeline.limits import FAMILY_AT_LEAST_DIFFERENCES, SELECTED_DIFFERENCES
from tapeline.statistics.selection_intervals import least_sizes, picked_miss_rate, selected_ends, size_places
from tapeline.statistics.shrinkage import shrinkage_estimates

if TYPE_CHECKING:
    from tapeline.store.rows import ComparisonsRow

SHOWN = ("lower", "higher")


def with_picked(rows: Iterable[ComparisonsRow], confidence: float, family: str) -> Iterator[ComparisonsRow]:
    """Rows of one comparison, in their order, with `size_rank`, the ends after selection, and the shrunken difference.

    `family` is the setting's word. Bands and overall levels are families of their own; what is not tested is in none.
    """
    every = list(rows)
    families: dict[tuple[str | float, ...], list[ComparisonsRow]] = {}
    for row in every:
        if row.get("p_value") is not None:
            key = (row["quantity"],) if family == "comparison" else (row["quantity"], *_cells(row))
            families.setdefault(key, []).append(row)
    added = {id(row): columns for group in families.values() for row, columns in _of_family(group, confidence)}
    for row in every:
        yield {**row, **added.get(id(row), {})}


def _cells(row: ComparisonsRow) -> tuple[str, str, float, float]:
    """What tells the families of one comparison apart where each operating point has its own."""
    return row["reference_session"], row["treatment_session"], row["speed_mps"], row["yaw_deg"]


def _of_family(rows: Sequence[ComparisonsRow], confidence: float) -> Iterator[tuple[ComparisonsRow, ComparisonsRow]]:
    """Every row of one family with its columns."""
    value, error = as_reals(row["difference_db"] for row in rows), as_reals(row["standard_error_db"] for row in rows)
    lower, upper = as_reals(row["lower_db"] for row in rows), as_reals(row["upper_db"] for row in rows)
    degrees_of_freedom = np.nan_to_num(as_reals(row["degrees_of_freedom"] for row in rows), nan=np.inf)
    sound = np.array([not row["doubtful"] for row in rows])
    shown = np.array([row["finding"] in SHOWN for row in rows])
    places = size_places(least_sizes(value, lower, upper))
    picked = shown | (places <= SELECTED_DIFFERENCES)
    missed = picked_miss_rate(places, shown, confidence)
    ends = selected_ends((lower, upper), error, degrees_of_freedom, confidence, missed)
    expected, ends = _with_expected(value, error, degrees_of_freedom, confidence, (sound, picked), ends)
    for k, row in enumerate(rows):
        yield (
            row,
            {
                "size_rank": int(places[k]),
                "selected_lower_db": finite_or_none(ends[0][k]) if picked[k] else None,
                "selected_upper_db": finite_or_none(ends[1][k]) if picked[k] else None,
                "shrunken_db": finite_or_none(expected[k]),
            },
        )


def _with_expected(
    value: Reals,
    error: Reals,
    degrees_of_freedom: Reals,
    confidence: float,
    which: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    ends: tuple[Reals, Reals],
) -> tuple[Reals, tuple[Reals, Reals]]:
    """The expected differences, and the ends reaching at least as far as what is to be expected.

    `which` are the differences that tell the spread, and those that are picked. In a family in which nothing differs a
    false finding would otherwise leave out the truth by its own definition.
    """
    sound, picked = which
    if np.count_nonzero(np.isfinite(value) & sound) < FAMILY_AT_LEAST_DIFFERENCES:
        return np.full(value.shape, np.nan), ends
    found = shrinkage_estimates(value, error, degrees_of_freedom, confidence, fitted=sound, asked=picked)
    given = np.isfinite(value)
    lower = np.where(given, np.fmin(ends[0], found.lower), ends[0])
    upper = np.where(given, np.fmax(ends[1], found.upper), ends[1])
    return found.expected, (lower, upper)
