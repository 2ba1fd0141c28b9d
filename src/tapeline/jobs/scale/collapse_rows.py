"""Rows of the collapse table: band spectra of several speeds over Strouhal number and over frequency."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.speed_exponent import speed_decibels
from tapeline.acoustics.strouhal_collapse import Collapse, Shared, collapse
from tapeline.arrays import Reals
from tapeline.jobs.levels.inherited_doubt import inherited_doubt
from tapeline.jobs.levels.level_array import LevelArray
from tapeline.jobs.scale import ScaleNeeds
from tapeline.jobs.scale.scaled_levels import USED, ScaledLevels, far_apart
from tapeline.jobs.scale.scaling_rows import SENSOR_SIZE, ends_of_speed
from tapeline.limits import SIZE_SPREAD_DB
from tapeline.store.tables_of_levels import SIZE_LIMITED

if TYPE_CHECKING:
    from tapeline.store.rows import CollapseRow


def collapse_rows(
    cube: LevelArray, needs: ScaleNeeds, found: ScaledLevels, reference_mps: float
) -> Iterator[CollapseRow]:
    """One row a position with a band level or bound in any run."""
    lengths = {length.position: length for length in needs.lengths}
    bands = [i for i, item in enumerate(cube.items) if item.quantity == "band"]
    index = [cube.runs.index(name) for name in found.runs if name in cube.runs]
    midband = np.array([cube.items[i].midband_hz for i in bands], dtype=np.float64)
    nominal = np.array([cube.items[i].band_hz for i in bands], dtype=np.float64)
    x_db = speed_decibels(found.speed_mps, reference_mps)
    for p, position in enumerate(cube.positions):
        if position in needs.references or not (cube.state[index, p][:, bands] >= 0).any():
            continue
        used = found.why[:, p, bands] == USED
        shared_bands = far_apart(found.nominal_mps, used)
        used &= shared_bands
        in_it = used.any(axis=1)
        levels = np.where(used, found.level_db[:, p, bands], np.nan)[:, shared_bands]
        enough = int(shared_bands.sum()) >= needs.scaling.least_bands
        result = (
            collapse(levels, _shared(found), x_db, found.speed_mps, midband[shared_bands], needs.confidence)
            if enough
            else None
        )
        length = lengths.get(position)
        left_out = found.left_out(p, bands)
        if not enough:
            count = int(shared_bands.sum())
            left_out.append(f"only {count} band{' has' if count == 1 else 's have'} levels at two speeds")
        elif result is None:
            left_out.append("too few levels for a curve")
        runs = [name for name, each in zip(found.runs, in_it, strict=True) if each]
        doubt = sorted(
            {words for i, each in zip(bands, used.T, strict=True) for words in _doubt(cube, found, each, p, i)}
        )
        doubt += _of_size(found, p, bands, used, nominal)
        yield {
            "condition": found.condition,
            "session": found.session,
            "position": position,
            "yaw_deg": found.yaw_deg,
            "length_m": length.length_m if length else None,
            "length_source": length.source if length else None,
            "bands": int(shared_bands.sum()),
            "lowest_band_hz": float(nominal[shared_bands].min()) if shared_bands.any() else None,
            "highest_band_hz": float(nominal[shared_bands].max()) if shared_bands.any() else None,
            "speeds": len(set(found.nominal_mps[in_it].tolist())),
            "level_count": int(used.sum()),
            **ends_of_speed(found, in_it),
            "runs": runs,
            "doubtful": bool(doubt),
            "doubt": doubt,
            "left_out": left_out,
            **(_columns(result, length.length_m if length else None) if result else {}),
        }


def _doubt(cube: LevelArray, found: ScaledLevels, used: NDArray[np.bool_], p: int, i: int) -> list[str]:
    return inherited_doubt(cube, [name for name, each in zip(found.runs, used, strict=True) if each], p, i)


def _of_size(found: ScaledLevels, p: int, bands: list[int], used: NDArray[np.bool_], nominal: Reals) -> list[str]:
    """What the sensor's size makes of spectra of several speeds: at one frequency more is missing at the lower one."""
    limited = found.size_limited[:, p, bands] & used
    if limited.any():
        return [f"{SIZE_LIMITED}: {', '.join(f'{hz:g}' for hz in nominal[limited.any(axis=0)])} Hz"]
    size = np.where(used & np.isfinite(found.size_db[:, p, bands]), found.size_db[:, p, bands], 0.0)
    least = np.where(used, size, np.inf).min(axis=0, initial=np.inf)
    spread = np.where(used.any(axis=0), size.max(axis=0, initial=0.0) - least, 0.0)
    worst = int(spread.argmax())
    return [f"{SENSOR_SIZE}: {spread[worst]:.1f} dB at {nominal[worst]:g} Hz"] if spread[worst] > SIZE_SPREAD_DB else []


def _shared(found: ScaledLevels) -> tuple[Shared, Shared]:
    """What all bands of a run have in common, and what those of one nominal speed have."""
    point = found.point
    gauge = np.array([found.gauge_db[point == each].max() for each in range(int(point.max()) + 1)])
    return (np.arange(point.size), found.run_db), (point, gauge)


def _columns(found: Collapse, length_m: float | None) -> CollapseRow:
    moving, fixed, peak = found.moving, found.fixed, found.moving.peak
    return {
        "strouhal_exponent": moving.exponent,
        "strouhal_standard_error": moving.standard_error,
        "strouhal_exponent_lower": moving.lower,
        "strouhal_exponent_upper": moving.upper,
        "strouhal_scatter_db": moving.scatter_db,
        "strouhal_degrees_of_freedom": moving.degrees_of_freedom,
        "frequency_exponent": fixed.exponent,
        "frequency_standard_error": fixed.standard_error,
        "frequency_exponent_lower": fixed.lower,
        "frequency_exponent_upper": fixed.upper,
        "frequency_scatter_db": fixed.scatter_db,
        "frequency_degrees_of_freedom": fixed.degrees_of_freedom,
        "better": found.better,
        "p_value": found.p_value,
        "peak_per_m": peak,
        "peak_strouhal": None if peak is None or length_m is None else peak * length_m,
    }
