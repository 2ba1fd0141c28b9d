"""Grouping of set speeds and yaw angles into operating points."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_campaign import MINIMAL, changed, faults_of, write

from tapeline.campaign.load import load_campaign
from tapeline.campaign.operating_points import named_points, operating_points
from tapeline.campaign.plan import Plan
from tapeline.campaign.settings import Settings
from tapeline.campaign.tables import Run
from tapeline.jobs.compare import needs as compare_needs

EMPTY_RUN: dict[str, Any] = dict.fromkeys(Run.__dataclass_fields__)


def runs_at(*points: tuple[float | None, float]) -> list[Run]:
    """Runs r0, r1, … with the given speeds (km/h) and yaw angles."""
    blank = Run(**EMPTY_RUN)
    return [
        replace(blank, run=f"r{index}", speed_mps=None if kmh is None else kmh / 3.6, yaw_deg=yaw)
        for index, (kmh, yaw) in enumerate(points)
    ]


def settings_with(**operating_point: Any) -> Settings:
    unit, entered = operating_point.pop("speed_unit", "km/h"), operating_point.pop("entered", None)
    return Settings.model_validate(
        {
            "campaign": "c",
            "conditions": {"open": {}},
            "operating_point": operating_point,
            "entered_speed_unit": entered,
            "report": {"speed_unit": unit},
        }
    )


def nominal_kmh(runs: list[Run], settings: Settings) -> list[float]:
    return [round(speed * 3.6, 6) for speed, _ in operating_points(runs, settings).values()]


def test_speeds_within_the_tolerance_take_the_most_frequent_speed() -> None:
    runs = runs_at((100, 0), (101.5, 0), (100, 0), (140, 0), (138, 0))
    assert nominal_kmh(runs, settings_with()) == [100, 100, 100, 138, 138]


def test_tolerance_counts_from_the_lower_speed_and_includes_its_limit() -> None:
    assert nominal_kmh(runs_at((100, 0), (102, 0)), settings_with()) == [100, 100]
    assert nominal_kmh(runs_at((100, 0), (102.1, 0)), settings_with()) == [100, 102.1]


def test_neighbours_chain_into_one_cluster() -> None:
    assert nominal_kmh(runs_at((100, 0), (101.5, 0), (103, 0), (103, 0)), settings_with()) == [103, 103, 103, 103]


def test_stated_nominal_speeds_are_in_the_unit_of_the_report() -> None:
    runs = runs_at((99, 0), (101, 0), (120, 0))
    assert nominal_kmh(runs, settings_with(nominal_speeds=[100])) == [100, 100, 120]
    in_mps = settings_with(nominal_speeds=[100 / 3.6], speed_unit="m/s")
    assert nominal_kmh(runs, in_mps) == [100, 100, 120]


def test_entered_speeds_keep_the_unit_stated_beside_them() -> None:
    runs = runs_at((99, 0), (101, 0), (120, 0))
    shown_in_mps = settings_with(nominal_speeds=[100], speed_unit="m/s", entered="km/h")
    assert nominal_kmh(runs, shown_in_mps) == [100, 100, 120]
    assert named_points([(100.0, 0.0)], [(100 / 3.6, 0.0)], shown_in_mps) == [(100 / 3.6, 0.0)]


def entered(settings: str) -> dict[str, str]:
    return changed("config/campaign.yaml", "campaign: roof\n", f"campaign: roof\n{settings}\n")


@pytest.mark.parametrize(
    ("settings", "unit"),
    [
        ("report: {speed_unit: m/s}", "the unit that report.speed_unit gives"),
        ("entered_speed_unit: m/s", "the unit that entered_speed_unit gives"),
    ],
)
def test_nominal_speeds_that_fit_in_the_other_unit_alone_are_a_fault(tmp_path: Path, settings: str, unit: str) -> None:
    write(tmp_path, entered(f"operating_point: {{nominal_speeds: [100, 130]}}\n{settings}"))
    (fault,) = faults_of(tmp_path)
    assert (fault.line, fault.column) == (2, 36)
    assert fault.found == "100 m/s, which no run was set to; runs were set to 100 km/h"
    assert fault.expected == f"speeds in m/s, {unit}"
    assert fault.mend == "entered_speed_unit: km/h reads them so"


def test_a_nominal_speed_in_another_unit_than_the_rest_is_a_warning(tmp_path: Path) -> None:
    write(tmp_path, entered("operating_point: {nominal_speeds: [100, 27.8]}"))
    (warning,) = [each for each in load_campaign(tmp_path).warnings if "set to" in each.found]
    assert warning.found == "27.8 km/h, which no run was set to; runs were set to 27.8 m/s"


@pytest.mark.parametrize(
    "settings",
    [
        "operating_point: {nominal_speeds: [27.8]}\nreport: {speed_unit: m/s}",
        "operating_point: {nominal_speeds: [100]}\nreport: {speed_unit: m/s}\nentered_speed_unit: km/h",
        "operating_point: {nominal_speeds: [0, 140]}",
    ],
)
def test_speeds_in_their_own_unit_and_speeds_yet_to_be_driven_are_not_doubted(tmp_path: Path, settings: str) -> None:
    write(tmp_path, entered(settings))
    assert [each for each in load_campaign(tmp_path).warnings if "set to" in each.found] == []


def test_nearest_of_two_nominal_speeds_is_taken() -> None:
    settings = settings_with(nominal_speeds=[102, 100], speed_tolerance=0.05)
    assert nominal_kmh(runs_at((100.9, 0), (101.1, 0)), settings) == [100, 102]


def test_standstill_is_a_point_of_its_own() -> None:
    assert nominal_kmh(runs_at((0, 0), (1, 0), (0, 0)), settings_with(speed_tolerance=0.4)) == [0, 1, 0]


def test_runs_without_a_speed_have_no_operating_point() -> None:
    assert list(operating_points(runs_at((None, 0), (50, 0)), settings_with())) == ["r1"]


def test_yaw_angles_are_grouped_alike() -> None:
    points = operating_points(runs_at((100, -5), (100, -5.4), (100, 0), (100, 0.6), (100, -5)), settings_with())
    assert [yaw for _, yaw in points.values()] == [-5, -5, 0, 0.6, -5]


def test_campaign_gives_points_of_all_runs_with_a_speed(minimal: Path) -> None:
    campaign = load_campaign(minimal)
    assert campaign.operating_points == {run: (pytest.approx(100 / 3.6), 0.0) for run in ("bg1", "m1", "m2")}


@given(st.lists(st.tuples(st.floats(0, 400), st.floats(-180, 180)), max_size=30), st.randoms())
def test_nominal_values_are_set_values_and_do_not_depend_on_the_order(points: list[Any], random: Any) -> None:
    runs = runs_at(*points)
    found = operating_points(runs, settings_with())
    assert {speed for speed, _ in found.values()} <= {run.speed_mps for run in runs}
    assert {yaw for _, yaw in found.values()} <= {run.yaw_deg for run in runs}
    shuffled = list(runs)
    random.shuffle(shuffled)
    assert operating_points(shuffled, settings_with()) == found


def test_points_are_named_in_the_reports_unit_and_within_the_tolerances() -> None:
    known = [(100 / 3.6, 0.0), (100 / 3.6, 5.0), (130 / 3.6, 0.0)]
    named = [(100.0, 0.0), (101.0, 5.3), (103.0, 0.0), (130.0, 5.0)]
    assert named_points(named, known, settings_with()) == [known[0], known[1], None, None]
    assert named_points([(27.8, 0.0)], known, settings_with(speed_unit="m/s")) == [known[0]]


def test_the_ranking_is_over_the_points_chosen(tmp_path: Path) -> None:
    text = "campaign: roof\nranking: {operating_points: [[101, 0.2]]}\n"
    write(tmp_path, changed("config/campaign.yaml", "campaign: roof\n", text))
    assert compare_needs(Plan(load_campaign(tmp_path))).ranking_points == ((100 / 3.6, 0.0),)
    write(tmp_path, dict(MINIMAL))
    assert compare_needs(Plan(load_campaign(tmp_path))).ranking_points == ()
