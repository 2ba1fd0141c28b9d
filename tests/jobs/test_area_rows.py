"""Energy means over areas."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from small_cubes import RANDOM_DB, Given, Small, bands, overall, written

from tapeline.jobs.compare.area_rows import area_difference_rows, area_rows, areas_of
from tapeline.jobs.compare.budget_rows import absolute_rows
from tapeline.jobs.compare.compared_runs import repeat_pools

AREAS = (("p", "seam"), ("q", "seam"), ("r", "ladder"), ("s", ""))
PLACES = ("p", "q", "r", "s")
RUNS = (Given("a-open-1", (90.0, 80.0, 70.0, 60.0)), Given("a-open-2", (90.0, 80.0, 70.0, 60.0)))


def rows_of(small: Small) -> list[dict[str, object]]:
    job = small.job()
    return list(area_rows(job, repeat_pools(job)))


def test_positions_without_an_area_are_in_none() -> None:
    job = Small(RUNS, PLACES, areas=AREAS).job()
    assert areas_of(job) == {"ladder": [2], "seam": [0, 1]}
    found = rows_of(Small(RUNS, PLACES, areas=AREAS))
    assert not any("s" in [*row["positions"], *row["without_level"]] for row in found)


def test_mean_of_an_area(tmp_path: Path) -> None:
    """10 lg((10^9 + 10^8) / 2) = 87.404 dB."""
    found = written(tmp_path, "areas", rows_of(Small(RUNS, PLACES, areas=AREAS)))
    assert len(found) == 4, "two areas, a band and an overall level"
    seam = bands(row for row in found if row["area"] == "seam")[0]
    assert seam["level_db"] == pytest.approx(87.4036, abs=1e-4)
    assert seam["spread_db"] == pytest.approx(10.0 / np.sqrt(2.0))
    assert (seam["positions"], seam["without_level"]) == (["p", "q"], [])
    assert seam["runs"] == ["a-open-1", "a-open-2"]
    assert seam["upper_bound_db"] is None
    ladder = bands(row for row in found if row["area"] == "ladder")[0]
    assert (ladder["level_db"], ladder["spread_db"]) == (pytest.approx(70.0), None)


def test_an_area_of_one_position_is_as_sure_as_its_budget() -> None:
    stated = {"response": 0.2, "environment": 0.3, "mounting": 1.0, "speed": 0.1, "steadiness": 0.05}
    runs = (Given("a-open-1", (90.0, 80.0, 70.0, 60.0)), Given("a-open-2", (90.4, 80.4, 70.5, 60.3)))
    small = Small(runs, PLACES, areas=AREAS, uncertainties=stated, calibration_db=0.0)
    job = small.job()
    budget = next(
        row
        for part in absolute_rows(job, repeat_pools(job))
        for row in part
        if row["position"] == "r" and row["quantity"] == "band"
    )
    ladder = bands(row for row in rows_of(small) if row["area"] == "ladder")[0]
    assert ladder["standard_uncertainty_db"] == pytest.approx(budget["standard_uncertainty_db"])


def test_calibration_is_common_to_all_positions() -> None:
    """What is common does not become less: 0.5 dB of two equal positions, and the random error of two runs."""
    runs = [Given(f"a-open-{k}", (80.0, 80.0)) for k in (1, 2)]
    small = Small(runs, areas=(("p", "x"), ("q", "x")), calibration_db=0.5)
    found = bands(rows_of(small))[0]
    assert found["standard_uncertainty_db"] == pytest.approx(np.hypot(0.5, RANDOM_DB / np.sqrt(2.0)), rel=1e-6)


def test_a_bound_inside_makes_a_bound_of_the_mean(tmp_path: Path) -> None:
    bounds = {("a-open-1", "q"): 84.0, ("a-open-2", "q"): 84.0}
    found = written(tmp_path, "areas", rows_of(Small(RUNS, PLACES, areas=AREAS, bounds=bounds)))
    seam = bands(row for row in found if row["area"] == "seam")[0]
    assert seam["level_db"] is None
    assert seam["standard_uncertainty_db"] is None
    assert seam["spread_db"] is None
    # 0.1 dB of calibration that all share; the bound holds its random error, of p 0.1 dB in two runs are left.
    share = 10**9.0 / (10**9.0 + 10**8.4)
    reach = 1.96 * np.hypot(0.1, share * RANDOM_DB / np.sqrt(2.0))
    assert seam["upper_bound_db"] == pytest.approx(10.0 * np.log10((10**9.0 + 10**8.4) / 2.0) + reach, abs=0.02)
    assert seam["positions"] == ["p", "q"]


def test_an_unusable_channel_is_named_and_left_out(tmp_path: Path) -> None:
    unusable = frozenset({("a-open-1", "q"), ("a-open-2", "q"), ("a-open-2", "p")})
    found = written(tmp_path, "areas", rows_of(Small(RUNS, PLACES, areas=AREAS, unusable=unusable)))
    seam = bands(row for row in found if row["area"] == "seam")[0]
    assert seam["level_db"] == pytest.approx(90.0)
    assert (seam["positions"], seam["without_level"]) == (["p"], ["q"])
    assert seam["runs"] == ["a-open-1"], "the other run has no usable position in the area"


def test_an_area_without_any_level_has_no_row() -> None:
    unusable = frozenset((run.run, "r") for run in RUNS)
    assert {row["area"] for row in rows_of(Small(RUNS, PLACES, areas=AREAS, unusable=unusable))} == {"seam"}


PAIRED = (
    Given("a-open-1", (90.0, 80.0, 70.0, 60.0)),
    Given("a-open-2", (90.2, 80.2, 70.2, 60.2)),
    Given("a-taped-1", (87.0, 84.0, 70.0, 60.0)),
    Given("a-taped-2", (87.2, 84.2, 70.2, 60.2)),
)
SEAM = {"seam": ("open", "taped")}


def differences_of(small: Small) -> list[dict[str, object]]:
    job = small.job()
    return area_difference_rows(job, "seam", small.compared(job, "seam"), repeat_pools(job))


def test_difference_of_an_area(tmp_path: Path) -> None:
    found = written(tmp_path, "area_differences", differences_of(Small(PAIRED, PLACES, areas=AREAS, comparisons=SEAM)))
    seam = bands(row for row in found if row["area"] == "seam")[0]
    expected = 10.0 * np.log10((10**8.7 + 10**8.4) / (10**9.0 + 10**8.0))
    assert seam["difference_db"] == pytest.approx(expected)
    assert seam["treatment_level_db"] - seam["reference_level_db"] == pytest.approx(expected)
    assert seam["family_size"] == 2, "two areas; overall levels are a family of their own"
    assert seam["lower_db"] < seam["difference_db"] < seam["upper_db"]
    assert {row["area"] for row in overall(found)} == {"seam", "ladder"}


def test_difference_over_common_positions_alone(tmp_path: Path) -> None:
    """q is unusable in the treatment: the reference leaves it out too."""
    unusable = frozenset({("a-taped-1", "q"), ("a-taped-2", "q")})
    small = Small(PAIRED, PLACES, areas=AREAS, comparisons=SEAM, unusable=unusable)
    seam = bands(row for row in written(tmp_path, "area_differences", differences_of(small)) if row["area"] == "seam")[
        0
    ]
    assert seam["difference_db"] == pytest.approx(-3.0)
    assert seam["reference_level_db"] == pytest.approx(90.1)
    assert (seam["positions"], seam["left_out"]) == (["p"], ["q"])


def test_a_single_position_is_as_sure_as_its_comparison() -> None:
    small = Small(PAIRED, PLACES, areas=AREAS, comparisons=SEAM)
    one = small.compared(small.job(), "seam")[0]
    ladder = bands(row for row in differences_of(small) if row["area"] == "ladder")[0]
    assert ladder["difference_db"] == pytest.approx(one.result.difference_db[2, 0])
    assert ladder["standard_error_db"] == pytest.approx(one.result.standard_error_db[2, 0])
    assert ladder["degrees_of_freedom"] == pytest.approx(one.result.degrees_of_freedom[2, 0])


def test_overall_levels_of_another_range_are_left_out() -> None:
    small = Small(PAIRED, PLACES, areas=AREAS, comparisons=SEAM, edges={("a-taped-1", "q"): 200.0})
    found = differences_of(small)
    assert overall(row for row in found if row["area"] == "seam")[0]["positions"] == ["p"]
    assert bands(row for row in found if row["area"] == "seam")[0]["positions"] == ["p", "q"]
