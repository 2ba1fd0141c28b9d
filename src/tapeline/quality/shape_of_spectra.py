"""Whether a channel's spectrum has its repeats' shape: a gain leaves it as it is, a dead channel does not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tapeline.limits import HIGH_FREQUENCIES_KEPT_DB, SAME_SHAPE_DB, WHITE_SPECTRUM_HALF_RATE_SHARE
from tapeline.quality.level_table import RunLevel, level_table


@dataclass(frozen=True)
class Shape:
    """How far a channel's root-mean-square frequency is off its repeats (20 lg), and whether its spectrum is white."""

    off_db: float
    white: bool

    @property
    def same(self) -> bool:
        """Whether it is its repeats' shape."""
        return abs(self.off_db) <= SAME_SHAPE_DB

    def lost_a_tone(self, deviation_db: float) -> bool:
        """Whether the level fell by a strong tone or rumble that stopped while high frequencies stayed as they were."""
        return not self.white and deviation_db + self.off_db > -HIGH_FREQUENCIES_KEPT_DB


def shapes(group: Sequence[RunLevel]) -> dict[tuple[str, str], Shape]:
    """Shapes by run and position of runs alike, for the channels whose frequency is known."""
    known = [level for level in group if level.frequency_hz]
    if len({level.run for level in known}) < 2:
        return {}
    table = level_table(known, lambda level: 20.0 * math.log10(level.frequency_hz or 1.0))
    return {level.place: Shape(float(table.deviation[r, p]), _is_white(level)) for r, p, level in table.present()}


def _is_white(level: RunLevel) -> bool:
    if not level.frequency_hz or not level.sample_rate_hz:
        return True
    return level.frequency_hz >= WHITE_SPECTRUM_HALF_RATE_SHARE * level.sample_rate_hz / 2.0
