"""Polylines that outlines are made of."""

from __future__ import annotations

from typing import TypeAlias

Point: TypeAlias = tuple[float, float]
Polylines: TypeAlias = tuple[tuple[Point, ...], ...]

MOST_POINTS = 20_000
"""Points of one outline: more than any print shows."""
