"""What both conditions of a comparison have: bands that both have levels in, overall levels over the same bands."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tapeline.arrays import Flags
from tapeline.campaign.faults import listed
from tapeline.jobs.levels.level_array import LevelArray


def same_edges(cube: LevelArray, reference: Sequence[str], treatment: Sequence[str]) -> Flags:
    """Where all levels of both sets of runs cover the same bands, shape (positions, items); bands always do."""
    index = [cube.runs.index(name) for name in (*reference, *treatment)]
    if not index:
        return np.ones(cube.state.shape[1:], dtype=bool)
    alike = np.ones(cube.state.shape[1:], dtype=bool)
    for edges in (each[index] for each in cube.summed):
        known = np.isfinite(edges) & cube.usable[index]
        low = np.where(known, edges, np.inf).min(axis=0)
        high = np.where(known, edges, -np.inf).max(axis=0)
        alike &= ~(high > low)
    return alike


def common_part(
    cube: LevelArray, reference: Sequence[str], treatment: Sequence[str], alike: Flags, position: int
) -> str | None:
    """A sentence on what is compared at one position, None where both conditions have all of it."""
    first, second = _has_levels(cube, reference, position), _has_levels(cube, treatment, position)
    bands = np.array([item.quantity == "band" for item in cube.items])
    both = first & second
    alone = {"reference": bands & first & ~second, "treatment": bands & second & ~first}
    words = [f"the {name} alone has {_bands(cube, which)}" for name, which in alone.items() if which.any()]
    if words:
        words.insert(0, f"compared: {_bands(cube, bands & both)}")
    words += [
        f"the overall level {item.weighting} {item.lower_hz:g} to {item.upper_hz:g} Hz does not cover the same "
        "bands in all runs and is not compared"
        for i, item in enumerate(cube.items)
        if item.quantity == "overall" and both[i] and not alike[position, i]
    ]
    words += [
        f"the overall level {item.weighting} {item.lower_hz:g} to {item.upper_hz:g} Hz sums {edges}"
        for i, item in enumerate(cube.items)
        if both[i] and alike[position, i] and (edges := _narrower(cube, [*reference, *treatment], position, i))
    ]
    return "; ".join(words) or None


def _narrower(cube: LevelArray, runs: Sequence[str], position: int, item: int) -> str:
    """Range in words of an overall level that sums less than was asked for; empty where it sums all of it."""
    for name in runs:
        place = (cube.runs.index(name), position, item)
        if cube.usable[place] and cube.narrower[place]:
            lower, upper = cube.lower_hz[place], cube.upper_hz[place]
            absent = () if cube.absent is None else cube.absent_sets[int(cube.absent[place])]
            inside = [f"{band:g}" for band in absent if lower < band < upper]
            lacking = f", without the bands at {listed(inside, 6)} Hz" if inside else ""
            return f"{lower:.0f} to {upper:.0f} Hz alone{lacking}"
    return ""


def _has_levels(cube: LevelArray, runs: Sequence[str], position: int) -> Flags:
    """Which items have a level or a bound in any run."""
    return np.asarray(cube.usable[cube.places(runs), position].any(axis=0))


def _bands(cube: LevelArray, which: Flags) -> str:
    """The chosen bands as ranges of nominal frequencies: runs of neighbours among all bands there are."""
    ranges: list[list[float]] = []
    before = False
    for item, chosen in zip(cube.items, which, strict=True):
        if item.band_hz is None:
            continue
        if chosen and before:
            ranges[-1][1] = item.band_hz
        elif chosen:
            ranges.append([item.band_hz, item.band_hz])
        before = bool(chosen)
    if not ranges:
        return "no band"
    return "bands " + " and ".join(f"{a:g} Hz" if a == b else f"{a:g} to {b:g} Hz" for a, b in ranges)
