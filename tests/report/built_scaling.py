"""Exponents of speed and collapses of the invented campaign: shown, weak, doubtful and missing ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from built_budgets import RANGE

Row = dict[str, Any]
REFERENCE_MPS, REFERENCE_DENSITY_KGM3 = 32.0, 1.2
ITEM = ("weighting", "band_hz", "midband_hz", *RANGE)


def scaling_rows(
    positions: Sequence[str], runs: Mapping[str, Row], bands: Sequence[Row], overall: Sequence[Row]
) -> list[Row]:
    """Lines through the built levels of two conditions in april, by plain least squares.

    Two speeds are called so at most places; at the third place a line is said not to fit; at the second all is
    left out.
    """
    series: dict[tuple[Any, ...], list[Row]] = {}
    for level in (*overall, *bands):
        condition = runs[level["run"]]["condition"]
        if condition in ("open", "sealed"):
            item = tuple(level.get(name) for name in ITEM)
            series.setdefault((level["position"], condition, item), []).append(level)
    return [_row(positions.index(key[0]), *key, runs, levels) for key, levels in series.items()]


def _row(
    index: int, position: str, condition: str, item: tuple[Any, ...], runs: Mapping[str, Row], levels: Sequence[Row]
) -> Row:
    used = [level for level in levels if level["corrected_level_db"] is not None]
    values = dict(zip(ITEM, item, strict=True))
    quantity = "overall" if values["band_hz"] is None else "band"
    speeds = {runs[level["run"]]["speed_mps"] for level in used}
    names = [level["run"] for level in used]
    row = _series(condition, position, runs, names) | values | {
        "quantity": quantity,
        "weighting": values["weighting"] or "Z",
        "reference_speed_mps": REFERENCE_MPS,
        "speeds": len(speeds),
        "level_count": len(used),
    }  # fmt: skip
    if quantity == "overall" and index == 1:
        return row | {"runs": [], "speeds": 1, "level_count": 3, "left_out": ["3 bounds", "1 tonal"]}
    if len(speeds) < 2:
        bounds = len(levels) - len(used)
        return row | {"left_out": [f"{bounds} bounds"] if bounds else ["measured at one speed"]}
    y = np.array([level["corrected_level_db"] for level in used]) + _in_reference_air_db(runs[names[0]])
    return row | _line(np.array([_speed(runs, name) for name in names]), y, three=index == 2)


def _in_reference_air_db(run: Row) -> float:
    """Power of pressure goes with the square of density at one speed."""
    return float(20.0 * np.log10(REFERENCE_DENSITY_KGM3 / run["air_density_kgm3"]))


def _speed(runs: Mapping[str, Row], name: str) -> float:
    return float(runs[name]["measured_speed_mps"])


def _series(condition: str, position: str, runs: Mapping[str, Row], names: Sequence[str]) -> Row:
    speeds = [_speed(runs, name) for name in names]
    return {
        "condition": condition,
        "session": "april",
        "position": position,
        "yaw_deg": 0.0,
        "lowest_speed_mps": min(speeds, default=None),
        "highest_speed_mps": max(speeds, default=None),
        "runs": list(names),
        "left_out": [],
    }


def _line(speed_mps: np.ndarray[Any, Any], level_db: np.ndarray[Any, Any], *, three: bool) -> Row:
    exponent, level = (float(value) for value in np.polyfit(10.0 * np.log10(speed_mps / REFERENCE_MPS), level_db, 1))
    return {
        "exponent": exponent,
        "standard_error": 0.3,
        "exponent_lower": exponent - 0.6,
        "exponent_upper": exponent + 0.6,
        "degrees_of_freedom": 7 if three else 4,
        "interval_basis": "lack of fit" if three else "scatter about the line",
        "level_at_reference_db": level,
        "fit_rms_db": 0.21,
        "lack_of_fit_p_value": 0.004 if three else None,
        **({"speeds": 3} if three else {}),
    }


def collapse_rows(positions: Sequence[str], runs: Mapping[str, Row], bands: Sequence[Row]) -> list[Row]:
    """Every word, with and without a length; the last position has too few bands."""
    rows = []
    names = sorted({level["run"] for level in bands if runs[level["run"]]["condition"] == "open"})
    for index, position in enumerate(positions):
        row = _series("open", position, runs, names) | {"bands": 18, "lowest_band_hz": 100.0, "highest_band_hz": 5000.0}
        if index == len(positions) - 1:
            rows.append(row | {"bands": 3, "left_out": ["only 3 bands have levels at two speeds"]})
            continue
        better = ("strouhal", "frequency", "not shown")[index % 3]
        for name, exponent, scatter in (("strouhal", 5.0, 0.31), ("frequency", 6.0, 1.24)):
            row |= {
                f"{name}_exponent": exponent,
                f"{name}_standard_error": 0.2,
                f"{name}_exponent_lower": exponent - 0.4,
                f"{name}_exponent_upper": exponent + 0.4,
                f"{name}_scatter_db": scatter,
                f"{name}_degrees_of_freedom": 20,
            }
        length = {"length_m": 0.008, "length_source": "scaling.length_m", "peak_strouhal": 0.36} if index else {}
        rows.append(
            row | {"better": better, "p_value": 0.001, "peak_per_m": 45.0, "speeds": 2, "level_count": 36, **length}
        )
    return rows
