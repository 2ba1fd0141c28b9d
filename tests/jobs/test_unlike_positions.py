"""Intervals hold at every position and families are free of false findings, however unlike positions scatter.

Few campaigns here, more among the long tests; `benchmarks/validate_positions.py` draws many.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from generated_campaign import Design, Generated, Scatters, generated

from long_evidence import few_or_many
from tapeline.campaign.settings import Compare
from tapeline.jobs.compare.compared_pairs import Compared, compared_pairs
from tapeline.jobs.compare.compared_runs import repeat_pools
from tapeline.jobs.compare.session_changes import session_changes

POINTS = ((20.0, 0.0), (30.0, 0.0), (40.0, 0.0), (40.0, 10.0))


@pytest.fixture(params=few_or_many(20, 60))
def campaigns(request: pytest.FixtureRequest) -> int:
    return int(request.param)


def design_of(runs: int, points: int, factor: float, positions: int = 8, tails: float | None = None) -> Design:
    return Design(
        {"april": {"open": runs, "front": runs}},
        {"c": ("open", "front")},
        positions=positions,
        points=POINTS[:points],
        scatters=Scatters(run=0.3, session=0.0, mount=0.0, random=0.1, tails=tails),
        unlike=(factor,),
    )


def made_of(design: Design, seed: int) -> Generated:
    random = np.random.default_rng(seed)
    base = random.normal(80.0, 5.0, (len(design.points), design.positions, design.bands))
    names = sorted({name for session in design.repeats.values() for name in session})
    return generated(design, dict.fromkeys(names, base), random)


def pairs_of(made: Generated) -> list[Compared]:
    pools = repeat_pools(made.job)
    return compared_pairs(made.job, made.job.needs.comparisons["c"], pools, session_changes(made.job, pools))


def simulated(design: Design, campaigns: int) -> tuple[float, float, int]:
    """Shares of intervals that hold at the first position and at the others, and families with a false finding."""
    inside, false = [], 0
    for seed in range(campaigns):
        found = pairs_of(made_of(design, seed))
        held = np.stack([(one.result.lower_db <= 0.0) & (one.result.upper_db >= 0.0) for one in found])
        inside.append(held.mean(axis=(0, 2)))
        false += any(bool((one.adjusted_p <= 0.05).any()) for one in found)
    shares = np.mean(inside, axis=0)
    return float(shares[0]), float(shares[1:].mean()) if len(shares) > 1 else np.nan, false


@pytest.mark.parametrize("factor", [1.0, 3.0, 5.0])
@pytest.mark.parametrize(("runs", "points", "tails"), [(2, 1, None), (3, 1, None), (2, 4, None), (2, 4, 4.0)])
def test_intervals_hold_where_positions_differ(
    factor: float, runs: int, points: int, tails: float | None, campaigns: int
) -> None:
    """With 60 campaigns one standard error of the odd position's share is about 0.007."""
    odd, others, false = simulated(design_of(runs, points, factor, tails=tails), campaigns)
    assert 0.925 <= odd <= 0.99
    assert 0.93 <= others <= 0.985
    assert false <= 0.06 * campaigns + 3.0 * np.sqrt(0.06 * campaigns)


@pytest.mark.parametrize(("positions", "pooled"), [(8, False), (1, True), (1, False)])
def test_the_smallest_campaigns_hold_at_the_price_of_width(positions: int, pooled: bool) -> None:
    design = replace(design_of(2, 1, 3.0, positions), compare=Compare(repeats_pooled=pooled))
    odd, _, false = simulated(design, 100)
    assert 0.925 <= odd <= 0.995
    assert false <= 11


def across(factor: float) -> Design:
    repeats = {"april": {"base": 2, "open": 2}, "may": {"base": 2, "sealed": 2}, "june": {"base": 2}}
    return Design(
        repeats,
        {"c": ("open", "sealed")},
        points=POINTS[:2],
        scatters=Scatters(run=0.25, session=0.3, mount=0.8),
        unlike=(factor,),
        kept=0,
    )


def test_intervals_between_sessions_hold_at_a_position_that_is_hard_to_fit_anew(campaigns: int) -> None:
    """Three times the change of the others."""
    odd, others, false = simulated(across(3.0), campaigns)
    assert odd >= 0.93 and others >= 0.93
    assert false <= 0.06 * campaigns + 3.0 * np.sqrt(0.06 * campaigns)


def test_an_interval_between_sessions_holds_the_change_that_was_measured_there() -> None:
    design = across(1.0)
    made = made_of(design, 3)
    cube = made.job.cube
    for r, name in enumerate(cube.runs):
        if name.startswith("may-"):
            cube.values["corrected_level_db"][r, 2] += 6.0
    for one in pairs_of(made):
        half = (one.result.upper_db - one.result.lower_db) / 2.0
        assert half[2].min() > 4.0
        assert half[4:].max() < half[2].min()


def test_an_odd_run_at_one_position_leaves_other_positions_alone() -> None:
    design = design_of(3, 2, 1.0)
    sound, faulty = made_of(design, 5), made_of(design, 5)
    cube = faulty.job.cube
    cube.values["corrected_level_db"][cube.runs.index("april-front-0-1"), 0] += 8.0
    for one, other in zip(pairs_of(sound), pairs_of(faulty), strict=True):
        widths = [part.result.upper_db - part.result.lower_db for part in (one, other)]
        assert np.median(np.abs(widths[1][1:] / widths[0][1:] - 1.0)) < 0.1
        if one.pair.point == POINTS[0]:
            assert np.all(widths[1][0] > 3.0 * widths[0][0])
