"""How the change of a column is measured, in decibels or in its own unit, and which changes a tolerance covers."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tapeline.arrays import Reals

POWER_UNITS = ("Pa^2", "Pa^2/Hz")
SENSITIVITY_UNIT = "V/Pa"
ROUNDING = 1e-9
"""Changes beyond the tolerance by less are at it: levels are written in binary."""

SENTENCES = ("sentences", "why")
"""Columns of free sentences that state measured numbers; the columns beside them hold these numbers by themselves."""

FOLLOWING = ("p_value", "degrees_of_freedom")
FOLLOWING_NAMES = ("statistic", "first_probability")
"""Ends of names, and names, of what only says how sure something is: it moves as soon as any level does."""

_NUMBERS = re.compile(r"(?<![\w.-])[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?(?![\w-])")
"""Numbers that stand by themselves: those in an identifier ("p01") are part of a name."""

Kind = Literal["size", "count", "following"]
"""What a number is where it is no level: a size with a unit of its own, a count or place, or how sure something is."""


@dataclass(frozen=True)
class Scale:
    """`lg` is what a decade of the ratio counts in dB, 0 where values are subtracted; `unit` is that of the change."""

    lg: Literal[0, 10, 20]
    unit: str
    kind: Kind = "size"

    @property
    def in_db(self) -> bool:
        """Whether changes are decibels."""
        return self.unit == "dB"

    def change(self, old: Reals, new: Reals) -> Reals:
        """New against old, of one shape; NaN where one is no number, or of powers where they are not of one sign."""
        with np.errstate(divide="ignore", invalid="ignore"):
            if not self.lg:
                found = new - old
            else:
                found = self.lg * (np.log10(np.abs(new)) - np.log10(np.abs(old)))
                found = np.where(np.signbit(new) == np.signbit(old), found, np.nan)
        return np.where(np.isfinite(found), found, np.nan)


def scale_of(column: str, unit: str, *, whole: bool = False) -> Scale:
    """The scale of a column by its name and unit: 10 lg for powers, 20 lg for sensitivities, else a difference.

    `whole` says that it holds whole numbers.
    """
    if unit in POWER_UNITS or column.endswith(("_pa2", "_pa2_per_hz")):
        return Scale(10, "dB")
    if unit == SENSITIVITY_UNIT or column.endswith("_v_per_pa"):
        return Scale(20, "dB")
    if column.endswith(FOLLOWING) or column in FOLLOWING_NAMES:
        return Scale(0, unit, "following")
    return Scale(0, "dB" if unit.partition(" ")[0] == "dB" else unit, "count" if whole else "size")


@dataclass(frozen=True)
class Tolerance:
    """What counts as moved. With 0 dB, and no share, every change does.

    With a tolerance, changes in dB count beyond `within_db`; other sizes (exponents, frequencies, times) beyond
    `within_share` of themselves, which is None for the share that an amplitude moves by in `within_db`. Not covered,
    so that they count always: counts and ranks, words, rows, columns, and values that appear or vanish. Covered
    whatever their size: p-values and degrees of freedom, since they follow from levels; content hashes of inputs; the
    numbers in sentences.
    """

    within_db: float = 0.0
    within_share: float | None = None

    @property
    def share(self) -> float:
        """The part of itself that a number that is no level may move by."""
        return 10.0 ** (self.within_db / 20.0) - 1.0 if self.within_share is None else self.within_share

    @property
    def any(self) -> bool:
        """Whether there is a tolerance at all."""
        return self.within_db > 0.0 or self.share > 0.0

    def words(self) -> str:
        """The tolerance as it is said: "0.05 dB (other numbers 0.577 %)"."""
        return f"{self.within_db:g} dB (other numbers {100 * self.share:.3g} %)"

    def beyond(self, scale: Scale, old: Reals, new: Reals) -> NDArray[np.bool_]:
        """Which changes from `old` to `new`, which differ, count; what has no size does."""
        change = scale.change(old, new)
        if not self.any or (scale.kind == "count" and not scale.in_db):
            return np.ones(change.shape, dtype=bool)
        if scale.kind == "following":
            limit = np.full(change.shape, np.inf)
        elif scale.in_db:
            limit = np.full(change.shape, self.within_db + ROUNDING if self.within_db else 0.0)
        else:
            limit = self.share * np.maximum(np.abs(old), np.abs(new)) * (1.0 + ROUNDING)
        return np.isnan(change) | (np.abs(change) > limit)

    def word_counts(self, column: str, old: str | None, new: str | None) -> bool:
        """Whether a changed text counts: every one but a hash, and a sentence that differs in its numbers alone."""
        if not self.any or old is None or new is None:
            return True
        if column in SENTENCES:
            return _NUMBERS.sub("#", old) != _NUMBERS.sub("#", new)
        return not column.endswith("_sha256")
