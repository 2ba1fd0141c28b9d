"""How sure a ranking is: contributions as they are to be expected among all others, their ranks, and what is tied.

The largest of many measured values is mostly one that chance made larger. Ranked as measured, spots where a small
difference of two loud levels is all noise come first. So the contributions of all spots together first say how such
contributions are spread (a share of nothing at all, the rest log-normal), and each spot's value is taken as one of
them, as far as its own error leaves room: empirical Bayes (Robbins 1956; Efron, Large-Scale Inference, 2010).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals
from tapeline.limits import (
    CONTRIBUTION_ABOVE_LARGEST_DB,
    CONTRIBUTION_BELOW_LARGEST_DB,
    CONTRIBUTION_BELOW_ZERO_STANDARD_ERRORS,
    CONTRIBUTION_FIT_ROUNDS,
    CONTRIBUTION_GRID_DB,
    CONTRIBUTION_LEAST_SPREAD_DB,
    NO_CONTRIBUTION_LEAST_SHARE,
)

SEED = 20_250_101
"""Fixed, so that the same levels give the same ranks; any number would do."""

AT_ONCE = 500
"""Draws that are held at once."""


@dataclass(frozen=True)
class RankUncertainty:
    """Expected contributions and ranks, every field of shape (spots,); rank 1 is the largest.

    `low` and `high` hold the rank at the confidence asked for, `first_probability` is the chance of being the largest.
    They are among the spots ranked, and 0 where a spot is not. `group` numbers what is tied, in the order of the
    expected contributions, from 1: a group holds its first spot and those after it that cannot be told from it.
    """

    expected: Reals
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    first_probability: Reals
    group: NDArray[np.int64]


def rank_uncertainty(
    values: Reals,
    errors: Reals,
    draws: int,
    confidence: float,
    ranked: NDArray[np.bool_] | None = None,
    *,
    either_way: bool = False,
) -> RankUncertainty:
    """Expected contributions of all spots and intervals of their ranks, from `draws` draws with a fixed seed.

    `values` (powers, any unit) and their standard errors have shape (spots,); no NaN. Values may lie below zero, true
    contributions cannot; with `either_way` values are changes of either sign, and contributions are their sizes. All
    spots show how contributions are spread; `ranked` (none: all) says which are ranked.
    """
    which = np.flatnonzero(np.ones(values.shape, dtype=bool) if ranked is None else ranked)
    thought, chance = _posterior(values, errors, either_way=either_way)
    expected = chance @ thought
    low, high, group = (np.zeros(values.size, dtype=np.int64) for _ in range(3))
    first_probability = np.zeros(values.size)
    if which.size:
        places = _drawn_ranks(thought, chance[which], draws)
        tail = (1.0 - confidence) / 2.0
        low[which], high[which] = np.quantile(places, [tail, 1.0 - tail], axis=0, method="nearest")
        first_probability[which] = np.mean(places == 1, axis=0)
        order = which[np.lexsort((-values[which], -expected[which]))]
        group[order] = _groups(chance[order], 1.0 - tail)
    return RankUncertainty(expected, low, high, first_probability, group)


def _drawn_ranks(thought: Reals, chance: Reals, draws: int) -> NDArray[np.int32]:
    """Ranks of the spots in every draw, (draws, spots)."""
    random = np.random.Generator(np.random.PCG64(SEED))
    spots, cumulative = chance.shape[0], np.cumsum(chance, axis=1)
    places = np.empty((draws, spots), dtype=np.int32)
    for start in range(0, draws, AT_ONCE):
        uniform = random.random((min(AT_ONCE, draws - start), spots)) * cumulative[:, -1]
        drawn = np.empty(uniform.shape)
        for spot in range(spots):
            drawn[:, spot] = thought[np.searchsorted(cumulative[spot], uniform[:, spot])]
        # Equal draws, nothing at all above all, take their ranks by lot.
        drawn += random.random(drawn.shape) * (thought[1] * 1e-6)
        order = np.argsort(-drawn, axis=1, kind="stable")
        ranked = np.arange(1, spots + 1, dtype=np.int32)[None, :]
        np.put_along_axis(places[start : start + AT_ONCE], order, ranked, axis=1)
    return places


def _groups(chance: Reals, certain: float) -> NDArray[np.int64]:
    """Numbers of the groups of spots in their order, (spots,).

    A group ends before the first spot that is smaller than the group's first with a chance of `certain` or more. Held
    against the first alone, a group cannot grow from neighbour to neighbour until it holds all.
    """
    group = np.ones(chance.shape[0], dtype=np.int64)
    first = 0
    while True:
        rest = chance[first + 1 :]
        # Contributions thought equal count half for either.
        smaller = (np.cumsum(rest, axis=1) - rest / 2.0) @ chance[first]
        apart = np.flatnonzero(smaller >= certain)
        if not apart.size:
            return group
        first += 1 + int(apart[0])
        group[first:] += 1


def _posterior(values: Reals, errors: Reals, *, either_way: bool) -> tuple[Reals, Reals]:
    """Contributions thought of, the first of them zero, and each spot's chance of every one, (spots, thoughts)."""
    largest = float(np.abs(values).max() if either_way else values.max())
    top = largest if largest > 0.0 else float(errors.max()) or 1.0
    decibels = np.arange(
        -CONTRIBUTION_BELOW_LARGEST_DB, CONTRIBUTION_ABOVE_LARGEST_DB + CONTRIBUTION_GRID_DB / 2.0, CONTRIBUTION_GRID_DB
    )
    thought = np.concatenate([[0.0], top * 10.0 ** (decibels / 10.0)])
    # Between two thoughts nothing is thought of: an error is never taken smaller than half a step there.
    width = thought * (10.0 ** (CONTRIBUTION_GRID_DB / 20.0) - 1.0)
    spread = np.hypot(errors[:, None], width[None, :])
    spread = np.maximum(spread, width[1])
    # Far below zero a value says no more than that there is nothing.
    seen = values if either_way else np.maximum(values, -CONTRIBUTION_BELOW_ZERO_STANDARD_ERRORS * errors)
    ways = [(way[:, None] - thought[None, :]) / spread for way in ((seen, -seen) if either_way else (seen,))]
    logs = np.logaddexp.reduce([-0.5 * distance**2 for distance in ways]) - np.log(spread)
    likelihood = np.exp(logs - logs.max(axis=1, keepdims=True))
    nothing, mean_db, sd_db = 0.5, -CONTRIBUTION_BELOW_LARGEST_DB / 2.0, CONTRIBUTION_BELOW_LARGEST_DB / 2.0
    chance = likelihood
    for _ in range(CONTRIBUTION_FIT_ROUNDS):
        bell = np.exp(-0.5 * ((decibels - mean_db) / sd_db) ** 2)
        prior = np.concatenate([[nothing], (1.0 - nothing) * bell / bell.sum()])
        chance = likelihood * prior
        chance /= chance.sum(axis=1, keepdims=True)
        nothing = float(np.clip(chance[:, 0].mean(), NO_CONTRIBUTION_LEAST_SHARE, 1.0 - NO_CONTRIBUTION_LEAST_SHARE))
        weight = chance[:, 1:].sum(axis=0)
        mean_db = float(weight @ decibels / weight.sum())
        sd_db = max(float(np.sqrt(weight @ (decibels - mean_db) ** 2 / weight.sum())), CONTRIBUTION_LEAST_SPREAD_DB)
    return thought, chance
