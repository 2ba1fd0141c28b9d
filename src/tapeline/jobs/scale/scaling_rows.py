"""Rows of the scaling table: the exponent of speed of every band and overall level."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.speed_exponent import SpeedFit, speed_decibels, speed_fit
from tapeline.arrays import Flags, Reals
from tapeline.jobs.cell_values import finite_or_none
from tapeline.jobs.compare.item_columns import item_columns
from tapeline.jobs.levels.inherited_doubt import inherited_doubt
from tapeline.jobs.levels.level_array import LevelArray
from tapeline.jobs.scale import ScaleNeeds
from tapeline.jobs.scale.scaled_levels import USED, ScaledLevels, far_apart
from tapeline.store.tables_of_levels import SIZE_LIMITED

if TYPE_CHECKING:
    from tapeline.store.rows import DoubtColumns, RangeOfSpeedColumns, ScalingRow

SENSOR_SIZE = "sensor-size"
"""The doubt of an exponent that a correction for the size of the sensor moves out of its interval."""

BASES = ("stated uncertainty", "scatter about the line", "lack of fit")


def scaling_rows(
    cube: LevelArray, needs: ScaleNeeds, found: ScaledLevels, reference_mps: float
) -> Iterator[ScalingRow]:
    """One row a position and item that has a level or a bound in any run.

    Of what was measured at one speed the overall levels alone: as many rows as there are bands would say the same.
    """
    x_db = speed_decibels(found.speed_mps, reference_mps)
    fits = far_apart(found.nominal_mps, found.why == USED)
    index = [cube.runs.index(name) for name in found.runs if name in cube.runs]
    something = np.asarray((cube.state[index] >= 0).any(axis=0))
    for p, position in enumerate(cube.positions):
        if position in needs.references or not something[p].any():
            continue
        level, own, shared = found.level_db[:, p], found.own_db[:, p], found.shared_db[:, p]
        fit = speed_fit(level, own, shared, x_db, found.point, needs.confidence)
        resized = _exponent_of_points(found, p, own, shared, x_db, needs.confidence)
        for i, item in enumerate(cube.items):
            if not something[p, i] or (found.too_near and item.quantity != "overall"):
                continue
            used = found.why[:, p, i] == USED
            runs = [name for name, each in zip(found.runs, used, strict=True) if each]
            yield {
                "condition": found.condition,
                "session": found.session,
                "position": position,
                "yaw_deg": found.yaw_deg,
                **item_columns(item),
                "midband_hz": item.midband_hz,
                "reference_speed_mps": reference_mps,
                "speeds": len(set(found.nominal_mps[used].tolist())),
                "level_count": int(used.sum()),
                **ends_of_speed(found, used),
                "runs": runs,
                **_doubts(cube, found, runs, used, p, i, fit, resized[i]),
                "size_corrected_exponent": finite_or_none(resized[i]) if fits[p, i] else None,
                "left_out": found.left_out(p, [i]),
                **(_columns(fit, i) if fits[p, i] else {}),
            }


def _exponent_of_points(
    found: ScaledLevels, p: int, own: Reals, shared: Reals, x_db: Reals, confidence: float
) -> Reals:
    """Exponents (items,) with what the sensor's size took off added to every level, NaN where that is not known."""
    level, size = found.level_db[:, p], found.size_db[:, p]
    unknown = (np.isfinite(level) & ~np.isfinite(size)).any(axis=0)
    if unknown.all():
        return np.full(unknown.shape, np.nan)
    return np.where(unknown, np.nan, speed_fit(level + size, own, shared, x_db, found.point, confidence).exponent)


def _doubts(
    cube: LevelArray,
    found: ScaledLevels,
    runs: list[str],
    used: Flags,
    p: int,
    i: int,
    fit: SpeedFit,
    size_corrected: float,
) -> DoubtColumns:
    """What makes an exponent doubtful: what its levels inherit, and sizes of sensors that bend it.

    A correction that moves it within its own interval is in the columns alone.
    """
    doubt = inherited_doubt(cube, runs, p, i)
    limited = [name for name, each in zip(found.runs, used & found.size_limited[:, p, i], strict=True) if each]
    if limited:
        doubt.append(f"{SIZE_LIMITED}: {', '.join(limited)}")
    elif size_corrected < fit.lower[i] or size_corrected > fit.upper[i]:
        doubt.append(f"{SENSOR_SIZE}: {size_corrected - fit.exponent[i]:+.1f} on the exponent")
    return {"doubtful": bool(doubt), "doubt": doubt}


def ends_of_speed(found: ScaledLevels, used: Flags) -> RangeOfSpeedColumns:
    """Lowest and highest achieved speed of the runs that are used."""
    speeds = found.speed_mps[used]
    if not speeds.size:
        return {}
    return {"lowest_speed_mps": float(speeds.min()), "highest_speed_mps": float(speeds.max())}


def _columns(fit: SpeedFit, s: int) -> ScalingRow:
    return {
        "exponent": finite_or_none(fit.exponent[s]),
        "standard_error": finite_or_none(fit.standard_error[s]),
        "exponent_lower": finite_or_none(fit.lower[s]),
        "exponent_upper": finite_or_none(fit.upper[s]),
        "degrees_of_freedom": int(fit.degrees_of_freedom[s]),
        "interval_basis": BASES[fit.basis[s]],
        "level_at_reference_db": finite_or_none(fit.level_db[s]),
        "level_at_reference_error_db": finite_or_none(fit.level_error_db[s]),
        "fit_rms_db": finite_or_none(fit.rms_db[s]),
        "lack_of_fit_p_value": finite_or_none(fit.lack_of_fit_p_value[s]),
    }
