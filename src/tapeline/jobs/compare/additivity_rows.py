"""Rows of the table `additivity`: single treatments against all of them together, by their `applied` lists."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tapeline.acoustics.contribution import MeanLevel, additivity
from tapeline.arrays import Reals
from tapeline.jobs.cell_values import as_reals, finite_or_none, level_or_none
from tapeline.jobs.compare import CompareNeeds, CompareRun
from tapeline.jobs.compare.compared_runs import ComparisonJob, key_of
from tapeline.jobs.compare.item_columns import item_columns, point_columns
from tapeline.jobs.compare.level_means import error_within_session, level_mean
from tapeline.jobs.compare.unlike_background import Side, lacking
from tapeline.jobs.levels.common_part import same_edges
from tapeline.jobs.levels.inherited_doubt import doubt_columns
from tapeline.limits import ADDITIVITY_PARTITIONS
from tapeline.statistics.repeat_pools import Point, RepeatPools
from tapeline.statistics.significance import ADJUSTMENTS, student_factor, student_p_value

if TYPE_CHECKING:
    from tapeline.store.rows import AdditivityRow, DoubtColumns


@dataclass(frozen=True)
class Split:
    """Conditions that take a whole apart: `common` is where all changes are counted from, `single` have one part each.

    `way` says whether the parts are applied or opened one at a time.
    """

    way: str
    common: str
    whole: str
    single: tuple[str, ...]

    @property
    def conditions(self) -> tuple[str, ...]:
        """All of them: the common one, the single ones, the whole."""
        return self.common, *self.single, self.whole


def splits_of(applied: Mapping[str, Sequence[str]]) -> list[Split]:
    """All wholes that other conditions take apart, each into as many parts as possible.

    Applied one at a time: the parts that single conditions add to what `common` has applied do not overlap and together
    are what `whole` adds. Opened one at a time: the same for what they lack.
    """
    sets = {name: frozenset(items) for name, items in sorted(applied.items())}
    found = []
    for low, high in ((a, b) for a in sets for b in sets if sets[a] < sets[b]):
        between = {name: s for name, s in sets.items() if sets[low] < s < sets[high]}
        added = {name: s - sets[low] for name, s in between.items()}
        lacking = {name: sets[high] - s for name, s in between.items()}
        whole = sets[high] - sets[low]
        for way, common, other, parts in (("applied", low, high, added), ("opened", high, low, lacking)):
            smallest_first = sorted(parts.items(), key=lambda part: (len(part[1]), part[0]))
            single = max(itertools.islice(_exact(whole, smallest_first), ADDITIVITY_PARTITIONS), key=len, default=())
            if len(single) >= 2:
                found.append(Split(way, common, other, single))
    return found


def _exact(whole: frozenset[str], parts: list[tuple[str, frozenset[str]]]) -> Iterator[tuple[str, ...]]:
    """Ways to make up `whole` of parts that do not overlap."""
    if not whole:
        yield ()
        return
    # What the fewest parts hold comes first: a piece that none holds ends the search at once.
    held = {piece: sum(piece in part and part <= whole for _, part in parts) for piece in whole}
    first = min(whole, key=lambda piece: (held[piece], piece))
    for name, part in parts:
        if first in part and part <= whole:
            for rest in _exact(whole - part, parts):
                yield (name, *rest)


def additivity_rows(job: ComparisonJob, pools: RepeatPools) -> list[AdditivityRow]:
    """One row a session, split, operating point, position and band or overall level with values of all conditions.

    A whole is taken apart by the conditions that were measured in the session at the operating point. Interactions are
    adjusted over all bands of the table, and apart from them over all overall levels.
    """
    return _adjusted(list(_every_row(job, pools)), job.needs)


def _adjusted(rows: Sequence[AdditivityRow], needs: CompareNeeds) -> list[AdditivityRow]:
    """The rows with adjusted p-values; what is then not beyond chance is no interaction."""
    found: list[AdditivityRow] = []
    for quantity in ("band", "overall"):
        part = [row for row in rows if row["quantity"] == quantity]
        p = as_reals(row["p_value"] for row in part)
        adjusted = ADJUSTMENTS[needs.compare.adjustment](p)
        for row, value in zip(part, adjusted, strict=True):
            chance = row["finding"] == "interaction" and not value <= 1.0 - needs.confidence
            found.append(
                {
                    **row,
                    "adjusted_p_value": finite_or_none(value),
                    "family_size": int(np.count_nonzero(np.isfinite(p))),
                    "finding": "not shown" if chance else row["finding"],
                }
            )
    return found


def _every_row(job: ComparisonJob, pools: RepeatPools) -> Iterator[AdditivityRow]:
    cells: dict[tuple[str, Point], dict[str, tuple[CompareRun, ...]]] = {}
    for (session, condition, point), runs in job.cells.items():
        if job.known(runs) and condition in job.needs.applied:
            cells.setdefault((session, point), {})[condition] = runs
    splits: dict[tuple[str, ...], list[Split]] = {}
    for (session, point), at in cells.items():
        measured = tuple(at)
        if measured not in splits:
            splits[measured] = splits_of({name: job.needs.applied[name] for name in measured})
        wanted = {name for split in splits[measured] for name in split.conditions}
        levels = {name: own_mean_level(job, at[name], pools) for name in sorted(wanted)}
        for split in splits[measured]:
            runs_of_all = [name for condition in split.conditions for name in job.known(at[condition])]
            common: AdditivityRow = {
                "session": session,
                **_split_columns(split),
                **point_columns(point),
                "runs": runs_of_all,
            }
            sides = [job.used(at[condition]) for condition in split.conditions]
            for row in split_rows(job, [levels[name] for name in split.conditions], runs_of_all, sides):
                yield {**common, **row}


def _split_columns(split: Split) -> AdditivityRow:
    return {"way": split.way, "common": split.common, "whole": split.whole, "single": list(split.single)}


def split_rows(
    job: ComparisonJob, levels: Sequence[tuple[MeanLevel, Reals]], runs: Sequence[str], sides: Sequence[Side]
) -> Iterator[AdditivityRow]:
    """The columns of each position and item; levels and `sides` stand as `Split.conditions` does.

    Where less background was subtracted from one condition than from another, and it matters, nothing is summed.
    """
    alike = same_edges(job.cube, runs, ())
    for one, other in itertools.combinations(sides, 2):
        lacks = lacking(job.cube, one, other, job.limits.no_correction_above_db)
        alike = alike & ~lacks[0] & ~lacks[1]
    in_doubt = job.any_used(sides, job.in_doubt_within_session)
    means = [replace(mean, level_db=np.where(alike, mean.level_db, np.nan)) for mean, _ in levels]
    degrees_of_freedom = np.min([own for _, own in levels], axis=0)
    factor = student_factor(degrees_of_freedom, job.needs.confidence)
    found = additivity(means[0], means[1:-1], means[-1], factor, job.needs.compare.interaction_limit_db)
    p_value = np.where(in_doubt, np.nan, student_p_value(found.beyond_chance, degrees_of_freedom))
    power = job.needs.reference_pressure_pa**2
    for p, i in np.argwhere(np.isfinite(found.sum - found.whole)):
        yield {
            "position": job.cube.positions[p],
            **item_columns(job.cube.items[i]),
            "sum_pa2": float(found.sum[p, i]) * power,
            "whole_pa2": float(found.whole[p, i]) * power,
            "sum_db": level_or_none(found.sum[p, i]),
            "whole_db": level_or_none(found.whole[p, i]),
            "interaction_db": finite_or_none(found.interaction_db[p, i]),
            "lower_db": None if in_doubt[p, i] else finite_or_none(found.lower_db[p, i]),
            "upper_db": None if in_doubt[p, i] else finite_or_none(found.upper_db[p, i]),
            "p_value": finite_or_none(p_value[p, i]),
            "finding": "not shown" if in_doubt[p, i] else found.word[p, i],
            **_doubt(job, sides, p, i),
        }


def _doubt(job: ComparisonJob, sides: Sequence[Side], p: int, i: int) -> DoubtColumns:
    return doubt_columns(job.cube, [name for runs, used in sides for r, name in enumerate(runs) if used[r, p, i]], p, i)


def own_mean_level(job: ComparisonJob, runs: tuple[CompareRun, ...], pools: RepeatPools) -> tuple[MeanLevel, Reals]:
    """The mean with the error that its runs have of their own, and its degrees of freedom."""
    mean = level_mean(job, runs, pools.of_cell(key_of(runs)))
    error, degrees_of_freedom = error_within_session(job, mean)
    return MeanLevel(mean.mean_db, error), degrees_of_freedom
