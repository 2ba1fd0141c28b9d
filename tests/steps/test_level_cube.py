"""Which levels can be put together, and when a difference has more taken off one side than off the other."""

from __future__ import annotations

import numpy as np
import pytest

from tapeline.acoustics import background
from tapeline.acoustics.background import MarginLimits
from tapeline.campaign.settings import Background, Compare, Ranking
from tapeline.campaign.slices import CompareNeeds
from tapeline.steps.compared_runs import Job
from tapeline.steps.comparison_rows import _one_sided
from tapeline.steps.level_cube import COLUMNS, Item, LevelCube
from tapeline.store.tables import TAKEN_OFF, WITH_REFERENCES

RUNS = ("r0", "r1", "r2")
CLEAR, CORRECTED, BOUND = background.CLEAR, background.CORRECTED, background.BOUND


def cube(taken_off: tuple[str, str, str], states: tuple[int, int, int]) -> LevelCube:
    """One band at one position of three runs, 80 dB each."""
    shape = (3, 1, 1)
    values = {name: np.full(shape, np.nan) for name in COLUMNS} | {"corrected_level_db": np.full(shape, 80.0)}
    return LevelCube(
        runs=RUNS,
        positions=("p",),
        items=(Item("band", "Z", 891.3, 1122.0, 1000.0, 1000.0),),
        values=values,
        lower_edge_hz=np.full(shape, np.nan),
        upper_edge_hz=np.full(shape, np.nan),
        narrower=np.zeros(shape, dtype=bool),
        state=np.array(states, dtype=np.int8).reshape(shape),
        taken_off=np.array([TAKEN_OFF.index(name) for name in taken_off], dtype=np.int8).reshape(shape),
        usable=np.ones((3, 1), dtype=bool),
        doubtful=np.zeros(shape, dtype=bool),
    )


@pytest.mark.parametrize(
    ("taken_off", "states", "together"),
    [
        (("flow", "flow", "nothing"), (CORRECTED, CORRECTED, background.NONE), [True, True, False]),
        (("flow", "electrical", "flow"), (CORRECTED, CLEAR, BOUND), [True, False, True]),
        (("flow", "electrical", "nothing"), (CLEAR, CLEAR, background.NONE), [True, True, True]),
        (("references and flow", "flow", "references and flow"), (BOUND, CORRECTED, BOUND), [True, False, True]),
        (("nothing", "nothing", "nothing"), (0, 0, 0), [True, True, True]),
    ],
)
def test_repeats_are_those_off_which_as_much_was_taken(
    taken_off: tuple[str, str, str], states: tuple[int, int, int], together: list[bool]
) -> None:
    """Where nothing had to be subtracted anyhow all of them count."""
    assert cube(taken_off, states).comparable([0, 1, 2])[:, 0, 0].tolist() == together


@pytest.mark.parametrize(
    ("taken_off", "states", "doubtful"),
    [
        (("flow", "electrical", "electrical"), (CORRECTED, CLEAR, CLEAR), True),
        (("flow", "electrical", "electrical"), (CLEAR, CLEAR, CLEAR), False),
        (("references and flow", "flow", "flow"), (CORRECTED, CORRECTED, CORRECTED), True),
        (("flow", "flow", "flow"), (CORRECTED, BOUND, CORRECTED), False),
    ],
)
def test_more_taken_off_one_side_is_a_doubt(
    taken_off: tuple[str, str, str], states: tuple[int, int, int], doubtful: bool
) -> None:
    needs = CompareNeeds(
        campaign="given", comparisons={}, lines="", applied={}, runs=(), mounts=(), areas=(), mirrors=(),
        confidence=0.95, compare=Compare(), ranking=Ranking(), background=Background(), reference_pressure_pa=2e-5,
    )  # fmt: skip
    job = Job(needs, cube(taken_off, states), {}, MarginLimits(15.0, 6.0, 3.0, 1.96))
    assert _one_sided(job, [["r0"], ["r1", "r2"]], 0, 0) == doubtful


def test_references_add_to_what_is_taken_off() -> None:
    assert [TAKEN_OFF[i + WITH_REFERENCES] for i in range(WITH_REFERENCES)] == [
        f"references and {name}" for name in TAKEN_OFF[:WITH_REFERENCES]
    ]
