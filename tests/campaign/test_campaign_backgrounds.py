"""Which background runs are subtracted from a run, and which are refused and why.

What must never be subtracted (another gain, mount, speed or yaw, too long before or after) is common practice.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from background_runs import BRIDGE, FITTINGS, SETTINGS, Row, background, campaign_of, measured, of
from small_campaign import MINIMAL, Files

from tapeline.campaign.backgrounds import Backgrounds, OtherGain, backgrounds_of

HALF_GAIN = "session,channel,position,sensor,gain_db\napril,1,seam1,s1,0\napril,2,seam2,s2,20\n"


def two_sessions(*mounts: str) -> Files:
    """Fittings of the same two positions in april and may, with the mounts of seam1 and seam2 in that order."""
    rows = [("april", 1, "seam1"), ("april", 2, "seam2"), ("may", 1, "seam1"), ("may", 2, "seam2")]
    table = "".join(f"{s},{c},{p},s{c},{m}\n" for (s, c, p), m in zip(rows, mounts, strict=True))
    return {FITTINGS: "session,channel,position,sensor,mount\n" + table}


@pytest.mark.parametrize(("kmh", "runs"), [(98.1, ("b",)), (102, ("b",)), (103, ()), (97, ()), (50, ())])
def test_the_operating_point_decides_by_its_tolerance(tmp_path: Path, kmh: float, runs: tuple[str, ...]) -> None:
    found = of(tmp_path, measured(), background("b", kmh))
    assert (found.runs, found.refused) == (runs, ())
    assert found.kind == ("flow" if runs else None)


def test_all_runs_at_the_point_are_averaged_and_those_of_other_sessions_are_not(tmp_path: Path) -> None:
    rows = [background("b2"), background("b1"), background("other", session="may"), background("left_out", use="no")]
    found = of(tmp_path, measured(), *rows, files=two_sessions("a", "b", "a", "b"))
    assert found.groups == ((pytest.approx(100 / 3.6), ("b1", "b2")),)


@pytest.mark.parametrize(("yaw", "runs"), [(0, ()), (9.4, ()), (9.5, ("b",)), (-10, ())])
def test_another_yaw_is_no_background(tmp_path: Path, yaw: float, runs: tuple[str, ...]) -> None:
    assert of(tmp_path, measured(yaw_deg=10), background("b", yaw_deg=yaw)).runs == runs


def test_runs_that_name_the_condition_come_before_those_that_name_none_by_point(tmp_path: Path) -> None:
    rows = [
        measured(),
        measured("fast", speed_kmh=140),
        measured("shut", condition="sealed"),
        background("own", condition="open"),
        background("any"),
        background("any140", 140),
    ]
    found = backgrounds_of(campaign_of(tmp_path, *rows))
    assert [found[name].runs for name in ("m", "fast", "shut")] == [("own",), ("any140",), ("any",)]


def test_a_run_that_names_another_condition_never_counts(tmp_path: Path) -> None:
    assert of(tmp_path, measured(), background("b", condition="sealed")).kind is None


@pytest.mark.parametrize(("gain", "kept"), [("10", False), ("0.02", False), ("0.005", True), ("", True)])
def test_another_gain_of_the_whole_run_refuses_it(tmp_path: Path, gain: str, kept: bool) -> None:
    found = of(tmp_path, measured(), background("b", gain_db=gain))
    assert bool(found.runs) == kept
    assert [(r.background, r.positions) for r in found.refused] == ([] if kept else [("b", ())])
    assert kept or f"another gain, {gain} dB instead of 0 dB" in str(found.refused[0])


def test_another_gain_at_some_positions_refuses_them_alone(tmp_path: Path) -> None:
    """No wind-off run: nothing tells what of it is electrical."""
    found = of(tmp_path, measured(gain_db=20), background("b"), files={FITTINGS: HALF_GAIN})
    assert found.runs == ("b",)
    assert [found.refuses("b", position) for position in ("seam1", "seam2")] == [True, False]
    assert not found.refuses("another", "seam1")
    assert str(found.refused[0]).startswith("b at seam1: another gain, 0 dB instead of 20 dB, and no wind-off run")


@pytest.mark.parametrize(
    ("off_db", "floor", "own"), [(0, ("off",), ()), (10, (), ("off",)), ("", ("off",), ()), (3, None, ())]
)
def test_a_wind_off_run_at_either_gain_admits_another_gain(
    tmp_path: Path, off_db: object, floor: tuple[str, ...] | None, own: tuple[str, ...]
) -> None:
    """The run at 10 dB, its background at 0 dB: 10 dB less. A wind-off run at a third gain bounds neither."""
    found = of(tmp_path, measured(gain_db=10), background("b"), background("off", 0, gain_db=off_db))
    if floor is None:
        assert (found.kind, found.other_gain) == (None, ())
        return
    assert (found.kind, found.runs, found.floor) == ("flow", ("b",), own)
    assert found.other_gain == (OtherGain("b", -10.0, ("seam1", "seam2"), floor),)
    assert found.needed == ("b", "off")
    assert not found.refuses("b", "seam1")


def test_a_named_run_of_another_gain_is_taken_though_nothing_bounds_it(tmp_path: Path) -> None:
    found = of(tmp_path, measured(background="b"), background("b", gain_db=6))
    assert (found.runs, found.refused) == (("b",), ())
    assert found.other_gain == (OtherGain("b", 6.0, ("seam1", "seam2"), ()),)


@pytest.mark.parametrize("named", ["", "b0 b6"])
def test_a_run_of_the_same_gain_comes_before_one_of_another(tmp_path: Path, named: str) -> None:
    rows = background("b0"), background("b6", gain_db=6), background("off", 0)
    found = of(tmp_path, measured(background=named), *rows)
    assert (found.runs, found.other_gain) == (("b0",), ())
    assert [str(each) for each in found.refused] == ["b6: another gain, 6 dB instead of 0 dB"]


def test_a_same_gain_that_is_refused_leaves_the_other_one(tmp_path: Path) -> None:
    """The background of the run's gain is two days old."""
    rows = [
        measured(recorded_at="2026-04-03T10:00"),
        background("old", recorded_at="2026-04-01T09:00"),
        background("b6", gain_db=6, recorded_at="2026-04-03T09:00"),
        background("off", 0),
    ]
    found = of(tmp_path, *rows)
    assert (found.runs, [r.background for r in found.refused]) == (("b6",), ["old"])
    assert [step.background for step in found.other_gain] == ["b6"]


def test_refusals_of_all_positions_for_several_reasons_leave_nothing(tmp_path: Path) -> None:
    """A position that is not fitted there and a mount that is wrong at the other."""
    table = "session,channel,position,sensor,mount,gain_db\napril,1,seam1,s1,p,0\napril,2,seam2,s2,q,0\n"
    files = {FITTINGS: table + "may,2,seam2,s2,r,0\n"}
    found = of(tmp_path, measured(background="b"), background("b", session="may"), files=files)
    assert (found.kind, found.runs) == (None, ())
    assert [r.positions for r in found.refused] == [("seam1",), ("seam2",)]


@pytest.mark.parametrize(
    ("mounts", "kept", "refused"),
    [
        (("p", "q", "p", "q"), True, []),
        (("p", "q", "p", "r"), True, [("seam2",)]),
        (("p", "", "p", ""), True, [("seam2",)]),
        (("p", "q", "r", "s"), False, [()]),
        (("", "", "", ""), False, [()]),
    ],
)
def test_named_runs_of_another_session_count_where_the_mount_stayed(
    tmp_path: Path, mounts: tuple[str, ...], kept: bool, refused: list[tuple[str, ...]]
) -> None:
    rows = measured(background="b"), background("b", session="may"), background("own")
    found = of(tmp_path, *rows, files=two_sessions(*mounts))
    assert found.runs == (("b",) if kept else ())
    assert [r.positions for r in found.refused] == refused
    assert all("session may, where the mount is another one or not named" in r.reason for r in found.refused)


def test_a_position_that_is_not_fitted_there_is_refused(tmp_path: Path) -> None:
    table = two_sessions("p", "q", "p", "q")[FITTINGS].replace("may,2,seam2,s2,q\n", "")
    found = of(tmp_path, measured(background="b"), background("b", session="may"), files={FITTINGS: table})
    assert found.runs == ("b",)
    assert [str(r) for r in found.refused] == ["b at seam2: not fitted in session may"]


@pytest.mark.parametrize(
    ("run", "other", "kept"),
    [
        ("2026-04-01T12:00", "2026-04-02T12:00", True),
        ("2026-04-01T12:00", "2026-04-02T12:03", False),
        ("2026-04-02T12:03", "2026-04-01T12:00", False),
        ("2026-04-01T12:00+00:00", "2026-04-02T14:00+02:00", True),
        ("2026-04-01T12:00+02:00", "2026-04-02T12:00+00:00", False),
        ("2026-04-01T12:00", "", True),
        ("", "2026-04-02T12:03", True),
    ],
)
def test_runs_too_many_hours_apart_are_refused(tmp_path: Path, run: str, other: str, kept: bool) -> None:
    found = of(tmp_path, measured(recorded_at=run), background("b", recorded_at=other))
    assert bool(found.runs) == kept
    assert kept or "hours apart (at most 24, background.most_hours)" in found.refused[0].reason


def test_wind_off_runs_do_not_age_and_the_limit_can_be_set(tmp_path: Path) -> None:
    rows = [
        measured(recorded_at="2026-04-01T12:00"),
        background("off", 0, recorded_at="2026-03-01T12:00"),
        background("b", recorded_at="2026-04-01T15:00"),
    ]
    files = {SETTINGS: MINIMAL[SETTINGS] + "background: {most_hours: 2}\n"}
    found = of(tmp_path, *rows, files=files)
    assert (found.kind, found.runs, found.floor) == ("electrical", ("off",), ("off",))
    assert [str(r) for r in found.refused] == ["b: taken 3.0 hours apart (at most 2, background.most_hours)"]


@pytest.mark.parametrize(
    ("column", "run", "other", "kept"),
    [
        ("measured_speed_mps", 28.0, 29.3, True),
        ("measured_speed_mps", 28.0, 29.5, False),
        ("measured_speed_mps", 28.0, 26.5, False),
        ("measured_speed_mps", 28.0, "", True),
        # 5 % of speed are 10.25 % of dynamic pressure.
        ("dynamic_pressure_pa", 400.0, 440.0, True),
        ("dynamic_pressure_pa", 400.0, 442.0, False),
        ("dynamic_pressure_pa", 400.0, 360.0, False),
    ],
)
def test_an_achieved_flow_that_is_off_is_refused(
    tmp_path: Path, column: str, run: object, other: object, kept: bool
) -> None:
    found = of(tmp_path, measured(**{column: run}), background("b", **{column: other}))
    assert bool(found.runs) == kept
    assert kept or "background.achieved_within" in found.refused[0].reason


def test_none_subtracts_nothing_and_retaken_runs_stand_for_the_ones_they_replace(tmp_path: Path) -> None:
    rows = [measured(), measured("nothing", background="none"), measured("named", background="b1")]
    taken = [background("b1"), background("b2", replaces="b1"), background("off", 0), background("b3")]
    found = backgrounds_of(campaign_of(tmp_path, *rows, *taken))
    assert found["nothing"] == Backgrounds(None, (), ("off",), (), 100 / 3.6)
    assert found["m"].runs == ("b2", "b3")
    assert found["named"].runs == ("b2",)


def test_named_runs_must_have_the_speed_and_yaw(tmp_path: Path) -> None:
    rows = background("b", 140), background("c", yaw_deg=5), background("nowhere", "")
    found = of(tmp_path, measured(background="b c nowhere"), *rows)
    assert found.runs == ("nowhere",)
    reasons = ["b: another speed, 38.89 m/s instead of 27.78 m/s", "c: another yaw, 5 instead of 0 degrees"]
    assert [str(r) for r in found.refused] == reasons


LADDER = [background("b60", 60), background("b80", 80), background("b120", 120), background("b140", 140)]


def test_between_speeds_takes_the_nearest_on_both_sides_where_allowed(tmp_path: Path) -> None:
    found = of(tmp_path, measured(), *LADDER, background("more", 120), files=BRIDGE)
    assert found.kind == "between-speeds"
    assert [names for _, names in found.groups] == [("b80",), ("b120", "more")]
    assert [speed * 3.6 for speed, _ in found.groups] == pytest.approx([80.0, 120.0])
    assert of(tmp_path, measured(), *LADDER).kind is None


@pytest.mark.parametrize(
    "rows",
    [
        [background("b60", 60), background("off", 0)],
        [background("b140", 140), background("off", 0)],
        [background("b60", 60), background("b140", 140, yaw_deg=5), background("off", 0)],
        [background("b60", 60), background("b140", 140, gain_db=6), background("off", 0)],
        [background("b60", 60), background("b", measured_speed_mps=20), background("b140", 140), background("off", 0)],
    ],
    ids=["nothing above", "wind-off is no side", "another yaw", "refused side", "a refused one is not bridged over"],
)
def test_one_side_or_a_refused_run_is_not_bridged(tmp_path: Path, rows: list[Row]) -> None:
    found = of(tmp_path, measured(), *rows, files=BRIDGE)
    assert (found.kind, found.groups) == ("electrical", ((0.0, ("off",)),))


def test_wind_off_is_the_floor_beside_flow_and_of_background_runs(tmp_path: Path) -> None:
    rows = measured(), measured("still", speed_kmh=0), background("b"), background("off", 0)
    found = backgrounds_of(campaign_of(tmp_path, *rows))
    assert (found["m"].kind, found["m"].runs, found["m"].floor) == ("flow", ("b",), ("off",))
    assert (found["still"].kind, found["still"].runs) == ("electrical", ("off",))
    assert found["b"] == Backgrounds(None, (), ("off",), (), 100 / 3.6)
    assert found["off"] == Backgrounds(None, (), (), ())


@pytest.mark.parametrize(("named", "kind", "runs"), [("off b", "flow", ("b",)), ("off", "electrical", ("off",))])
def test_named_wind_off_counts_where_no_other_is_named(
    tmp_path: Path, named: str, kind: str, runs: tuple[str, ...]
) -> None:
    found = of(tmp_path, measured(background=named), background("b"), background("off", 0))
    assert (found.kind, found.runs, found.floor) == (kind, runs, ("off",))


def test_what_is_refused_of_the_floor_is_known_beside_a_flow_background(tmp_path: Path) -> None:
    """The wind-off run has another gain at one position, the background in flow has the right one everywhere."""
    rows = measured(gain_db=20), background("b", gain_db=20), background("off", 0)
    found = of(tmp_path, *rows, files={FITTINGS: HALF_GAIN})
    assert (found.runs, found.floor) == (("b",), ("off",))
    assert [found.refuses("off", position) for position in ("seam1", "seam2")] == [True, False]


def test_each_refusal_is_said_once(tmp_path: Path) -> None:
    rows = background("off", 0, gain_db=6), background("turned", 0, yaw_deg=5)
    found = of(tmp_path, measured(speed_kmh=0), *rows)
    assert found.runs == ("turned",)
    assert [r.background for r in found.refused] == ["off"]


def test_a_bridge_stands_on_achieved_speeds(tmp_path: Path) -> None:
    """Set 108 km/h, achieved 27 m/s, between runs that achieved 23 and 40 m/s."""
    run = measured(speed_kmh=108, measured_speed_mps=27)
    ends = background("slow", 72, measured_speed_mps=23), background("fast", 144, measured_speed_mps=40)
    found = of(tmp_path / "a", run, *ends, files=BRIDGE)
    assert (found.groups, found.at_mps) == (((23.0, ("slow",)), (40.0, ("fast",))), 27.0)
    found = of(tmp_path / "b", run | {"measured_speed_mps": 22}, *ends, files=BRIDGE)
    assert found.kind is None
    assert str(found.refused[0]) == "slow: achieved 22 m/s does not lie between 23 and 40 m/s"


def test_a_dynamic_pressure_is_a_speed_in_the_air_of_its_row(tmp_path: Path) -> None:
    """30 m/s on a mountain: 0.5 x 1.06 kg/m3 x 30^2 = 477 Pa; in air that nobody states it tells no speed."""
    run = measured(speed_kmh=108, dynamic_pressure_pa=477)
    below = background("b", 108, measured_speed_mps=30)
    thin = {"temperature_c": 30, "static_pressure_hpa": 922}
    assert of(tmp_path / "stated", run | thin, below).runs == ("b",)
    assert of(tmp_path / "unstated", run, below).runs == ("b",)
    assert of(tmp_path / "dense", run | {"temperature_c": -20, "static_pressure_hpa": 1040}, below).runs == ()


def test_named_wind_off_runs_tell_the_floor_too(tmp_path: Path) -> None:
    found = of(tmp_path, measured(background="off"), background("off", 0, yaw_deg=3))
    assert (found.kind, found.floor) == ("electrical", ("off",))
