"""Two sensors whose tones were exchanged in a calibrator recording: which check is of which sensor.

An exchange is of one recording where its levels stand crosswise to another recording's: the check of the wrong one is
another sensor's. Where all recordings agree, an exchange is of the whole session, and the checks are right for the
channels. Levels are sensitivities in dB re 1 V/Pa.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from tapeline.limits import (
    EXCHANGE_AT_LEAST_DB,
    EXCHANGE_CLEARER_SHARE,
    EXCHANGE_CROSSWISE_SHARE,
    SAME_SENSOR_CHECKS_DB,
)

Order = Literal["exchanged", "as listed", "unknown"]
Side = Literal["straight", "crossed"]


@dataclass(frozen=True)
class PairReading:
    """Two positions in one recording: their levels, their order in time, whether a person accepts the checks."""

    run: str
    first_db: float
    second_db: float
    order: Order
    by_hand: bool = False

    @property
    def difference_db(self) -> float:
        """Level of the first minus that of the second position, in dB."""
        return self.first_db - self.second_db


@dataclass(frozen=True)
class PairJudgement:
    """Which recordings of two positions count.

    `refused` are runs whose checks are the other sensor's, or may be; `cleared` are runs whose different order is
    explained. `undecided` says that either of two values may be right: `first_db` and `second_db` hold them.
    `place_unsure` says that the two may be exchanged in the whole session.
    """

    refused: tuple[str, ...] = ()
    cleared: tuple[str, ...] = ()
    undecided: bool = False
    place_unsure: bool = False
    first_db: tuple[float, ...] = ()
    second_db: tuple[float, ...] = ()


def judge_pair(readings: Sequence[PairReading], charts_db: tuple[float, float] | None) -> PairJudgement:
    """Which recordings of two positions count; `charts_db` are the sensor table's levels, None where one is missing.

    Of two that stand crosswise the one counts that fits the charts, else the one whose order is as listed; where these
    contradict each other or nothing tells, none counts if there are charts, both if there are none. A single recording
    of another order than listed counts where it fits the charts.
    """
    base = max(readings, key=lambda reading: abs(reading.difference_db))
    sides = {reading.run: _side(reading.difference_db, base.difference_db) for reading in readings}
    crossed = [reading for reading in readings if sides[reading.run] == "crossed"]
    if crossed:
        return _two_ways([r for r in readings if sides[r.run] == "straight"], crossed, charts_db)
    return _one_way(readings, base, all(side == "straight" for side in sides.values()), charts_db)


def crosswise_pairs(
    earlier: Mapping[str, float], later: Mapping[str, float], shared_db: float
) -> list[tuple[str, str]]:
    """Pairs of positions whose levels changed places between two recordings, each other's only candidates.

    `shared_db` is the change that all sensors have in common. The larger the change, the more drift it may hide, up to
    the largest that a sound sensor shows.
    """

    def fits(one: str, other: str) -> bool:
        change = abs(now[one] - earlier[one])
        return abs(now[one] - earlier[other]) <= min(
            EXCHANGE_AT_LEAST_DB, max(SAME_SENSOR_CHECKS_DB, EXCHANGE_CROSSWISE_SHARE * change)
        )

    now = {name: level - shared_db for name, level in later.items() if name in earlier}
    moved = [name for name in now if abs(now[name] - earlier[name]) > EXCHANGE_AT_LEAST_DB]
    partners = {
        name: [other for other in moved if other != name and fits(name, other) and fits(other, name)] for name in moved
    }
    return [
        (name, others[0])
        for name, others in partners.items()
        if len(others) == 1 and partners[others[0]] == [name] and name < others[0]
    ]


def _side(difference_db: float, reference_db: float) -> Side | None:
    """Whether a difference of two sensors is the reference's or its opposite; None where that cannot be told."""
    straight, crossed = abs(difference_db - reference_db) / 2.0, abs(difference_db + reference_db) / 2.0
    if max(straight, crossed) <= SAME_SENSOR_CHECKS_DB:
        return None
    if straight <= EXCHANGE_CLEARER_SHARE * crossed:
        return "straight"
    return "crossed" if crossed <= EXCHANGE_CLEARER_SHARE * straight else None


def _two_ways(
    one: Sequence[PairReading], other: Sequence[PairReading], charts_db: tuple[float, float] | None
) -> PairJudgement:
    right = _right_way(one, other, charts_db)
    if right is None:
        every = tuple(reading.run for reading in (*one, *other) if not reading.by_hand)
        return PairJudgement(
            refused=every if charts_db else (),
            undecided=True,
            first_db=(_mean([r.first_db for r in one]), _mean([r.first_db for r in other])),
            second_db=(_mean([r.second_db for r in one]), _mean([r.second_db for r in other])),
        )
    wrong = other if right is one else one
    return PairJudgement(
        refused=tuple(reading.run for reading in wrong if not reading.by_hand),
        cleared=tuple(reading.run for reading in right if reading.order == "exchanged"),
    )


def _right_way(
    one: Sequence[PairReading], other: Sequence[PairReading], charts_db: tuple[float, float] | None
) -> Sequence[PairReading] | None:
    """The recordings that are right by hand, by the charts and by the order; None where these do not tell."""
    hand = [any(reading.by_hand for reading in way) for way in (one, other)]
    if hand[0] != hand[1]:
        return one if hand[0] else other
    ways = []
    if charts_db is not None:
        side = _side(_mean([reading.difference_db for reading in one]), charts_db[0] - charts_db[1])
        ways += [] if side is None else [one if side == "straight" else other]
    odd = [any(reading.order == "exchanged" for reading in way) for way in (one, other)]
    ways += [other if odd[0] else one] if odd[0] != odd[1] else []
    return ways[0] if ways and all(way is ways[0] for way in ways) else None


def _one_way(
    readings: Sequence[PairReading], base: PairReading, agree: bool, charts_db: tuple[float, float] | None
) -> PairJudgement:
    """Recordings of which none stands crosswise to another; `agree` says that all are told to be alike."""
    odd = tuple(reading.run for reading in readings if reading.order == "exchanged" and not reading.by_hand)
    if not odd:
        return PairJudgement()
    listed = any(reading.order == "as listed" for reading in readings)
    fits = None if charts_db is None else _side(base.difference_db, charts_db[0] - charts_db[1])
    if agree and (fits == "straight" or listed):
        return PairJudgement(cleared=odd)
    if agree and len(readings) > 1:
        return PairJudgement(place_unsure=True)
    if all(abs(reading.difference_db) <= SAME_SENSOR_CHECKS_DB for reading in readings):
        return PairJudgement(place_unsure=not listed)
    if len(readings) > 1:
        others = len(odd) < len(readings)
        return PairJudgement(refused=odd if others else (), place_unsure=not others)
    if charts_db is None:
        both = (base.first_db, base.second_db)
        return PairJudgement(undecided=True, place_unsure=True, first_db=both, second_db=both)
    if fits == "crossed":
        first, second = (charts_db[0], base.first_db), (charts_db[1], base.second_db)
        return PairJudgement(odd, undecided=True, place_unsure=True, first_db=first, second_db=second)
    return PairJudgement(odd, place_unsure=True)


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)
