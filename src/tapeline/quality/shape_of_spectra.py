"""Whether a channel's spectrum has its repeats' shape: a gain leaves it as it is, a dead channel does not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tapeline.quality.level_table import RunLevel, level_table

SAME_SHAPE_DB = 3.0
"""20 lg of the ratio of root-mean-square frequencies up to which a spectrum has its repeats' shape (own choice: repeats
scatter by some tenths of a dB, noise of electronics beside wall pressure is off by 10 dB and more)."""

WHITE_SHARE = 0.4
"""Root-mean-square frequency over half the sample rate from which on a spectrum is as flat as noise of electronics
(white noise has 0.5)."""

KEPT_DB = 6.0
"""Where high frequencies fall by less, the channel still hears them (own choice)."""


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
        return not self.white and deviation_db + self.off_db > -KEPT_DB


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
    return level.frequency_hz >= WHITE_SHARE * level.sample_rate_hz / 2.0
