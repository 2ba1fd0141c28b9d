"""The columns that say what a row is about: band or overall level, operating point, sessions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tapeline.jobs.levels.level_array import Item
from tapeline.statistics.repeat_pools import Point

if TYPE_CHECKING:
    from tapeline.store.rows import ItemColumns, PointColumns, SidesColumns


def item_columns(item: Item) -> ItemColumns:
    """Quantity, weighting and frequencies of a band, or of an overall level with its range."""
    columns: ItemColumns = {"quantity": item.quantity, "weighting": item.weighting, "band_hz": item.band_hz}
    if item.quantity == "band":
        return columns | {"lower_hz": item.lower_hz, "upper_hz": item.upper_hz}
    return columns | {"lowest_band_hz": item.lower_hz, "highest_band_hz": item.upper_hz}


def point_columns(point: Point) -> PointColumns:
    """Speed and yaw of an operating point."""
    return {"speed_mps": point[0], "yaw_deg": point[1]}


def sessions_columns(first: str, second: str) -> SidesColumns:
    """The sessions of reference and treatment, apart and as one text."""
    together = first if first == second else f"{first} + {second}"
    return {"session_label": together, "reference_session": first, "treatment_session": second}
