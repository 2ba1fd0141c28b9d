"""Budgets of the built levels: of every condition's mean the absolute one, with two terms that are everywhere alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

Row = dict[str, Any]
RANGE = ("lower_hz", "upper_hz", "lowest_band_hz", "highest_band_hz")
TERMS_DB = {"calibration: calibrator": 0.2, "random error": 0.15}


def budget_rows(
    runs: Mapping[str, Row], bands: Mapping[str, Sequence[Row]], overall: Mapping[str, Sequence[Row]]
) -> list[Row]:
    """One row a session, condition, position, operating point and band or overall level that all its runs value."""
    cells: dict[tuple[Any, ...], list[Row]] = {}
    for quantity, tables in (("band", bands), ("overall", overall)):
        for session, rows in tables.items():
            for row in rows:
                run = runs[row["run"]]
                if run["kind"] == "measurement" and run["status"] == "used" and row["quality"] != "unusable":
                    item = (
                        quantity,
                        row.get("weighting") or "Z",
                        row.get("band_hz"),
                        *(row.get(name) for name in RANGE),
                    )
                    place = (session, run["condition"], row["position"], run["speed_mps"], run["yaw_deg"])
                    cells.setdefault((*place, *item), []).append(row)
    valued = {key: own for key, own in cells.items() if all(row["corrected_level_db"] is not None for row in own)}
    return [_absolute(key, own) for key, own in valued.items()]


def _absolute(key: tuple[Any, ...], rows: Sequence[Row]) -> Row:
    session, condition, position, speed, yaw, quantity, weighting, band, *ends = key
    level = float(np.mean([row["corrected_level_db"] for row in rows]))
    size = float(np.hypot(*TERMS_DB.values()))
    return {
        "budget": "absolute",
        "comparison": None,
        "session_label": session,
        "condition": condition,
        "pairing": None,
        "position": position,
        "speed_mps": speed,
        "yaw_deg": yaw,
        "quantity": quantity,
        "weighting": weighting,
        "band_hz": band,
        **dict(zip(RANGE, ends, strict=True)),
        "runs": sorted(row["run"] for row in rows),
        "level_db": level,
        "terms": list(TERMS_DB),
        "terms_db": list(TERMS_DB.values()),
        "terms_evidence": ["certificate", "measured"],
        "terms_degrees_of_freedom": [None, None],
        "standard_uncertainty_db": size,
        "degrees_of_freedom": None,
        "lower_db": level - 1.96 * size,
        "upper_db": level + 1.96 * size,
    }
