"""The margin a level needs to be stated, and interval tails that allow for the selection of levels by their margin."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import scipy.special

from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER
from tapeline.arrays import Flags, Reals
from tapeline.limits import MARGIN_SHORTFALL_DB, RARE_CHOICE_P

ONE_SIDED_95 = 1.645
"""Normal quantile: by so many standard uncertainties a margin is surely above another."""

FAR = 6.0
"""Standard uncertainties from the limit beyond which a choice changes nothing."""

HALVINGS = 36


def needed_margin_db(
    power: Reals, below: Reals, variance: Reals, below_variance: Reals, least_margin_db: float
) -> Reals:
    """Margin in dB from which a level is stated: `least_margin_db`, or more where chance is large.

    The lower one-sided 95 % end of the measured margin may fall short of `least_margin_db` by `MARGIN_SHORTFALL_DB`.
    All powers have one shape, in Pa^2, their variances in Pa^4.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        error = DB_PER_RELATIVE_POWER * np.sqrt(variance / power**2 + below_variance / below**2)
    return np.asarray(np.fmax(least_margin_db, least_margin_db - MARGIN_SHORTFALL_DB + ONE_SIDED_95 * error))


class SelectionByMargin:
    """Tails of confidence intervals after a choice: a level is stated where `measured` >= `needed`, else it is a bound.

    Both are ratios of power to background of one shape. The powers are scaled chi-squares of `degrees_of_freedom`
    degrees of freedom, so that the ratio follows Fisher's F. An end of an interval is a true ratio with which what was
    measured would be surprising; after the choice, surprising among the ratios that are chosen alike (conditional
    inference on a truncated distribution; Cohen, Ann. Math. Stat. 21 (1950) 557 has the normal case; from memory). Each
    method returns the tail that an interval without any choice needs to have the same end.
    """

    def __init__(self, measured: Reals, needed: Reals, degrees_of_freedom: tuple[Reals, Reals]) -> None:
        with np.errstate(divide="ignore", invalid="ignore"):
            error = np.sqrt(2.0 / degrees_of_freedom[0] + 2.0 / degrees_of_freedom[1])
            distance = np.log(measured / needed) / error
            self.near: Flags = np.asarray((error > 0.0) & (np.abs(distance) < FAR))
        self._error = error[self.near]
        self._measured, self._needed = np.log(measured[self.near]), np.log(needed[self.near])
        self._dof = degrees_of_freedom[0][self.near], degrees_of_freedom[1][self.near]

    def tail_of_bound(self, tail: float) -> Reals:
        """Upper tail of a bound, of the powers' shape: measured below the needed ratio."""

        def far_enough(true: Reals) -> Flags:
            chosen = self._below(self._needed, true)
            return np.asarray((self._below(self._measured, true) <= tail * chosen) | (chosen <= RARE_CHOICE_P))

        return self._spread(tail, self._below(self._measured, self._nearest(far_enough, 1.0)))

    def low_tail(self, tail: float) -> Reals:
        """Lower tail of a stated level, of the powers' shape: measured at or above the needed ratio."""

        def far_enough(true: Reals) -> Flags:
            chosen = self._above(self._needed, true)
            return np.asarray((self._above(self._measured, true) <= tail * chosen) | (chosen <= RARE_CHOICE_P))

        return self._spread(tail, self._above(self._measured, self._nearest(far_enough, -1.0)))

    def high_tail(self, tail: float) -> Reals:
        """Upper tail of a stated level, of the powers' shape: wider than `tail`, since low ones were left out."""

        def far_enough(true: Reals) -> Flags:
            gone = self._below(self._needed, true)
            return np.asarray(self._below(self._measured, true) - gone <= tail * (1.0 - gone))

        # Towards the limit the end may fall below what was measured; an interval holds its own level.
        found = self._below(self._measured, self._nearest(far_enough, 1.0, start=-FAR))
        return self._spread(tail, np.clip(found, tail, 0.5))

    def _spread(self, tail: float, near: Reals) -> Reals:
        found = np.full(self.near.shape, tail)
        found[self.near] = near
        return found

    def _nearest(self, far_enough: Callable[[Reals], Flags], towards: float, start: float = 0.0) -> Reals:
        """The nearest true log ratio in that direction which is far enough from what was measured."""
        low, high = np.full(self._error.shape, start), np.full(self._error.shape, 4.0 * FAR)
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            enough = far_enough(self._measured + towards * middle * self._error)
            low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        return np.asarray(self._measured + towards * high * self._error)

    def _below(self, log_ratio: Reals, true: Reals) -> Reals:
        return np.asarray(scipy.special.ndtr(self._normal(log_ratio - true)))

    def _above(self, log_ratio: Reals, true: Reals) -> Reals:
        return np.asarray(scipy.special.ndtr(-self._normal(log_ratio - true)))

    def _normal(self, log_f: Reals) -> Reals:
        """Normal quantile of Fisher's F by cube roots (Paulson, Ann. Math. Stat. 13 (1942) 233; from memory)."""
        first, second = (2.0 / (9.0 * each) for each in self._dof)
        root = np.exp(log_f / 3.0)
        return np.asarray(((1.0 - second) * root - (1.0 - first)) / np.sqrt(second * root**2 + first))
