"""Scatter of repeats pooled over groups of them, put together and taken apart."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from tapeline.acoustics.comparison import RunLevels, Scatter, cell_of
from tapeline.acoustics.statistics import variance_ratio_p_value
from tapeline.acoustics.windows import Reals

OWN_CELL_P = 0.2
"""A cell whose repeats scatter more than those of others at this level keeps its own scatter.

A test that only decides which variance to use guards at a high level: 0.1 to 0.25 (Bancroft, Ann. Math. Stat. 15 (1944)
190, and after him, from memory). Own choice after simulating 0.01 to 0.3, see docs/methods.md.
"""


@dataclass(frozen=True)
class ScatterSums:
    """What the scatter of repeats is made from; the first four by item. Sums of groups can be taken apart."""

    above: Reals
    freedom: Reals
    most: Reals
    widest: Reals
    crossed: float
    own: float

    @classmethod
    def of(cls, runs: RunLevels) -> ScatterSums:
        """The sums of one group of repeats."""
        cell = cell_of(runs)
        use = (cell.count >= 2) & ~cell.bound
        spare = np.where(use, cell.count - 1, 0)
        deviation = np.where(use & np.isfinite(runs.level_db), runs.level_db - cell.mean_db, 0.0)
        squares = (deviation**2).sum(axis=1)
        positions = use.sum(axis=0)
        return cls(
            above=np.where(use, cell.squares - spare * cell.random_variance, 0.0).sum(axis=0),
            freedom=spare.sum(axis=0).astype(np.float64),
            most=spare.max(axis=0, initial=0).astype(np.float64),
            widest=positions.astype(np.float64),
            crossed=float((deviation.sum(axis=1) ** 2 - squares).sum()),
            own=float(((positions - 1) * squares).sum()),
        )

    @classmethod
    def none(cls, items: int) -> ScatterSums:
        """The sums of no group."""
        nothing = np.zeros(items)
        return cls(nothing, nothing, nothing, nothing, 0.0, 0.0)

    def __add__(self, other: ScatterSums) -> ScatterSums:
        return self._with(other, 1.0, np.maximum(self.widest, other.widest))

    def __sub__(self, part: ScatterSums) -> ScatterSums:
        """Without a part of it; the widest group is taken to be among what is left, which lessens freedom if wrong."""
        return self._with(part, -1.0, self.widest)

    def _with(self, other: ScatterSums, sign: float, widest: Reals) -> ScatterSums:
        return ScatterSums(
            self.above + sign * other.above,
            self.freedom + sign * other.freedom,
            self.most + sign * other.most,
            widest,
            self.crossed + sign * other.crossed,
            self.own + sign * other.own,
        )

    def scatter(self) -> Scatter:
        """Variance beyond random error and its degrees of freedom.

        Moments: (sum of squares - sum (n - 1) u^2) / sum (n - 1), not below zero. Runs of one group share what varied
        (speed, air), so its positions are not independent: with the mean correlation rho of their deviations, P
        positions are worth P / (1 + (P - 1) rho^2), since a variance estimate's own correlation is rho^2.
        """
        known = self.freedom > 0.0
        rho = min(max(self.crossed / self.own, 0.0), 1.0) if self.own > 0.0 else 1.0
        excess = np.where(known, np.maximum(self.above / np.where(known, self.freedom, 1.0), 0.0), 0.0)
        worth = self.freedom / (1.0 + np.maximum(self.widest - 1.0, 0.0) * rho**2)
        return Scatter(excess, np.maximum(worth, self.most), rho)


def pooled_scatter(groups: Iterable[RunLevels], items: int) -> Scatter:
    """Run-to-run variance beyond random error, pooled over all positions of all groups of repeats."""
    return sum((ScatterSums.of(runs) for runs in groups), ScatterSums.none(items)).scatter()


def scatter_with_own(
    own: ScatterSums, session: ScatterSums, everything: Scatter, random_variance: Reals, typical_variance: Reals
) -> Scatter:
    """Scatter for some groups of a session: the session's, or their own where significantly larger than the others'.

    The groups are held against all others of the session (F test at `OWN_CELL_P`), item by item: an operating point may
    scatter more than the rest. `random_variance` (items,) is the mean random variance of the groups' levels,
    `typical_variance` that of the repeats at a position in the middle: a single position that scatters is no reason to
    doubt all others. `everything` stands in where the session has no repeats at all.
    """
    rest, alone, pooled = (session - own).scatter(), own.scatter(), filled_in(session.scatter(), everything)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = own.above / own.freedom + random_variance
        chance = variance_ratio_p_value(
            found, rest.excess + random_variance, alone.degrees_of_freedom, np.maximum(rest.degrees_of_freedom, 1.0)
        )
        usual = rest.excess + random_variance
        odd = (found > usual) & (typical_variance > usual) & (chance < OWN_CELL_P)
    odd = odd & (alone.degrees_of_freedom > 0.0) & (rest.degrees_of_freedom > 0.0)
    return Scatter(
        np.where(odd, alone.excess, pooled.excess),
        np.where(odd, alone.degrees_of_freedom, pooled.degrees_of_freedom),
        pooled.correlation,
        rest if odd.any() else None,
    )


def filled_in(own: Scatter, everything: Scatter) -> Scatter:
    """One scatter, and another where it knows nothing."""
    known = own.degrees_of_freedom > 0.0
    return Scatter(
        np.where(known, own.excess, everything.excess),
        np.where(known, own.degrees_of_freedom, everything.degrees_of_freedom),
        own.correlation if known.any() else everything.correlation,
    )
