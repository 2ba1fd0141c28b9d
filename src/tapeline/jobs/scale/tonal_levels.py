"""Which levels a tone dominates, from the narrowband spectra of one session."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from tapeline.acoustics.tonal_bands import prominent_lines
from tapeline.acoustics.weightings import Weighting, power_weights
from tapeline.arrays import Reals
from tapeline.jobs.levels.level_array import Item, LevelArray
from tapeline.jobs.scale import ScaleNeeds
from tapeline.jobs.table_files import session_table
from tapeline.limits import NOMINAL_MIDBAND_RATIO
from tapeline.store import parquet

ROWS = 256
"""Spectra in memory at a time: 4 MB at 4,097 lines."""


@dataclass(frozen=True)
class Spectra:
    """Some spectra on one grid, and their places (runs, positions) in the cube."""

    run: NDArray[np.intp]
    position: NDArray[np.intp]
    psd: NDArray[np.float32]
    first_hz: float
    step_hz: float


def tonal_levels(results: Path, session: str, cube: LevelArray, needs: ScaleNeeds) -> NDArray[np.bool_]:
    """Where a level of one session is left out as tonal, (runs, positions, items).

    A band: its largest line stands `tonal_above_db` above the median line and adds `tonal_share` of the band's power.
    An overall level: such lines of its bands together add that share of its own power.
    """
    settings = needs.scaling
    tonal = np.zeros(cube.state.shape, dtype=bool)
    bands = [i for i, item in enumerate(cube.items) if item.quantity == "band"]
    if not bands:
        return tonal
    lower, upper = (np.array([getattr(cube.items[i], name) for i in bands]) for name in ("lower_hz", "upper_hz"))
    sums = [(i, _weights(item, [cube.items[b] for b in bands])) for i, item in enumerate(cube.items) if i not in bands]
    power = needs.reference_pressure_pa**2 * 10.0 ** (cube.values["corrected_level_db"] / 10.0)
    for each in _spectra(session_table(results, "narrowband", session), cube):
        found = prominent_lines(each.psd, each.first_hz, each.step_hz, lower, upper)
        with np.errstate(invalid="ignore"):
            stands_out = found.above_db >= settings.tonal_above_db
            dominated = stands_out & (found.added_pa2 >= settings.tonal_share * found.power_pa2)
        tonal[each.run[:, None], each.position[:, None], bands] = dominated
        # A band without a level is in no sum, and neither is its tone.
        known = np.isfinite(power[each.run[:, None], each.position[:, None], bands])
        known |= np.isfinite(cube.values["upper_bound_db"][each.run[:, None], each.position[:, None], bands])
        added = np.where(stands_out & known, found.added_pa2, 0.0)
        for i, weight in sums:
            with np.errstate(invalid="ignore"):
                share = (added @ weight) / power[each.run, each.position, i]
                tonal[each.run, each.position, i] = share >= settings.tonal_share
    return tonal


def _weights(overall: Item, bands: list[Item]) -> Reals:
    """What each band's power counts in an overall level, (bands,)."""
    midband = np.array([band.midband_hz for band in bands], dtype=np.float64)
    inside = (midband >= overall.lower_hz / NOMINAL_MIDBAND_RATIO) & (
        midband <= overall.upper_hz * NOMINAL_MIDBAND_RATIO
    )
    weighting = cast(Weighting, overall.weighting)
    return np.where(inside, power_weights(weighting, midband), 0.0)


def _spectra(path: Path, cube: LevelArray) -> Iterator[Spectra]:
    run_place, position_place = ({name: i for i, name in enumerate(names)} for names in (cube.runs, cube.positions))
    columns = ("run", "position", "first_hz", "step_hz", "psd_pa2_per_hz")
    for batch in parquet.read_batches(path, columns, ROWS):
        kept = [
            k
            for k, names in enumerate(zip(batch["run"].to_pylist(), batch["position"].to_pylist(), strict=True))
            if names[0] in run_place and names[1] in position_place
        ]
        grids: dict[tuple[float, float, int], list[int]] = {}
        for k in kept:
            grid = (batch["first_hz"][k].as_py(), batch["step_hz"][k].as_py(), len(batch["psd_pa2_per_hz"][k]))
            grids.setdefault(grid, []).append(k)
        for (first, step, lines), rows in grids.items():
            if not lines:
                continue
            part = batch.take(pa.array(rows))
            yield Spectra(
                run=np.array([run_place[name] for name in part["run"].to_pylist()]),
                position=np.array([position_place[name] for name in part["position"].to_pylist()]),
                psd=part["psd_pa2_per_hz"].flatten().to_numpy(zero_copy_only=False).reshape(len(rows), lines),
                first_hz=first,
                step_hz=step,
            )
