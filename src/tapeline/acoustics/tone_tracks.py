"""Tones followed over speed, one to one: which belong together, and whether their frequency follows the flow."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tapeline.acoustics.levels import DB_PER_RELATIVE_POWER
from tapeline.acoustics.speed_exponent import speed_decibels, speed_fit
from tapeline.arrays import Reals
from tapeline.limits import (
    SWEEP_LEAST_SPEEDS,
    TONE_SAME_SHARE,
    TRACK_EXPONENT_NEAR_EXPONENTS,
    TRACK_EXPONENT_WITHIN_EXPONENTS,
    TRACK_LAW_SCATTER_SHARE,
    TRACK_MOST_MISSING_SPEEDS,
    TRACK_STEP_AT_LEAST_SHARE,
    TRACK_TWO_SPEEDS_SCATTER_SHARE,
    TRACK_WITHIN_SHARE,
)

Places = NDArray[np.int64]

FLOW, FIXED = 1.0, 0.0
"""Exponents of a frequency that follows the flow, and of one that stays."""


@dataclass(frozen=True)
class Node:
    """The tones of repeated runs at one nominal speed that are one: their indices, mean frequency and mean speed.

    `uncertainty_hz` is the standard one of the mean frequency, by those of the tones.
    """

    tones: tuple[int, ...]
    point: int
    frequency_hz: float
    uncertainty_hz: float
    speed_mps: float


@dataclass(frozen=True)
class Track:
    """Nodes in order of speed. `before` is the index of the track that ends where this one begins, None without."""

    nodes: tuple[Node, ...]
    before: int | None = None

    @property
    def tones(self) -> list[int]:
        """The indices of all its tones."""
        return [tone for node in self.nodes for tone in node.tones]

    @property
    def per_m(self) -> float:
        """Mean f/U in 1/m, geometric."""
        return float(np.exp(np.mean([np.log(node.frequency_hz / node.speed_mps) for node in self.nodes])))


@dataclass(frozen=True)
class TrackLaw:
    """The exponent of speed of a track's frequency with its interval; NaN with one speed."""

    exponent: float
    lower: float
    upper: float
    follows: str


def nodes_of(
    frequency_hz: Reals, uncertainty_hz: Reals, speed_mps: Reals, point: Places, run: Places, runs_at: Places
) -> list[Node]:
    """Tones of repeats joined, by speed and frequency; all but the last are (tones,).

    `point` numbers the nominal speeds and `run` the runs; `runs_at` (points,) is how many runs each has. Tones within
    1.5 %, or twice their uncertainty, are one, of each run one at most. What half of the runs or fewer have is none.
    """
    found = []
    for p in range(runs_at.size):
        groups: list[list[int]] = []
        for k in sorted(np.flatnonzero(point == p).tolist(), key=lambda k: float(frequency_hz[k])):
            last = groups[-1] if groups else []
            if last and run[k] not in run[last] and _alike(frequency_hz, uncertainty_hz, last, k):
                last.append(k)
            else:
                groups.append([k])
        found += [
            Node(
                tones=tuple(group),
                point=p,
                frequency_hz=float(frequency_hz[group].mean()),
                uncertainty_hz=float(np.sqrt(np.sum(uncertainty_hz[group] ** 2)) / len(group)),
                speed_mps=float(speed_mps[group].mean()),
            )
            for group in groups
            if 2 * len(group) > runs_at[p]
        ]
    return found


def _alike(frequency_hz: Reals, uncertainty_hz: Reals, group: list[int], k: int) -> bool:
    within = 2.0 * float(np.hypot(uncertainty_hz[group].max(), uncertainty_hz[k]))
    off = abs(float(frequency_hz[k] - frequency_hz[group].mean()))
    return off <= max(TONE_SAME_SHARE * float(frequency_hz[k]), within)


def tracks_of(nodes: Sequence[Node]) -> list[Track]:
    """Nodes followed over speed, each in one track at most, by frequency; then linked where one ends and one begins.

    From every node a chain goes on to higher speeds, once as if its frequency followed the flow and once as if it
    stayed, from its latest node to the nearest one within 3 %; one speed may be missing. The chain of most speeds, of
    equally many the one with the least scatter, is a track, and so on with what is left. A step to another mode is no
    continuation: f/U jumps by the ratio of two mode numbers. Such a track begins anew, and names the one that ended at
    the speed before, or at the same one where both are there, if neither stays at its frequency; it may hold one speed
    alone.
    """
    left = set(range(len(nodes)))
    chains: list[list[int]] = []
    exponents: list[float] = []
    while True:
        starts = sorted(left)
        several = [(_chain(nodes, left, k, exponent), exponent) for k in starts for exponent in (FLOW, FIXED)]
        several = [each for each in several if len(each[0]) > 1]
        if not several:
            break
        best, exponent = min(several, key=lambda each: (-len(each[0]), _scatter(nodes, *each), each[0]))
        chains.append(best)
        exponents.append(exponent)
        left -= set(best)
    moving = [Track(tuple(nodes[k] for k in chain)) for chain, e in zip(chains, exponents, strict=True) if e == FLOW]
    staying = [Track(tuple(nodes[k] for k in chain)) for chain, e in zip(chains, exponents, strict=True) if e == FIXED]
    singles = [Track((nodes[k],)) for k in sorted(left)]
    linked = _linked(moving, singles)
    order = sorted((*linked, *staying), key=lambda track: (track.nodes[0].frequency_hz, track.nodes[0].point))
    place = {track.nodes: index for index, track in enumerate(order)}
    before = {track.nodes: None if track.before is None else place[linked[track.before].nodes] for track in linked}
    return [Track(track.nodes, before.get(track.nodes)) for track in order]


def _chain(nodes: Sequence[Node], left: set[int], start: int, exponent: float) -> list[int]:
    chain = [start]
    last_point = max((nodes[k].point for k in left), default=0)
    for p in range(nodes[start].point + 1, last_point + 1):
        latest = nodes[chain[-1]]
        if p - latest.point > TRACK_MOST_MISSING_SPEEDS + 1:
            break
        here = [(abs(_off(latest, nodes[k], exponent)), k) for k in left if nodes[k].point == p]
        off, nearest = min(here, default=(np.inf, -1))
        if off <= TRACK_WITHIN_SHARE:
            chain.append(nearest)
    return chain


def _off(one: Node, other: Node, exponent: float) -> float:
    """How far the logarithm of the other's frequency is from what the exponent lets expect."""
    speeds = np.log(other.speed_mps / one.speed_mps)
    return float(np.log(other.frequency_hz / one.frequency_hz) - exponent * speeds)


def _scatter(nodes: Sequence[Node], chain: list[int], exponent: float) -> float:
    off = np.array([_off(nodes[chain[0]], nodes[k], exponent) for k in chain])
    return float(off.std())


def _linked(moving: list[Track], singles: list[Track]) -> list[Track]:
    """Tracks that follow the flow, and single nodes that one ends or begins at, each with the track before it."""
    tracks = list(moving)
    tracks += [
        single for single in singles if any(_may_step(track, single) or _may_step(single, track) for track in moving)
    ]
    pairs = sorted(
        (min(len(tracks[a].nodes), len(tracks[b].nodes)) < 2, abs(_step(tracks[a], tracks[b])), a, b)
        for a, b in itertools.permutations(range(len(tracks)), 2)
        if _may_step(tracks[a], tracks[b]) and len(tracks[a].nodes) + len(tracks[b].nodes) > 2
    )
    before: dict[int, int] = {}
    # A tone at one speed alone may be a chance one: tracks of several speeds are linked first.
    for _, _, a, b in pairs:
        if b not in before and a not in before.values():
            before[b] = a
    linked = {*before, *before.values()}
    kept = [index for index, track in enumerate(tracks) if len(track.nodes) > 1 or index in linked]
    place = {index: new for new, index in enumerate(kept)}
    return [Track(tracks[i].nodes, place[before[i]] if i in before else None) for i in kept]


def _step(one: Track, other: Track) -> float:
    """Logarithm of the ratio of f/U where one ends and the other begins."""
    end, begin = one.nodes[-1], other.nodes[0]
    return float(np.log(begin.frequency_hz / begin.speed_mps) - np.log(end.frequency_hz / end.speed_mps))


def _may_step(one: Track, other: Track) -> bool:
    apart = other.nodes[0].point - one.nodes[-1].point
    enters = other.nodes[-1].point > one.nodes[-1].point and other.nodes[0].point > one.nodes[0].point
    return 0 <= apart <= 1 and enters and abs(_step(one, other)) >= TRACK_STEP_AT_LEAST_SHARE


def track_laws(tracks: Sequence[Track], speed_share: float, confidence: float) -> list[TrackLaw]:
    """How each track's frequency depends on speed: exponent, its interval and the word for it.

    The fit is that of levels (`speed_fit`) on 10 lg f, a value a speed: what repeats differ by in speed is known too
    little to tell an exponent. A value's standard uncertainty is that of its frequency, of its speed (`speed_share`,
    relative) and how far a tone obeys a power law at all: lock-in and compressibility bend it by 1 %, and by 3 % where
    it has two speeds, which cannot show it; linked tracks show it together.
    """
    laws = []
    for index, track in enumerate(tracks):
        nodes = track.nodes
        if len(nodes) < 2:
            laws.append(TrackLaw(np.nan, np.nan, np.nan, "cannot-tell"))
            continue
        several = sum(len(tracks[k].nodes) for k in _chain_of(tracks, index)) > 2
        law = TRACK_LAW_SCATTER_SHARE if several else TRACK_TWO_SPEEDS_SCATTER_SHARE
        share = np.array(
            [np.hypot(node.uncertainty_hz / node.frequency_hz, np.hypot(speed_share, law)) for node in nodes]
        )
        level = 10.0 * np.log10([node.frequency_hz for node in nodes])
        speed = np.array([node.speed_mps for node in nodes])
        own, x_db = DB_PER_RELATIVE_POWER * share[:, None], speed_decibels(speed, float(speed.mean()))
        fit = speed_fit(level[:, None], own, np.zeros_like(own), x_db, np.arange(speed.size), confidence)
        lower, upper = float(fit.lower[0]), float(fit.upper[0])
        laws.append(TrackLaw(float(fit.exponent[0]), lower, upper, follows(lower, upper)))
    return laws


def _chain_of(tracks: Sequence[Track], index: int) -> Iterator[int]:
    """The tracks that a track is linked with, itself included."""
    first: int | None = index
    while first is not None and tracks[first].before is not None:
        first = tracks[first].before
    at = first
    while at is not None:
        yield at
        at = next((k for k, track in enumerate(tracks) if track.before == at), None)


def follows(lower: float, upper: float) -> str:
    """What an interval of the exponent says: flow, fixed, neither or cannot-tell.

    >>> follows(0.9, 1.1), follows(-0.1, 0.05), follows(0.4, 0.6), follows(0.3, 1.4)
    ('flow', 'fixed', 'neither', 'cannot-tell')
    """
    near, within = TRACK_EXPONENT_NEAR_EXPONENTS, TRACK_EXPONENT_WITHIN_EXPONENTS
    meets = {
        word: lower <= centre + near and upper >= centre - near for word, centre in (("flow", FLOW), ("fixed", FIXED))
    }
    if not any(meets.values()):
        return "neither" if lower <= upper else "cannot-tell"
    for word, centre in (("flow", FLOW), ("fixed", FIXED)):
        if meets[word] and centre - within < lower and upper < centre + within:
            return word
    return "cannot-tell"


def sweep_directions(points: Sequence[int]) -> list[str | None]:
    """Of runs in order of time, by their speeds' numbers, which belong to an upward and which to a downward sweep.

    A sweep takes three speeds or more in one direction. Where not both directions occur all are of "all"; else a run of
    neither is None. The run at which a sweep turns belongs to the first.

    >>> sweep_directions([0, 1, 2, 1, 0]), sweep_directions([0, 1, 2, 0, 1, 2])
    (['up', 'up', 'up', 'down', 'down'], ['all', 'all', 'all', 'all', 'all', 'all'])
    """
    found: list[str | None] = [None] * len(points)
    start = 0
    while start < len(points):
        stop, direction = start + 1, 0
        while stop < len(points):
            change = int(np.sign(points[stop] - points[stop - 1]))
            if change and direction and change != direction:
                break
            direction = direction or change
            stop += 1
        # A sweep that turns has its turning point in the one before.
        turned = start and found[start - 1] is not None
        if len(set(points[max(start - bool(turned), 0) : stop])) >= SWEEP_LEAST_SPEEDS:
            found[start:stop] = ["up" if direction > 0 else "down"] * (stop - start)
        start = stop
    return found if {"up", "down"} <= set(found) else ["all"] * len(points)
