"""The differences of one comparison: every pair of cells with its interval, and p-values adjusted over families."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Flags, Reals
from tapeline.campaign.settings import Comparison
from tapeline.jobs.compare.compared_runs import ComparisonJob, Pair, key_of, pairs_of
from tapeline.jobs.compare.dominant_runs import dominated
from tapeline.jobs.compare.non_averaging_terms import non_averaging_terms
from tapeline.jobs.compare.session_changes import same_mount
from tapeline.jobs.compare.unlike_background import Side, as_bound, lacking
from tapeline.jobs.levels.common_part import same_edges
from tapeline.statistics.comparison import ConditionMean, Difference, difference
from tapeline.statistics.repeat_pools import RepeatPools
from tapeline.statistics.session_changes import SessionChanges
from tapeline.statistics.significance import ADJUSTMENTS


@dataclass(frozen=True)
class Compared:
    """One pair with its two cells, their difference, and the p-values and family sizes after adjusting.

    `lacks` says for either side where it is a bound because its background was not subtracted as the other's was,
    `doubted` where a level is in doubt itself, and `without_db` how narrow the interval would be without its `widest`
    run, NaN where no run dominates it.
    """

    pair: Pair
    alike: NDArray[np.bool_]
    cells: tuple[ConditionMean, ConditionMean]
    result: Difference
    lasting_variance: Reals
    lacks: tuple[Flags, Flags]
    doubted: Flags
    widest: NDArray[np.object_]
    without_db: Reals
    adjusted_p: Reals
    family: Reals


def compared_pairs(
    job: ComparisonJob, comparison: Comparison, pools: RepeatPools, changes: SessionChanges
) -> list[Compared]:
    """All pairs of one comparison, in the order of operating points and sessions."""
    if not job.cube.items:
        return []
    found = []
    for pair in pairs_of(job, comparison):
        alike = same_edges(job.cube, job.known(pair.reference), job.known(pair.treatment))
        sides = [(names, used & alike) for names, used in (job.used(runs) for runs in pair.sides)]
        lacks = lacking(job.cube, sides[0], sides[1], job.limits.no_correction_above_db)
        cells = as_bound(job.cell(pair.reference, alike), lacks[0]), as_bound(job.cell(pair.treatment, alike), lacks[1])
        keys = key_of(pair.reference), key_of(pair.treatment)
        scatters = pools.of_pair(*keys)
        terms = non_averaging_terms(job, pair, scatters, changes)
        result = difference(
            *cells,
            scatters,
            terms,
            job.needs.confidence,
            same_background=_same_background(pair),
            one_pool=pools.share_repeats(*keys),
            held_db=None if pair.sessions[0] == pair.sessions[1] else changes.measured_db(pair.sessions),
        )
        result = _said(job, pair, sides, result)
        lasting = np.sum([variance for variance, _ in terms.values()], axis=0)
        doubted = job.any_used(sides, job.cube.doubted)
        widest, without = dominated(job, pools, pair, result)
        found.append((pair, alike, cells, result, lasting, lacks, doubted | lacks[0] | lacks[1], widest, without))
    adjusted = _adjusted(job, [one[0] for one in found], [one[3] for one in found])
    return [Compared(*one, *sizes) for one, sizes in zip(found, adjusted, strict=True)]


def _said(job: ComparisonJob, pair: Pair, sides: Sequence[Side], result: Difference) -> Difference:
    """The difference with what its doubts keep from being said.

    A level that is in doubt itself makes none. Where no background could be subtracted from a side, a background that
    both hold makes the difference smaller than it is: what shows is the least that it may be.
    """
    within = pair.sessions[0] == pair.sessions[1]
    in_doubt = job.any_used(sides, job.in_doubt_within_session if within else job.in_doubt)
    diluted = job.any_used(sides, job.cube.diluted)
    with np.errstate(invalid="ignore"):
        above, below = result.lower_db > 0.0, result.upper_db < 0.0
    return dataclasses.replace(
        result,
        difference_db=np.where(diluted | in_doubt, np.nan, result.difference_db),
        lower_db=np.where(in_doubt | (diluted & ~above), np.nan, result.lower_db),
        upper_db=np.where(in_doubt | (diluted & ~below), np.nan, result.upper_db),
        p_value=np.where(in_doubt, np.nan, result.p_value),
    )


def pairing_of(job: ComparisonJob, position: str, sessions: tuple[str, str]) -> str:
    """The word for how two cells meet at a position: same-session, same-mount or remounted."""
    if sessions[0] == sessions[1]:
        return "same-session"
    return "same-mount" if same_mount(job, position, sessions) else "remounted"


def _same_background(pair: Pair) -> bool:
    """Whether both sides have the same background runs; what has none at all says nothing."""
    sides = [{run.background for run in runs if run.background} for runs in (pair.reference, pair.treatment)]
    return sides[0] == sides[1]


def _adjusted(job: ComparisonJob, pairs: list[Pair], results: list[Difference]) -> list[tuple[Reals, Reals]]:
    """Adjusted p-values and family sizes of each pair: bands and overall levels are families of their own.

    A family holds all operating points and sessions of the comparison, or those of one operating point and pair of
    sessions alone, as the settings say.
    """
    if not results:
        return []
    adjust = ADJUSTMENTS[job.needs.compare.adjustment]
    p = np.stack([result.p_value for result in results])
    bands = np.array([item.quantity == "band" for item in job.cube.items])
    adjusted, sizes = np.full(p.shape, np.nan), np.zeros(p.shape)
    together = job.needs.compare.family == "comparison"
    for places in [list(range(len(pairs)))] if together else [[k] for k in range(len(pairs))]:
        for kind in (bands, ~bands):
            part = p[places][:, :, kind]
            among = np.ix_(np.array(places), np.arange(p.shape[1]), np.flatnonzero(kind))
            adjusted[among] = adjust(part.ravel()).reshape(part.shape)
            sizes[among] = np.count_nonzero(np.isfinite(part))
    return [(adjusted[k], sizes[k]) for k in range(len(results))]
