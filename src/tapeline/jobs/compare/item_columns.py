"""The columns that say what a row is about: band or overall level, operating point, sessions."""

from __future__ import annotations

from typing import Any

from tapeline.jobs.levels.level_array import Item
from tapeline.jobs.levels.repeat_pools import Point


def item_columns(item: Item) -> dict[str, Any]:
    """Quantity, weighting and frequencies of a band or overall level."""
    return {
        "quantity": item.quantity,
        "weighting": item.weighting,
        "band_hz": item.band_hz,
        **range_columns(item),
    }


def range_columns(item: Item) -> dict[str, float]:
    """The edges of a band, or the range of an overall level."""
    names = ("lower_hz", "upper_hz") if item.quantity == "band" else ("lowest_band_hz", "highest_band_hz")
    return dict(zip(names, (item.lower_hz, item.upper_hz), strict=True))


def point_columns(point: Point) -> dict[str, Any]:
    """Speed and yaw of an operating point."""
    return {"speed_mps": point[0], "yaw_deg": point[1]}


def sessions_columns(first: str, second: str) -> dict[str, Any]:
    """The sessions of reference and treatment, apart and as one text."""
    together = first if first == second else f"{first} + {second}"
    return {"session_label": together, "reference_session": first, "treatment_session": second}
