"""The columns that say what a row is about: band or overall level, operating point, sessions."""

from __future__ import annotations

from typing import Any

from tapeline.jobs.levels.level_cube import Item
from tapeline.jobs.levels.repeat_pools import Point


def item_columns(item: Item) -> dict[str, Any]:
    """Quantity, weighting and frequencies of a band or overall level."""
    return {
        "quantity": item.quantity,
        "weighting": item.weighting,
        "band_hz": item.band_hz,
        "lower_hz": item.lower_hz,
        "upper_hz": item.upper_hz,
    }


def point_columns(point: Point) -> dict[str, Any]:
    """Speed and yaw of an operating point."""
    return {"speed_mps": point[0], "yaw_deg": point[1]}


def sessions_columns(first: str, second: str) -> dict[str, Any]:
    """The sessions of reference and treatment, apart and as one text."""
    together = first if first == second else f"{first} + {second}"
    return {"sessions": together, "reference_session": first, "treatment_session": second}
