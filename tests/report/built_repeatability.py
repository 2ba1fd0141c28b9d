"""Repeatability, control values and tests of repeats for the built results: every flag and refusal occurs in them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from built_budgets import RANGE

from tapeline.statistics.control_chart import control_limits

Row = dict[str, Any]
Levels = Mapping[str, Sequence[Row]]
SESSIONS = ("april", "may")
CHARTED = ("january", "february", "march", "april", "may", "june")
"""The control charts are of more sessions than the rest, so that a value can lie outside."""


def repeatability_rows(runs: Mapping[str, Row], bands: Levels, overall: Levels) -> list[Row]:
    """A row a condition, point, position and level that has values; plain formulas for equal numbers of repeats."""
    cells: dict[tuple[Any, ...], dict[str, list[float]]] = {}
    for session, rows in (*bands.items(), *overall.items()):
        for row in rows:
            if row["corrected_level_db"] is not None:
                run = runs[row["run"]]
                band = (row.get("band_hz"), row.get("midband_hz"), *(row.get(name) for name in RANGE))
                key = (run["condition"], run["speed_mps"], row["position"], row.get("weighting", "Z"), *band)
                cells.setdefault(key, {}).setdefault(session, []).append(row["corrected_level_db"])
    return [_row(key, cell) for key, cell in cells.items()]


def _row(key: tuple[Any, ...], cell: Mapping[str, Sequence[float]]) -> Row:
    condition, speed, position, weighting, band_hz, midband_hz, *ends = key
    names = [name for name in SESSIONS if name in cell]
    levels = [np.array(cell[name]) for name in names]
    spare = sum(own.size - 1 for own in levels)
    within = float(np.sqrt(sum(((own - own.mean()) ** 2).sum() for own in levels) / spare)) if spare else None
    row: Row = {
        "condition": condition,
        "position": position,
        "speed_mps": speed,
        "yaw_deg": 0.0,
        "quantity": "overall" if band_hz is None else "band",
        "weighting": weighting,
        "band_hz": band_hz,
        "midband_hz": midband_hz,
        **dict(zip(RANGE, ends, strict=True)),
        "level_basis": "nominal",
        "run_count": sum(own.size for own in levels),
        "bounds": 0,
        "session_count": len(names),
        "sessions": names,
        "session_sd_db": [float(own.std(ddof=1)) if own.size > 1 else None for own in levels],
        "within_session_sd_db": within,
        "within_degrees_of_freedom": spare,
        "random_error_db": 0.08,
        "between_degrees_of_freedom": len(names) - 1,
        "between_refused": "one session" if len(names) < 2 else None if spare else "no repeats",
        "cochran": "may: straggler" if position == "P02" else None,
        "left_out": [],
    }
    if len(names) < 2 or within is None:
        return row
    shift = float(levels[-1].mean() - levels[0].mean())
    between = float(np.sqrt(max(0.0, shift**2 / 2 - within**2 / levels[0].size)))
    both = float(np.hypot(within, between))
    return row | {
        "between_session_sd_db": between,
        "reproducibility_sd_db": both,
        "reproducibility_lower_db": 0.5 * both,
        "reproducibility_upper_db": 9.0 * both,
        "shift_db": shift,
        "shift_of": " > ".join(names),
        "shift_standard_error_db": 0.1,
        "shift_p_value": 0.0004 if position == "P03" else 0.4,
        "shift_mount": "same-mount" if position == "P01" else "remounted",
    }


def control_rows(runs: Mapping[str, Row], overall: Levels) -> Iterator[Row]:
    """Charts of the reference condition; P02 jumps in the last of six sessions."""
    places = {(row["position"], row["weighting"], runs[row["run"]]["speed_mps"]) for row in overall["april"]}
    for position, weighting, speed in sorted(places):
        levels = 100.0 + 0.1 * np.array([0.0, 1.0, 0.0, 1.0, 0.0, 20.0 if position == "P02" else 1.0])
        limits = control_limits(levels)
        for place, (session, level) in enumerate(zip(CHARTED, levels.tolist(), strict=True)):
            yield {
                "position": position,
                "speed_mps": speed,
                "yaw_deg": 0.0,
                "weighting": weighting,
                "lowest_band_hz": 100.0,
                "highest_band_hz": 5000.0,
                "session": session,
                "condition": "open",
                "session_number": place + 1,
                "session_count": levels.size,
                "level_basis": "nominal",
                "level_db": level,
                "run_count": 3,
                "mount": "first" if not place else "kept" if place % 2 else "new",
                "change_db": float(level - levels[place - 1]) if place else None,
                "common_change_db": 0.1 if place else None,
                "centre_db": limits.centre,
                "lower_limit_db": limits.lower,
                "upper_limit_db": limits.upper,
                "outside": bool(not limits.lower <= level <= limits.upper),
                "trend": False,
            }


def repeat_test_rows(runs: Mapping[str, Row], positions: Sequence[str]) -> Iterator[Row]:
    """Neighbouring repeats: one pair changed at three positions, one pair fails by little, one is not tested."""
    cells: dict[tuple[str, str, float], list[str]] = {}
    for name, run in sorted(runs.items()):
        if run["kind"] == "measurement" and run["status"] == "used":
            cells.setdefault((run["session"], run["condition"], run["speed_mps"]), []).append(name)
    for (session, condition, speed), names in cells.items():
        for first, second in pairwise(names):
            for place, position in enumerate(positions):
                pair = {"session": session, "condition": condition, "speed_mps": speed, "yaw_deg": 0.0}
                pair |= {"position": position, "run_a": first, "run_b": second}
                yield pair | _test(first, second, place)


def _test(first: str, second: str, place: int) -> Row:
    if second == "m-open-02" and place == 1:
        return {"not_tested": "other lines"}
    changed = (first, second) == ("a-open-01", "a-open-02") and place < 3
    failed = changed or ((first, second) == ("a-sealed-01", "a-sealed-02") and place == 4)
    return {
        "lines": 250,
        "level_basis": "nominal",
        "statistic": 300.0 if failed else 180.0,
        "degrees_of_freedom": 178.0,
        "p_value": 1e-8 if failed else 0.5,
        "adjusted_p_value": 1e-7 if failed else 1.0,
        "level_difference_db": 0.8 - 0.1 * place if changed else 0.01,
        "shape_p_value": 0.3,
        "excess_db": 0.8 - 0.1 * place if changed else 0.1 if failed else 0.0,
        "same": not failed,
        "changed": changed,
    }
