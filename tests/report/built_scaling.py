"""Exponents of speed and collapses of the invented campaign: shown, weak, doubtful and missing ones."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import product
from typing import Any

Row = dict[str, Any]


def scaling_rows(positions: Sequence[str], weightings: Iterable[str] = ("A", "Z")) -> list[Row]:
    """Overall levels of two conditions: two speeds at most places, three where a line does not fit, one left out."""
    rows = []
    for index, position in enumerate(positions):
        for condition, weighting in product(("open", "sealed"), weightings):
            row = _series(condition, position) | {
                "quantity": "overall",
                "weighting": weighting,
                "lower_hz": 100.0,
                "upper_hz": 5000.0,
                "reference_speed_mps": 32.0,
            }
            if index == 1:
                row |= {"speeds": 1, "levels": 3, "left_out": ["3 bounds", "1 tonal"]}
            else:
                row |= _line(6.04 - 0.1 * index, three=index == 2)
            rows.append(row)
    return rows


def _series(condition: str, position: str) -> Row:
    return {
        "condition": condition,
        "session": "april",
        "position": position,
        "yaw_deg": 0.0,
        "lowest_speed_mps": 100 / 3.6,
        "highest_speed_mps": 140 / 3.6,
        "runs": ["a-open-01", "a-open-11"],
        "left_out": [],
    }


def _line(exponent: float, *, three: bool) -> Row:
    return {
        "exponent": exponent,
        "standard_error": 0.3,
        "exponent_lower": exponent - 0.6,
        "exponent_upper": exponent + 0.6,
        "degrees_of_freedom": 7 if three else 4,
        "interval_basis": "lack of fit" if three else "scatter about the line",
        "level_at_reference_db": 100.0 + exponent,
        "fit_rms_db": 0.21,
        "lack_of_fit_p": 0.004 if three else None,
        "speeds": 3 if three else 2,
        "levels": 9 if three else 6,
    }


def collapse_rows(positions: Sequence[str]) -> list[Row]:
    """Every word, with and without a length; the last position has too few bands."""
    rows = []
    for index, position in enumerate(positions):
        row = _series("open", position) | {"bands": 18, "lowest_band_hz": 100.0, "highest_band_hz": 5000.0}
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
        rows.append(row | {"better": better, "p_value": 0.001, "peak_per_m": 45.0, "speeds": 2, "levels": 36, **length})
    return rows
