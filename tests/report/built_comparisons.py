"""Comparisons and ranking for the built results: plain t intervals, good enough to look at, not the product's own."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from built_budgets import RANGE

from tapeline.jobs.compare.picked_rows import with_picked
from tapeline.statistics.significance import benjamini_hochberg, student_factor, student_p_value
from tapeline.store.tables import BOTH_BOUNDS, WITHOUT_DIFFERENCE

Row = dict[str, Any]
Place = tuple[str, str, float, str | None, str, float | None]
SCATTER_DB = 0.15
DOF = 6.0
THRESHOLD_DB = 0.5


def comparison_rows(
    comparisons: Mapping[str, Mapping[str, str]],
    runs: Mapping[str, Row],
    bands: Mapping[str, Sequence[Row]],
    overall: Mapping[str, Sequence[Row]],
) -> list[Row]:
    """Rows of the comparisons table, each session by itself."""
    cells: dict[tuple[str, Place], list[Row]] = {}
    for session, rows in (*bands.items(), *overall.items()):
        for row in rows:
            run = runs[row["run"]]
            quantity = "band" if "band_hz" in row else "overall"
            weighting = row.get("weighting", "Z")
            place = (session, row["position"], run["speed_mps"], weighting, quantity, row.get("band_hz"))
            cells.setdefault((run["condition"], place), []).append(row)
    made = [
        _row(name, pair, place, cells[pair["reference"], place], cells[pair["treatment"], place])
        for name, pair in comparisons.items()
        for condition, place in cells
        if condition == pair["reference"] and (pair["treatment"], place) in cells
    ]
    judged = list(_judged(made))
    groups = ([row for row in judged if row["comparison"] == name] for name in comparisons)
    return [row for group in groups for row in with_picked(group, 0.95, "comparison")]


def _row(name: str, pair: Mapping[str, str], place: Place, reference: Sequence[Row], treatment: Sequence[Row]) -> Row:
    session, position, speed, weighting, quantity, band = place
    first, second = _mean(reference), _mean(treatment)
    uppers = [_upper(reference), _upper(treatment)]
    error = SCATTER_DB * float(np.sqrt(1 / len(reference) + 1 / len(treatment)))
    half = float(student_factor(DOF, 0.95)) * error
    difference = lower = upper = None
    if first is not None and second is not None:
        difference = second - first
        lower, upper = difference - half, difference + half
    elif first is not None:
        upper = uppers[1] - first + half
    elif second is not None:
        lower = second - uppers[0] - half
    states = {row["state"] for row in (*reference, *treatment)}
    in_doubt = session == "may" and position == "P02"
    return {
        "comparison": name,
        "session_label": session,
        "reference_session": session,
        "treatment_session": session,
        **pair,
        "position": position,
        "speed_mps": speed,
        "yaw_deg": 0.0,
        "quantity": quantity,
        "weighting": weighting,
        "band_hz": band,
        "midband_hz": reference[0].get("midband_hz"),
        **{name: reference[0].get(name) for name in RANGE},
        "reference_level_db": first,
        "treatment_level_db": second,
        "difference_db": difference,
        "lower_db": lower,
        "upper_db": upper,
        "standard_error_db": error,
        "degrees_of_freedom": DOF,
        "p_value": None if difference is None else float(student_p_value(difference / error, DOF)),
        "interval_basis": "pooled repeats",
        "pairing": "same-session",
        "reference_runs": [row["run"] for row in reference],
        "treatment_runs": [row["run"] for row in treatment],
        "opened": pair["reference"],
        "contribution_level_db": None if first is None else first - 1.0,
        "contribution_state": "corrected" if first is not None else "bound",
        "contribution_upper_db": uppers[0],
        "state": "bound" if "bound" in states else states.pop(),
        "doubtful": in_doubt,
        "doubt": ["drift: all runs"] if in_doubt else [],
    }


def _mean(rows: Sequence[Row]) -> float | None:
    levels = [row["corrected_level_db"] for row in rows]
    return None if None in levels else float(np.mean(levels))


def _upper(rows: Sequence[Row]) -> float:
    ends = [row["corrected_level_db"] if row["upper_bound_db"] is None else row["upper_bound_db"] for row in rows]
    return float(10 * np.log10(np.mean(10 ** (np.array(ends) / 10))))


def _judged(rows: Sequence[Row]) -> Iterator[Row]:
    """Adjusted p-values and findings, and the reason where nothing can be said."""
    p_values = np.array([np.nan if row["p_value"] is None else row["p_value"] for row in rows])
    adjusted = benjamini_hochberg(p_values)
    for row, p in zip(rows, adjusted, strict=True):
        finding = _finding(row, float(p))
        if finding is None:
            yield row | {"finding": WITHOUT_DIFFERENCE, "why_not": BOTH_BOUNDS}
        else:
            yield row | {"adjusted_p_value": None if np.isnan(p) else float(p), "family_size": len(rows),
                         "finding": finding}  # fmt: skip


def _finding(row: Row, adjusted: float) -> str | None:
    difference, lower, upper = row["difference_db"], row["lower_db"], row["upper_db"]
    if difference is None:
        return None if lower is None and upper is None else "bound"
    if lower > -THRESHOLD_DB and upper < THRESHOLD_DB:
        return "equivalent"
    if adjusted <= 0.05:
        return "lower" if difference < 0 else "higher"
    return "not shown"


def ranking_rows(rows: Sequence[Row]) -> list[Row]:
    """The twelve largest reductions of each comparison, by the reference's level."""
    ranked: list[Row] = []
    for name in sorted({row["comparison"] for row in rows}):
        spots = {
            (row["position"], row["band_hz"]): row
            for row in rows
            if row["comparison"] == name and row["quantity"] == "band" and row["finding"] == "lower"
        }
        order = sorted(spots.values(), key=lambda row: (-row["reference_level_db"], row["position"], row["band_hz"]))
        for rank, row in enumerate(order[:12], start=1):
            level = row["reference_level_db"] - 1.0
            ranked.append(
                {
                    "comparison": name,
                    "place": rank,
                    "rank": rank - (rank + 1) % 2,
                    "ranked_by": "contribution",
                    "points": "all",
                    "tied_group": (rank + 1) // 2,
                    "tied_spots": 2,
                    "direction": f"louder in {row['reference']}",
                    "position": row["position"],
                    "band_hz": row["band_hz"],
                    "area": "seam",
                    "weighting": "Z",
                    "contribution_db": level,
                    "contribution_pa2": 4e-10 * 10 ** (level / 10),
                    "lower_db": level - 0.44,
                    "upper_db": level + 0.36,
                    "selected_lower_db": level - 0.94,
                    "selected_upper_db": level + 0.76,
                    "share": 0.5 / rank,
                    "rank_lower": max(rank - 1, 1),
                    "rank_upper": rank + 1,
                    "first_probability": 0.6 / rank,
                    "expected_db": level - 0.05,
                    "next_step": "treat together",
                    "doubtful": False,
                    "doubt": [],
                    "runs_needed": None,
                    "difference_db": -row["difference_db"],
                    "finding": "tied",
                    "operating_points": 2,
                }
            )
    return ranked
