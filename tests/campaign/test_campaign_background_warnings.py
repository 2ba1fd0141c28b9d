"""What the check of a campaign says of background runs and their settings, and what holds for any run table."""

from __future__ import annotations

import datetime
import tempfile
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from background_runs import BRIDGE, RUNS, SETTINGS, Row, background, campaign_of, measured, of
from hypothesis import given
from hypothesis import strategies as st
from small_campaign import MINIMAL, changed, faults_of, write

from tapeline.campaign.backgrounds import backgrounds_of
from tapeline.campaign.faults import Fault
from tapeline.campaign.model import Campaign


def warned(root: Path, *rows: Row, files: Mapping[str, str] | None = None) -> list[Fault]:
    return [w for w in campaign_of(root, *rows, files=files).warnings if w.file == RUNS and w.column != "session"]


def test_the_same_refusal_of_several_runs_is_one_warning_where_the_first_stands(tmp_path: Path) -> None:
    rows = background("b", gain_db=6), measured(), measured("m2"), measured("m3", condition="sealed")
    (fault,) = warned(tmp_path, *rows)
    assert (fault.line, fault.column) == (3, "background")
    found, way_out = fault.found.split(", and ")
    assert found == "runs m, m2, m3; not used: b: another gain, 6 dB instead of 0 dB"
    assert way_out.startswith("no wind-off run at either gain bounds its electrical part: record one, or name the run")
    assert fault.expected.startswith("a background run with the same gain, mount, speed and yaw")


def test_a_background_run_without_a_speed_is_warned_of_unless_named(tmp_path: Path) -> None:
    missing, fault = warned(tmp_path, measured(condition="sealed"), measured("m2"), background("b", ""))
    assert missing.found == "runs m, m2, which have no background run in the flow"
    assert (fault.line, fault.column, fault.found) == (4, "speed_kmh", "an empty cell")
    assert "0 with the wind off" in fault.expected
    assert fault.mend is not None
    assert of(tmp_path, measured(), background("b", "")).kind is None
    named = [measured(condition="sealed", background="b"), measured("m2", background="b"), background("b", "")]
    assert warned(tmp_path, *named) == []
    assert of(tmp_path, *named).runs == ("b",)


@pytest.mark.parametrize("name", ["b", "b1"])
def test_a_retaken_run_without_a_speed_counts_as_named_by_either_name(tmp_path: Path, name: str) -> None:
    rows = measured(background=name), background("b", ""), background("b1", "", replaces="b")
    assert of(tmp_path, *rows).runs == ("b1",)
    assert warned(tmp_path, *rows) == []


def test_unknown_reference_positions_are_faults(tmp_path: Path) -> None:
    settings = MINIMAL[SETTINGS] + "background:\n  references: [seam1, saem2]\n"
    write(tmp_path, {**MINIMAL, SETTINGS: settings})
    (fault,) = faults_of(tmp_path)
    assert (fault.file, fault.line, fault.column) == (SETTINGS, settings.count("\n"), 23)
    assert (fault.found, fault.mend) == ('"saem2"', 'did you mean "seam2"?')


@pytest.mark.parametrize("key", ["response_db", "no_chart_db", "mounting_db"])
@pytest.mark.parametrize("curve", ["[]", "[[500, 0.1], [250, 0.2]]", "[[250, -0.1]]", "[[0, 0.1]]", "[[9, 1], [9, 2]]"])
def test_curves_of_uncertainty_rise_and_are_not_negative(tmp_path: Path, key: str, curve: str) -> None:
    write(tmp_path, changed(SETTINGS, "campaign: roof\n", f"campaign: roof\nuncertainty:\n  {key}: {curve}\n"))
    (fault,) = faults_of(tmp_path)
    assert (fault.file, fault.line) == (SETTINGS, 3)
    assert "frequencies above 0 Hz and increasing, no decibels below 0" in fault.expected


@pytest.fixture(scope="module")
def base() -> Campaign:
    with tempfile.TemporaryDirectory() as folder:
        return campaign_of(Path(folder), measured(), background("b"), files=BRIDGE)


POINT = st.tuples(
    st.sampled_from([0.0, 20.0, 20.2, 30.0, 40.0]), st.sampled_from([0.0, 0.4, 5.0, 10.0]), st.integers(0, 60)
)


@given(run=POINT, others=st.lists(POINT, max_size=6), named=st.booleans())
def test_no_table_gives_a_background_in_flow_of_another_yaw_or_day(
    base: Campaign, run: tuple[float, float, int], others: list[tuple[float, float, int]], named: bool
) -> None:
    names = tuple(f"b{index}" for index in range(len(others)))
    runs = {}
    for name, (speed, yaw, hour) in zip(("m", *names), (run, *others), strict=True):
        when = (datetime.datetime(2026, 4, 1) + datetime.timedelta(hours=hour)).isoformat()
        row = replace(base.runs["m" if name == "m" else "b"], run=name, speed_mps=speed, yaw_deg=yaw)
        runs[name] = replace(row, recorded_at=when, background=names if named and name == "m" else None)
    campaign = replace(base, runs=runs)
    found, points = backgrounds_of(campaign)["m"], campaign.operating_points
    speeds = [speed for speed, _ in found.groups]
    for name in found.runs:
        if points[name][0] > 0.0:
            assert points[name][1] == points["m"][1]
            assert abs(others[names.index(name)][2] - run[2]) <= 24
    assert len(set(found.runs)) == len(found.runs)
    assert {"flow": speeds == [points["m"][0]], "electrical": speeds == [0.0], None: speeds == []}.get(
        found.kind, len(speeds) == 2 and 0.0 < speeds[0] < points["m"][0] < speeds[1]
    )


def test_a_run_that_has_its_right_partner_needs_no_warning(tmp_path: Path) -> None:
    """Two gains, and two days, each with a background of its own: others are refused, and nothing is missing."""
    gains = [measured("m0"), measured("m6", gain_db=6), background("b0"), background("b6", gain_db=6)]
    assert warned(tmp_path / "gains", *gains) == []
    days = [
        row("r" + day, recorded_at=f"2026-03-0{day}T10:00:00") for day in ("1", "4") for row in (measured, background)
    ]
    named = [row | {"run": f"{row['kind'][0]}{row['run']}"} for row in days]
    assert warned(tmp_path / "days", *named) == []


@pytest.mark.parametrize(
    ("rows", "line", "column", "words"),
    [
        ([measured(), background("b"), background("b140", 140)], 4, "kind", "b140, which no measurement uses"),
        (
            [measured(), background("b"), background("g", gain_db=6)],
            4,
            "kind",
            "g, which no measurement uses: another gain",
        ),
        (
            [measured(), background("off", 0)],
            2,
            "background",
            "no background run in the flow; the wind-off level alone",
        ),
        (
            [measured(measured_speed_mps=27.8), background("b", measured_speed_mps=20), background("off", 0)],
            2,
            "background",
            "not used: b: its achieved speed",
        ),
        ([measured(measured_speed_mps=100), background("b")], 2, "measured_speed_mps", "3.6 times the nominal speed"),
        ([measured(measured_speed_mps=27), background("b")], 2, "measured_speed_mps", "0.972 times the nominal speed"),
        (
            [measured(dynamic_pressure_pa=420, temperature_c=20, static_pressure_hpa=1013), background("b")],
            2,
            "dynamic_pressure_pa",
            "26.42 m/s, 0.951 times the nominal speed",
        ),
    ],
    ids=[
        "another speed",
        "another gain",
        "wind off alone",
        "refused, wind off left",
        "kilometres an hour",
        "three percent slow",
        "by dynamic pressure",
    ],
)
def test_what_one_wants_to_know_before_the_rig_is_taken_down(
    tmp_path: Path, rows: list[Row], line: int, column: str, words: str
) -> None:
    found = [fault for fault in warned(tmp_path, *rows) if (fault.line, fault.column) == (line, column)]
    assert len(found) == 1
    assert words in found[0].found


def test_runs_without_any_background_are_named_once_a_session(tmp_path: Path) -> None:
    """Two points, no background run at all; one run says that none is wanted."""
    rows = [measured(f"m{k}", speed_kmh=100 + 20 * (k % 2)) for k in range(5)]
    (fault,) = warned(tmp_path / "bare", *rows, measured("alone", background="none"))
    assert (fault.line, fault.column) == (2, "background")
    assert fault.found == "runs m0, m1, m2 and 2 more, which have no background run in the flow"
    assert "or none, if so meant" in fault.expected
    some = warned(tmp_path / "some", *rows, background("b"))
    assert [fault.found for fault in some] == ["runs m1, m3, which have no background run in the flow"]
    points = warned(tmp_path / "points", *rows, background("b", 160))
    assert [fault.found.split(",")[0] for fault in points if fault.column == "background"] == ["runs m0", "runs m1"]


def test_a_speed_within_the_tolerance_needs_no_word(tmp_path: Path) -> None:
    assert warned(tmp_path, measured(measured_speed_mps=27.3), background("b")) == []


def test_a_named_wind_off_run_is_as_asked(tmp_path: Path) -> None:
    assert warned(tmp_path, measured(background="off"), background("off", 0)) == []
