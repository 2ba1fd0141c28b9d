"""Left against right."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from small_cubes import RANDOM_DB, Given, Small, bands, overall, written

from long_evidence import few_or_many
from tapeline.campaign.settings import Compare
from tapeline.jobs.compare.compared_runs import repeat_pools
from tapeline.jobs.compare.mirror_rows import mirror_rows
from tapeline.statistics.significance import student_factor

SIDES = ("left", "right")
PAIR = (("left", "right"),)


def rows_of(small: Small) -> list[dict[str, object]]:
    job = small.job()
    return mirror_rows(job, repeat_pools(job))


def campaign(*runs: Given, **changed: object) -> Small:
    return Small(runs, **({"positions": SIDES, "mirrors": PAIR} | changed))  # type: ignore[arg-type]


STRAIGHT = (Given("a-open-1", (82.0, 80.0)), Given("a-open-2", (82.0, 80.0)))
EITHER = (
    Given("a-open-1", (85.0, 78.0), yaw_deg=5.0),
    Given("a-open-2", (85.0, 78.0), yaw_deg=5.0),
    Given("a-open-3", (77.0, 83.0), yaw_deg=-5.0),
    Given("a-open-4", (77.0, 83.0), yaw_deg=-5.0),
)


def test_one_row_at_yaw_zero(tmp_path: Path) -> None:
    found = bands(written(tmp_path, "mirror_differences", rows_of(campaign(*STRAIGHT))))
    assert [(row["position"], row["mirror"], row["difference_db"]) for row in found] == [("left", "right", 2.0)]
    assert found[0]["runs"] == found[0]["mirror_runs"] == ["a-open-1", "a-open-2"]


def test_minus_zero_is_zero() -> None:
    runs = [Given(one.run, one.levels, yaw_deg=-0.0) for one in STRAIGHT]
    assert len(bands(rows_of(campaign(*runs)))) == 1


def test_both_signs_of_yaw_by_hand(tmp_path: Path) -> None:
    """Windward 85 (left at +5) against 83 (right at -5); leeward 77 (left at -5) against 78 (right at +5)."""
    found = {row["yaw_deg"]: row for row in bands(written(tmp_path, "mirror_differences", rows_of(campaign(*EITHER))))}
    assert sorted(found) == [-5.0, 5.0]
    assert found[5.0]["difference_db"] == pytest.approx(2.0)
    assert found[-5.0]["difference_db"] == pytest.approx(-1.0)
    assert (found[5.0]["level_db"], found[5.0]["mirror_level_db"]) == (85.0, 83.0)
    assert (found[5.0]["runs"], found[5.0]["mirror_runs"]) == (["a-open-1", "a-open-2"], ["a-open-3", "a-open-4"])


def test_one_sign_alone_has_no_row() -> None:
    assert rows_of(campaign(*EITHER[:2])) == []


def test_another_speed_is_no_opposite() -> None:
    other = [Given(one.run, one.levels, 40.0, one.yaw_deg) for one in EITHER[2:]]
    assert rows_of(campaign(*EITHER[:2], *other)) == []


def test_partners_that_name_each_other_are_one_pair(tmp_path: Path) -> None:
    both = rows_of(campaign(*EITHER, mirrors=(("right", "left"), ("left", "right"))))
    assert written(tmp_path, "mirror_differences", both) == written(
        tmp_path, "mirror_differences", rows_of(campaign(*EITHER))
    )


def test_a_partner_that_was_not_fitted_has_no_row() -> None:
    assert rows_of(campaign(*STRAIGHT, mirrors=(("left", "elsewhere"),))) == []
    assert rows_of(campaign(*STRAIGHT, mirrors=())) == []


@pytest.mark.parametrize("place", SIDES)
def test_a_bound_or_an_unusable_channel_has_no_row(place: str) -> None:
    bounds = {(run.run, place): 80.0 for run in STRAIGHT}
    assert rows_of(campaign(*STRAIGHT, bounds=bounds)) == []
    assert rows_of(campaign(*STRAIGHT, unusable=frozenset(bounds))) == []


def test_overall_levels_of_another_range_are_not_compared() -> None:
    found = rows_of(campaign(*STRAIGHT, edges={(run.run, "right"): 200.0 for run in STRAIGHT}))
    assert len(bands(found)) == 1
    assert overall(found) == []


def test_two_sensors_share_the_air_alone() -> None:
    """All but the environment counts twice; random error over two runs each."""
    stated = {"response": 0.2, "environment": 0.7, "mounting": 0.5, "speed": 0.1}
    found = bands(rows_of(campaign(*STRAIGHT, uncertainties=stated, calibration_db=0.3)))[0]
    each = 0.2**2 + 0.5**2 + 0.1**2 + 0.3**2 + RANDOM_DB**2 / 2.0
    assert found["standard_error_db"] == pytest.approx(np.sqrt(2.0 * each))
    assert found["degrees_of_freedom"] > 1000.0, "of random error and repeats, a small part of it"


def test_single_runs_have_the_assumed_scatter_of_repeats() -> None:
    found = bands(rows_of(campaign(STRAIGHT[0], compare=Compare(repeat_sd_db=0.4), calibration_db=0.0)))[0]
    assert found["standard_error_db"] == pytest.approx(np.sqrt(2.0 * (0.4**2 + RANDOM_DB**2)))
    share = 0.4**2 / (0.4**2 + RANDOM_DB**2)
    assert found["degrees_of_freedom"] == pytest.approx(2.0 / share**2), "one assumption, not two"


@pytest.mark.parametrize("campaigns", few_or_many(100, 600))
@pytest.mark.parametrize(("repeats", "scatter_db"), [(2, 0.3), (4, 0.0), (4, 0.3)])
def test_intervals_hold_the_truth(repeats: int, scatter_db: float, campaigns: int) -> None:
    """Campaigns of eight pairs at two yaw angles; 95 % intervals by what was drawn, sensors of 0.2 dB among it."""
    random = np.random.default_rng(21)
    names = tuple(f"{side}{k}" for k in range(8) for side in ("l", "r"))
    mirrors = tuple((f"l{k}", f"r{k}") for k in range(8))
    held = []
    for _ in range(campaigns):
        sensors, sd = 80.0 + 0.2 * random.normal(size=16), np.hypot(scatter_db, RANDOM_DB)
        runs = [
            Given(
                f"a-open-{sign}{k}",
                tuple(sensors + sd * random.normal(size=16)),
                30.0,
                yaw,
            )
            for sign, yaw in (("n", -5.0), ("p", 5.0))
            for k in range(repeats)
        ]
        for row in bands(rows_of(Small(runs, names, mirrors=mirrors, calibration_db=0.2))):
            dof = min(row["degrees_of_freedom"] or 1e9, 1e9)
            assert row["upper_db"] - row["difference_db"] == pytest.approx(
                student_factor(dof, 0.95) * row["standard_error_db"]
            )
            held.append(row["lower_db"] <= 0.0 <= row["upper_db"])
    assert 0.93 <= float(np.mean(held)) <= 0.975
