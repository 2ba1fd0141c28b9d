"""The levels of one condition, session and yaw at all its speeds, with what is left out of a fit over speed and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics import background
from tapeline.arrays import Reals
from tapeline.jobs.levels.level_array import LevelArray
from tapeline.jobs.levels.run_conditions import achieved_speed_mps, density_kgm3
from tapeline.jobs.scale import ScaleNeeds, ScaleRun
from tapeline.limits import EXPONENT_SPEED_RATIO, LEVEL_LEAST_UNCERTAINTY_DB
from tapeline.quality.use_of_levels import less_along_first
from tapeline.statistics.repeat_pools import CellKey, RepeatPools, rows_of
from tapeline.statistics.repeat_scatter import Scatter
from tapeline.statistics.uncertainty_terms import BACKGROUND, RANDOM_ERROR, SPEED, TERMS_SHOWN_BY_REPEATS
from tapeline.store.tables_of_levels import SIZE_LIMITED

USED, UNUSABLE, NO_LEVEL, BOUND, OTHER_BANDS, IN_DOUBT, LESS_TAKEN_OFF, TONAL = range(8)
WORDS = {
    UNUSABLE: ("unusable", "unusable"),
    NO_LEVEL: ("without a level", "without a level"),
    BOUND: ("bound", "bounds"),
    OTHER_BANDS: ("summed over other bands", "summed over other bands"),
    IN_DOUBT: ("in doubt", "in doubt"),
    LESS_TAKEN_OFF: ("with less background taken off", "with less background taken off"),
    TONAL: ("tonal", "tonal"),
}
"""Why a level is left out, for one and for several."""

ONE_SPEED = "measured at one speed"
NEAR_SPEEDS = f"measured at speeds less than {100.0 * (EXPONENT_SPEED_RATIO - 1.0):.0f} % apart"


@dataclass(frozen=True)
class ScaledLevels:
    """Levels in air of the reference density, (runs, positions, items), NaN where left out as `why` says.

    `own_db` is what each level has by itself, `shared_db` what those of one nominal speed have in common; `speed_mps`
    (runs,) are the achieved speeds, `nominal_mps` the nominal ones. `run_db` and `gauge_db` (runs,) are the parts of
    both that all bands of a run share. `size_db` is what the sensor's size took off each level, NaN where that is not
    known or more than is corrected; `size_limited` says the latter.
    """

    condition: str
    session: str
    yaw_deg: float
    runs: tuple[str, ...]
    speed_mps: Reals
    nominal_mps: Reals
    level_db: Reals
    own_db: Reals
    shared_db: Reals
    run_db: Reals
    gauge_db: Reals
    why: NDArray[np.int8]
    size_db: Reals
    size_limited: NDArray[np.bool_]

    @property
    def too_near(self) -> str | None:
        """Why no exponent can be had of these runs at all, None where their speeds are far enough apart."""
        if self.nominal_mps.max() > EXPONENT_SPEED_RATIO * self.nominal_mps.min():
            return None
        return ONE_SPEED if np.unique(self.nominal_mps).size == 1 else NEAR_SPEEDS

    @property
    def point(self) -> NDArray[np.intp]:
        """The nominal speeds by number, (runs,)."""
        return np.unique(self.nominal_mps, return_inverse=True)[1]

    def left_out(self, p: int, items: list[int]) -> list[str]:
        """How many levels of a position are left out for which reason, as texts."""
        why = self.why[:, p, items]
        counts = {code: int((why == code).sum()) for code in WORDS}
        words = [f"{count} {WORDS[code][count > 1]}" for code, count in counts.items() if count]
        return [self.too_near, *words] if self.too_near else words


def scaled_levels(cube: LevelArray, needs: ScaleNeeds, tonal: dict[str, NDArray[np.bool_]]) -> Iterator[ScaledLevels]:
    """All conditions, sessions and yaw angles; `tonal` by session."""
    groups: dict[tuple[str, str, float], list[ScaleRun]] = {}
    for item in needs.runs:
        groups.setdefault((item.condition, item.session, item.yaw_deg), []).append(item)
    pools = _scatter(cube, needs)
    for (_, session, _), runs in sorted(groups.items()):
        if session in tonal:
            yield _of_group(cube, needs, runs, tonal[session], pools.of_session(session))


def far_apart(nominal_mps: Reals, used: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether the speeds of what is used, (runs, ...), are far enough apart, (...)."""
    speeds = nominal_mps.reshape(-1, *(1 for _ in used.shape[1:]))
    highest = np.where(used, speeds, 0.0).max(axis=0)
    return np.asarray(highest > EXPONENT_SPEED_RATIO * np.where(used, speeds, np.inf).min(axis=0))


def _nominal(item: ScaleRun) -> float:
    return item.achieved.nominal_mps or 0.0


def _scatter(cube: LevelArray, needs: ScaleNeeds) -> RepeatPools:
    """Run-to-run variance beyond random error, from all conditions and operating points of a session."""
    repeats: dict[CellKey, list[str]] = {}
    for item in needs.runs:
        if item.run in cube.runs:
            key = (item.session, item.condition, (_nominal(item), item.yaw_deg))
            repeats.setdefault(key, []).append(item.run)
    rows = {key: rows_of(cube.pooled_levels(runs)) for key, runs in sorted(repeats.items())}
    return RepeatPools(rows, cube.near_items, (len(cube.positions), len(cube.items)), pooled=True)


def _of_group(
    cube: LevelArray, needs: ScaleNeeds, runs: list[ScaleRun], tonal: NDArray[np.bool_], scatter: Scatter
) -> ScaledLevels:
    first = runs[0]
    place = {name: i for i, name in enumerate(cube.runs)}
    there = np.array([item.run in place for item in runs], dtype=bool)
    index = [place.get(item.run, 0) for item in runs]
    absent = ~there[:, None, None]
    values = {name: np.where(absent, np.nan, array[index]) for name, array in cube.values.items()}
    density = np.array([density_kgm3(item.achieved) for item in runs])
    thinner_db = 20.0 * np.log10(density / needs.reference_density_kgm3)[:, None, None]
    nominal = np.array([_nominal(item) for item in runs])
    why = _why(cube, index, there, values["corrected_level_db"], tonal[index] & ~absent, nominal)
    random, speed, background_db, own_background_db = (
        np.nan_to_num(values[column])
        for column in (
            RANDOM_ERROR.uncertainty_column,
            SPEED.uncertainty_column,
            BACKGROUND.uncertainty_column,
            BACKGROUND.scatter_column,
        )
    )
    of_each_level, of_each_run = (
        sum(
            np.nan_to_num(values[term.uncertainty_column]) ** 2
            for term in TERMS_SHOWN_BY_REPEATS
            if term.averages == how
        )
        for how in ("always", "in differences")
    )
    repeated = scatter.degrees_of_freedom > 0
    # What repeats show holds how steady the runs were and how their backgrounds scatter.
    run_to_run = np.where(
        repeated, np.maximum(scatter.excess, own_background_db**2), of_each_level + own_background_db**2
    )
    own = np.sqrt(random**2 + run_to_run)
    shared = np.sqrt(np.maximum(background_db**2 - own_background_db**2, 0.0) + of_each_run)
    bands = [i for i, item in enumerate(cube.items) if item.quantity == "band"]
    used = why == USED
    return ScaledLevels(
        condition=first.condition,
        session=first.session,
        yaw_deg=first.yaw_deg,
        runs=tuple(item.run for item in runs),
        speed_mps=np.array([achieved_speed_mps(item.achieved, _nominal(item)) for item in runs]),
        nominal_mps=nominal,
        level_db=np.where(used, values["corrected_level_db"] - thinner_db, np.nan),
        own_db=np.maximum(own, LEVEL_LEAST_UNCERTAINTY_DB),
        shared_db=shared,
        run_db=np.sqrt(_mean(run_to_run[:, :, bands], used[:, :, bands])),
        gauge_db=np.sqrt(_mean(speed[:, :, bands] ** 2, used[:, :, bands])),
        why=why,
        size_db=values["size_correction_db"],
        size_limited=there[:, None, None] & _marked(cube, SIZE_LIMITED)[index],
    )


def _marked(cube: LevelArray, mark: str) -> NDArray[np.bool_]:
    """Where a level has a mark, (runs, positions, items)."""
    return np.asarray(np.frompyfunc(lambda marks: mark in marks, 1, 1)(cube.marks), dtype=bool)


def _why(
    cube: LevelArray,
    index: list[int],
    there: NDArray[np.bool_],
    level_db: Reals,
    tonal: NDArray[np.bool_],
    speed: Reals,
) -> NDArray[np.int8]:
    """Levels in doubt are used only where those that are not do not lie far enough apart in speed."""
    here = there[:, None, None]
    state = np.where(here, cube.state[index], -1)
    usable, pooled, comparable = (flags[index] & here for flags in (cube.usable, cube.pooled, cube.comparable))
    level = usable & np.isfinite(level_db)
    allowed = level & np.where(far_apart(speed, level & pooled), pooled, comparable)
    less = less_along_first(cube.background_source[index], allowed, state >= background.CORRECTED)
    cases = [
        (~usable, UNUSABLE),
        (state == background.BOUND, BOUND),
        (~np.isfinite(level_db), NO_LEVEL),
        (_other_bands(cube, index, level), OTHER_BANDS),
        (~allowed & cube.doubted[index], IN_DOUBT),
        (~allowed | less, LESS_TAKEN_OFF),
        (tonal, TONAL),
    ]
    return np.select([case for case, _ in cases], [code for _, code in cases], USED).astype(np.int8)


def _other_bands(cube: LevelArray, index: list[int], level: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Overall levels that do not sum over the bands of most runs; of equally frequent ranges the widest counts."""
    others = np.zeros(level.shape, dtype=bool)
    summed = [each[index] for each in cube.summed]
    for i in (i for i, item in enumerate(cube.items) if item.quantity == "overall"):
        for p in np.flatnonzero(level[:, :, i].any(axis=0)):
            edges = list(zip(*(each[:, p, i].tolist() for each in summed), strict=True))
            known = Counter(each for each, there in zip(edges, level[:, p, i], strict=True) if there)
            usual = max(known, key=lambda each: (known[each], each[1] / each[0]))
            others[:, p, i] = [each != usual for each in edges]
    return others


def _mean(squares: Reals, used: NDArray[np.bool_]) -> Reals:
    """Mean over positions and bands of what is used, (runs,)."""
    count = used.sum(axis=(1, 2))
    return np.asarray(np.where(used, squares, 0.0).sum(axis=(1, 2)) / np.maximum(count, 1))
