"""The list of spots and bands to work on first, from the rows of the comparisons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from tapeline.acoustics.levels import level_db, power_pa2
from tapeline.acoustics.weightings import power_weights
from tapeline.campaign.slices import CompareNeeds

SHOWN = {"lower", "higher", "equivalent"}


def ranking_rows(rows: Sequence[Mapping[str, Any]], needs: CompareNeeds) -> list[dict[str, Any]]:
    """Rows of the ranking table: per comparison the bands of positions by contributed power, largest first.

    The contribution of a band at a position is the mean, over its operating points and sessions, of the opened state's
    power less the other's; weighted at the midband frequency. Where the closed state is a bound the contribution counts
    with its lower end; where the opened state is one, nothing is known to rank.
    """
    areas = dict(needs.areas)
    ranked: list[dict[str, Any]] = []
    for name in needs.comparisons:
        spots: dict[tuple[str, float], list[Mapping[str, Any]]] = {}
        for row in rows:
            if row["comparison"] == name and row["quantity"] == "band" and _has_contribution(row):
                spots.setdefault((row["position"], row["band_hz"]), []).append(row)
        entries = sorted((_entry(spot, found, needs) for spot, found in spots.items()), key=_order)
        total = sum(entry["contribution_pa2"] for entry in entries if entry["contribution_pa2"] > 0.0)
        kept = entries[: needs.ranking.entries]
        for rank, entry in enumerate(kept, start=1):
            above = kept[rank - 2] if rank > 1 else None
            below = kept[rank] if rank < len(kept) else None
            ranked.append(
                entry
                | {
                    "comparison": name,
                    "rank": rank,
                    "area": areas.get(entry["position"]) or None,
                    "share": entry["contribution_pa2"] / total if total > 0.0 else None,
                    "finding": _word(entry, above, below),
                }
            )
    return [{k: v for k, v in entry.items() if not k.startswith("_")} for entry in ranked]


def _entry(spot: tuple[str, float], found: Sequence[Mapping[str, Any]], needs: CompareNeeds) -> dict[str, Any]:
    weight = float(power_weights(needs.ranking.weighting, found[0]["midband_hz"]))
    reference = needs.reference_pressure_pa
    parts = np.array([_powers(row, reference) for row in found]) * weight
    value, low, high = parts.mean(axis=0)
    signs = np.array([1.0 if row["opened"] == row["treatment"] else -1.0 for row in found])
    known = [np.nan if row["difference_db"] is None else row["difference_db"] for row in found]
    rises = signs * np.array(known, dtype=float)
    shown = [bool(row["finding"] in SHOWN and row["adjusted_p_value"] is not None) for row in found]
    real = [s and row["finding"] != "equivalent" and rise > 0 for s, row, rise in zip(shown, found, rises, strict=True)]
    return {
        "position": spot[0],
        "band_hz": spot[1],
        "weighting": needs.ranking.weighting,
        "contribution_db": _level(value, reference),
        "contribution_pa2": float(value),
        "lower_db": _level(low, reference),
        "upper_db": _level(high, reference),
        "difference_db": float(np.nanmean(rises)) if np.isfinite(rises).any() else None,
        "operating_points": len(found),
        "_low": float(low),
        "_high": float(high),
        "_shown": any(real),
    }


def _has_contribution(row: Mapping[str, Any]) -> bool:
    """A difference, or an opened level above a closed one that is only known to lie below a bound."""
    return row["difference_db"] is not None or row["contribution_lower_db"] is not None


def _powers(row: Mapping[str, Any], reference_pa: float) -> tuple[float, float, float]:
    """Contributed power of one row with both ends of its interval, not below zero."""
    ends = (row["contribution_lower_db"], row["contribution_upper_db"])
    low, high = (0.0 if end is None else float(power_pa2(end, reference_pa)) for end in ends)
    levels = (row["reference_level_db"], row["treatment_level_db"])
    opened, closed = levels[::-1] if row["opened"] == row["treatment"] else levels
    if opened is None or closed is None:
        return low, low, max(low, high)
    value = max(0.0, float(power_pa2(opened, reference_pa)) - float(power_pa2(closed, reference_pa)))
    return value, low, max(value, high)


def _level(power: float, reference_pa: float) -> float | None:
    return float(level_db(power, reference_pa)) if power > 0.0 else None


def _order(entry: Mapping[str, Any]) -> tuple[float, str, float]:
    return (-entry["contribution_pa2"], entry["position"], entry["band_hz"])


def _word(entry: Mapping[str, Any], above: Mapping[str, Any] | None, below: Mapping[str, Any] | None) -> str:
    if not entry["_shown"]:
        return "not shown"
    tied = (above is not None and entry["_high"] >= above["_low"] and above["_shown"]) or (
        below is not None and below["_high"] >= entry["_low"] and below["_shown"]
    )
    return "tied" if tied else "shown"
