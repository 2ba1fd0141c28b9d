"""Cubes of levels given by hand, with what they may be used for decided as the tables decide it."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.arrays import Reals
from tapeline.jobs.levels.level_array import LEVELS, Item, LevelArray
from tapeline.quality.use_of_levels import NOT_SUBTRACTED, doubts_level, level_use


def made_cube(
    runs: Sequence[str],
    positions: Sequence[str],
    items: Sequence[Item],
    values: dict[str, Reals],
    state: NDArray[np.int8],
    *,
    cells: Sequence[Hashable] | None = None,
    background_source: NDArray[np.integer] | None = None,
    unusable: NDArray[np.bool_] | None = None,
    doubt: Mapping[tuple[int, int, int], tuple[str, ...]] | None = None,
    lower_hz: Reals | None = None,
    upper_hz: Reals | None = None,
    at_nominal: bool = False,
) -> LevelArray:
    """A cube of one session or more; `cells` says which runs are repeats of each other (none: all of them).

    `unusable` (runs, positions) are channels that are not used, `doubt` why a level is doubtful, by its place.
    """
    shape = state.shape
    off = (
        np.zeros(shape, dtype=np.int8)
        if background_source is None
        else np.broadcast_to(background_source, shape).astype(np.int8)
    )
    bad = np.zeros(shape[:2], dtype=bool) if unusable is None else unusable
    codes = np.frompyfunc(lambda _: (), 1, 1)(np.zeros(shape))
    for place, reasons in (doubt or {}).items():
        codes[place] = reasons
    known = np.any([np.isfinite(values[name]) for name in LEVELS], axis=0)
    each = list(range(len(runs))) if cells is None else [list(dict.fromkeys(cells)).index(cell) for cell in cells]
    number = np.array([0] * len(runs) if cells is None else each)[:, None, None]
    place = np.arange(shape[1] * shape[2]).reshape(shape[1:])[None]
    use = level_use(
        usable=(known & ~bad[:, :, None]).ravel(),
        doubted=np.array([doubts_level(reasons) for reasons in codes.ravel()], dtype=bool),
        only_background=np.array([not doubts_level(set(r) - NOT_SUBTRACTED) for r in codes.ravel()], dtype=bool),
        background_source=off.ravel(),
        subtracted=(state >= background.CORRECTED).ravel(),
        cell=(number * place.size + place).ravel(),
        item=np.broadcast_to(np.arange(shape[2]), shape).ravel(),
    )
    nothing = np.full(shape, np.nan)
    nominal = np.isfinite(values["nominal_correction_db"]) & at_nominal
    brought = {name: values[name] + np.where(nominal, values["nominal_correction_db"], 0.0) for name in LEVELS}
    return LevelArray(
        runs=tuple(runs),
        positions=tuple(positions),
        items=tuple(items),
        values=values | brought,
        lower_hz=nothing if lower_hz is None else lower_hz,
        upper_hz=nothing if upper_hz is None else upper_hz,
        narrower=np.zeros(shape, dtype=bool),
        state=state.astype(np.int8),
        background_source=off,
        usable=use.usable.reshape(shape),
        comparable=use.comparable.reshape(shape),
        pooled=use.pooled.reshape(shape),
        doubt=codes,
        marks=np.frompyfunc(lambda _: (), 1, 1)(np.zeros(shape)),
        nominal=nominal,
    )
