"""Whether left and right partners on a symmetric body agree, and what it looks like where they do not."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from tapeline.limits import MIRROR_ALIKE_LIMIT_SHARE, MIRROR_HISTORY_DIFFERENCES

AGREE, DIFFER, YAW_OR_EXCHANGE = "agree", "differ", "yaw-or-exchange"


@dataclass(frozen=True)
class MirrorPair:
    """Levels in dB of two partners at a yaw angle and at the opposite one; None where there is none.

    On a symmetric body `level_db` at the angle is `partner_opposite_db` at the opposite one.
    """

    level_db: float
    partner_opposite_db: float
    opposite_db: float | None
    partner_db: float | None

    @property
    def difference_db(self) -> float:
        """Level of the position at its angle minus that of its partner at the opposite one, in dB."""
        return self.level_db - self.partner_opposite_db


def mirror_verdict(pair: MirrorPair, history_db: Sequence[float], uncertainty_db: float, limit_db: float) -> str:
    """Verdict on one pair of mirrored positions: `agree`, `differ` or `yaw-or-exchange`.

    They differ where their difference is further than `limit_db` and twice its standard uncertainty from the median of
    the pair's other differences (`history_db`), or from zero where there are fewer than `MIRROR_HISTORY_DIFFERENCES`: a
    body is hardly ever quite symmetric, and a pair keeps its own difference. Where both sides look the same at both
    angles the flow came from one side in both runs, or channels were exchanged in one of them: a wrong sign of the yaw
    angle, or two exchanged cables (common practice).
    """
    usual = statistics.median(history_db) if len(history_db) >= MIRROR_HISTORY_DIFFERENCES else 0.0
    if abs(pair.difference_db - usual) <= max(limit_db, 2.0 * uncertainty_db):
        return AGREE
    if pair.opposite_db is None or pair.partner_db is None:
        return DIFFER
    near = MIRROR_ALIKE_LIMIT_SHARE * limit_db
    own, partner = pair.level_db - pair.opposite_db, pair.partner_opposite_db - pair.partner_db
    return YAW_OR_EXCHANGE if abs(own) <= near and abs(partner) <= near else DIFFER
