"""Which condition is the untreated one, and which has everything applied that another has and more."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from tapeline.campaign.settings import Comparison, Settings


@dataclass(frozen=True)
class Untreated:
    """The condition that gains are counted from, and what says that it is this one.

    `known_by`: nothing applied (it alone has nothing applied), reference_condition, comparisons (all name it) or first
    condition.
    """

    condition: str
    known_by: str


def untreated_condition(settings: Settings) -> Untreated:
    """The condition without treatments.

    The only one with an empty `applied`. Where several are bare, among them, and where none is, among all:
    `reference_condition` as far as it is stated, else what all comparisons have in common, else the first condition.
    """
    bare = [name for name, condition in settings.conditions.items() if not condition.applied]
    if len(bare) == 1:
        return Untreated(bare[0], "nothing applied")
    among = bare or list(settings.conditions)
    if settings.stated_reference in among:
        return Untreated(settings.stated_reference, "reference_condition")
    named = [name for name in _named_by_all(settings.comparisons.values()) if name in among]
    return Untreated(named[0], "comparisons") if len(named) == 1 else Untreated(among[0], "first condition")


def _named_by_all(comparisons: Collection[Comparison]) -> set[str]:
    """What all comparisons have in common: a condition on either side, or where they share both, the reference."""
    sides = [{comparison.reference, comparison.treatment} for comparison in comparisons]
    common = set.intersection(*sides) if sides else set()
    return common if len(common) == 1 else {comparison.reference for comparison in comparisons}


def most_treated(applied: Mapping[str, Collection[str]], condition: str, measured: Collection[str]) -> list[str]:
    """Of the conditions `measured`, those that have all that `condition` has applied and more, the most of it.

    Several where they have equally much but not the same; of some with the same treatments the first by name. None
    where none has more. Levels have no say, so that chance does not pick.
    """
    own = frozenset(applied[condition])
    more = {frozenset(applied[name]): name for name in sorted(measured, reverse=True) if own < frozenset(applied[name])}
    most = max(map(len, more), default=0)
    return sorted(name for treatments, name in more.items() if len(treatments) == most)
