"""The sequence of calibrated positions compared with the one that the run table states."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tapeline.limits import EXCHANGED_PAIRS

MOST_NAMED = 12
"""A longer sequence is cut in a sentence."""


@dataclass(frozen=True)
class Doubt:
    """A reason code at a position, with its sentence; `partner` is the position that was calibrated in its place."""

    position: str
    code: str
    sentence: str
    partner: str | None = None


def distinct_turns(calibrated: Sequence[str]) -> list[str]:
    """The sequence with a position that was calibrated again at once, without another one between, counted once."""
    return [name for index, name in enumerate(calibrated) if index == 0 or name != calibrated[index - 1]]


def order_doubts(calibrated: Sequence[str], stated: Sequence[str]) -> list[Doubt]:
    """Doubts of a sequence of positions, `calibrated` in order of time, against those `stated` (none if unknown).

    Where a stated position is missing and another was calibrated beside the same neighbour, both are doubted, unless
    that one had its own turn too: then it hangs where it should. A position that is not stated is doubted, one that was
    calibrated twice is noted; of exchanged pairs both are named.
    """
    turns = distinct_turns(calibrated)
    doubts: list[Doubt] = []
    in_place = {name: _in_place_of(name, calibrated, stated) for name in stated if name not in turns}
    for name, taker in in_place.items():
        if taker is not None:
            words = "the cables or fittings of the two are likely exchanged, or the wrong one was calibrated"
            sentence = f"position {name}: {taker} was calibrated when it was due: {words}"
            doubts.append(Doubt(name, "calibrator-on-another-channel", sentence, taker))
            if calibrated.count(taker) > 1:
                again = f"position {taker} was calibrated again when {name} was due; its own turn counts all the same"
                doubts.append(Doubt(taker, "calibrated-twice", again))
            else:
                sentence = f"position {taker} was calibrated when {name} was due: {words}"
                doubts.append(Doubt(taker, "calibrator-on-another-channel", sentence, name))
    takers = set(in_place.values())
    for name in dict.fromkeys(turns):
        if stated and name not in stated and name not in takers:
            sentence = f"position {name} was calibrated but is not listed in this run"
            doubts.append(Doubt(name, "not-listed", sentence))
        times = [index + 1 for index, other in enumerate(turns) if other == name]
        if len(times) > 1 and name not in takers:
            places = " and ".join(map(str, times))
            doubts.append(
                Doubt(name, "calibrated-twice", f"position {name} was calibrated {len(times)} times (turns {places})")
            )
    doubts += _exchanged([name for name in turns if name not in takers], stated)
    return list({(found.position, found.code): found for found in reversed(doubts)}.values())[::-1]


def _in_place_of(name: str, calibrated: Sequence[str], stated: Sequence[str]) -> str | None:
    """What was calibrated, unasked or a second time, beside a neighbour that the list gives a missed position."""
    index = stated.index(name)
    before, after = _neighbours(stated, index)
    for place, heard in enumerate(calibrated):
        previous, following = _neighbours(calibrated, place)
        spare = heard not in stated or calibrated.count(heard) > 1
        if spare and (previous == before or following == after):
            return heard
    return None


def _neighbours(names: Sequence[str], index: int) -> tuple[str | None, str | None]:
    return names[index - 1] if index else None, names[index + 1] if index + 1 < len(names) else None


def _exchanged(turns: Sequence[str], stated: Sequence[str]) -> list[Doubt]:
    """Pairs that stand in each other's place; one note on the first position where the whole order is another."""
    once = list(dict.fromkeys(name for name in turns if name in stated))
    listed = [name for name in dict.fromkeys(stated) if name in once]
    asked = dict(zip(once, listed, strict=True))
    moved = [name for name in once if asked[name] != name]
    if not moved:
        return []
    pairs = all(asked[asked[name]] == name for name in moved)
    reversed_whole = once == listed[::-1] and len(once) > 2
    if (
        pairs
        and len(moved) // 2 <= EXCHANGED_PAIRS
        and not reversed_whole
        and (len(moved) < len(once) or len(once) == 2)
    ):
        return [
            Doubt(
                name,
                "swapped",
                f"position {name} was calibrated when {asked[name]} was due and the other way round: their cables or "
                "fittings are likely exchanged, if the list gives the order of the applications",
                asked[name],
            )
            for name in moved
        ]
    heard = " ".join(once[:MOST_NAMED]) + (" …" if len(once) > MOST_NAMED else "")
    return [Doubt(once[0], "other-order", f"calibrated in the order {heard}, which is not the order of the list")]
