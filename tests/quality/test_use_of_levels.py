"""What a level may be used for: what is found wrong or in doubt stays out where anything sounder is there."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.jobs.levels.level_use_columns import background_source_rank
from tapeline.quality.reasons import REASONS
from tapeline.quality.use_of_levels import LevelUse, doubts_level, less_along_first, level_use
from tapeline.store.tables import BACKGROUND_SOURCES, WITH_REFERENCES

NO = np.zeros(4, dtype=bool)
REPEATS = np.array([0, 0, 0, 1])
ONE_BAND = np.zeros(4, dtype=int)


def flags(*numbers: int) -> np.ndarray:
    return np.isin(np.arange(4), numbers)


def use_of(doubted: np.ndarray = NO, unusable: np.ndarray = NO, only_background: np.ndarray = NO) -> LevelUse:
    """Three repeats and a level of another condition, off all of which as much was taken."""
    return level_use(~unusable, doubted, only_background, np.zeros(4, dtype=int), NO, REPEATS, ONE_BAND)


def test_what_is_in_doubt_counts_only_where_nothing_is_sounder_and_is_never_pooled() -> None:
    beside_sound_ones = use_of(doubted=flags(1))
    assert beside_sound_ones.comparable.tolist() == [True, False, True, True]
    assert beside_sound_ones.pooled.tolist() == [True, False, True, True]
    alone = use_of(doubted=flags(0, 1, 2))
    assert alone.comparable.tolist() == [True] * 4
    assert alone.pooled.tolist() == [False, False, False, True]


def test_an_unusable_level_is_never_used_and_makes_nothing_sounder() -> None:
    use = use_of(doubted=flags(1, 2), unusable=flags(0))
    assert use.usable.tolist() == [False, True, True, True]
    assert use.comparable.tolist() == [False, True, True, True]
    assert use.pooled.tolist() == [False, False, False, True]


def test_repeats_that_all_lack_their_background_are_pooled_where_no_others_are() -> None:
    lacking = flags(0, 1, 2)
    assert use_of(doubted=lacking, only_background=lacking).pooled.tolist() == [True] * 4
    # Two sound repeats of the band elsewhere in the session are enough to leave them out.
    cells = np.array([0, 0, 1, 1])
    use = level_use(~NO, flags(0, 1), flags(0, 1), np.zeros(4, dtype=int), NO, cells, ONE_BAND)
    assert use.pooled.tolist() == [False, False, True, True]


@pytest.mark.parametrize(
    ("background_source", "subtracted", "together"),
    [
        (("flow", "flow", "nothing"), (True, True, False), [True, True, False]),
        (("flow", "electrical", "flow"), (True, False, True), [True, False, True]),
        (("flow", "electrical", "nothing"), (False, False, False), [True, True, True]),
        (("references and flow", "flow", "references and flow"), (True, True, True), [True, False, True]),
        (("nothing", "nothing", "nothing"), (False, False, False), [True, True, True]),
        (("flow", "between-speeds", "flow"), (True, True, True), [True, True, True]),
    ],
)
def test_repeats_are_those_off_which_as_much_was_taken(
    background_source: tuple[str, str, str], subtracted: tuple[bool, bool, bool], together: list[bool]
) -> None:
    """Where nothing had to be subtracted anyhow all of them count."""
    every, same = np.ones(3, dtype=bool), np.zeros(3, dtype=int)
    use = level_use(every, ~every, ~every, background_source_rank(background_source), np.array(subtracted), same, same)
    assert use.comparable.tolist() == together
    less = less_along_first(background_source_rank(background_source), every, np.array(subtracted))
    assert (~less).tolist() == together


def test_references_add_to_what_is_taken_off() -> None:
    assert [BACKGROUND_SOURCES[i + WITH_REFERENCES] for i in range(WITH_REFERENCES)] == [
        f"references and {name}" for name in BACKGROUND_SOURCES[:WITH_REFERENCES]
    ]


def test_only_doubtful_reasons_doubt_a_level() -> None:
    """What is unusable is left out anyway, and a note doubts nothing."""
    assert {reason.verdict for reason in REASONS.values() if reason.of_level} <= {"doubtful"}
    assert doubts_level(["background-refused"])
    assert not doubts_level(["background-unsteady", "unused-bits"])
