"""What a campaign covers: cells of condition, operating point and position, and what can be compared of them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from background_runs import FITTINGS, SETTINGS, Row, background, campaign_of, measured
from small_campaign import MINIMAL

from tapeline.campaign.coverage import Coverage, coverage
from tapeline.campaign.coverage_cells import ComparedPoint, FewerRuns, session_pairs
from tapeline.campaign.coverage_results import Measured
from tapeline.campaign.coverage_results import measured as measured_by_results
from tapeline.campaign.model import Campaign

AT_100 = (100 / 3.6, 0.0)
TWO_SESSIONS = (
    "session,channel,position,sensor,mount\napril,1,seam1,s1,pad1\napril,2,seam2,s2,pad2\nmay,1,seam1,s1,{}\n"
)


def of(
    root: Path, *rows: Row, files: Mapping[str, str] | None = None, unusable: set[tuple[str, str]] | None = None
) -> Coverage:
    """The coverage of these runs; with `unusable` as results would have it, all other channels being usable."""
    campaign = campaign_of(root, *rows, files=files)
    if unusable is None:
        return coverage(campaign)
    names = [str(row["run"]) for row in rows]
    return coverage(campaign, Measured({(r, p): (r, p) not in unusable for r in names for p in campaign.positions}))


def runs(condition: str, number: int, **cells: object) -> list[Row]:
    """Some runs of one condition: open1, open2, …"""
    prefix = cells.pop("prefix", condition)
    return [measured(f"{prefix}{n + 1}", condition=condition, **cells) for n in range(number)]


def usable(
    found: Coverage, condition: str, position: str = "seam1", point: tuple[float, float] = AT_100
) -> tuple[str, ...]:
    """The usable runs of one cell."""
    [cell] = [c for c in found.cells if (c.condition, c.point, c.position) == (condition, point, position)]
    return cell.usable


def only(found: Coverage) -> ComparedPoint:
    """The one point of the one comparison."""
    [point] = found.points
    return point


def test_no_one_and_more_runs_are_told_apart(tmp_path: Path) -> None:
    found = of(tmp_path, *runs("open", 2), *runs("sealed", 1), measured("fast", speed_kmh=130))
    assert usable(found, "open") == ("open1", "open2")
    assert usable(found, "sealed") == ("sealed1",)
    assert usable(found, "sealed", point=(130 / 3.6, 0.0)) == ()
    assert not found.measured
    assert len(found.cells) == 2 * 2 * 2


def test_runs_taken_again_or_left_out_are_there_but_not_usable(tmp_path: Path) -> None:
    again = measured("open9", replaces="open1")
    found = of(tmp_path, *runs("open", 2), again, measured("door", use="no"), *runs("sealed", 2))
    [cell] = [c for c in found.cells if (c.condition, c.position) == ("open", "seam2")]
    assert cell.usable == ("open2", "open9")
    assert cell.there_are == ("open1", "open2", "open9", "door")


def test_background_and_calibration_runs_count_nowhere(tmp_path: Path) -> None:
    rows = [*runs("open", 1), background("b1"), background("b2", condition="open"), background("b3", 160)]
    found = of(tmp_path, *rows)
    assert usable(found, "open") == ("open1",)
    assert {cell.point for cell in found.cells} == {AT_100}


def test_yaw_angles_are_points_of_their_own(tmp_path: Path) -> None:
    found = of(tmp_path, *runs("open", 1), *runs("sealed", 1), measured("open-5", yaw_deg=5))
    straight, turned = found.points
    assert (straight.point, straight.single) == (AT_100, ("seam1", "seam2"))
    assert (turned.point, turned.absent, turned.comparable) == ((100 / 3.6, 5.0), ("sealed",), ())
    assert turned.elsewhere == (("open", "april"),)


def test_positions_with_repeats_on_both_sides_are_apart_from_single_runs(tmp_path: Path) -> None:
    rows = [*runs("open", 3), *runs("sealed", 2)]
    assert only(of(tmp_path, *rows)).repeated == ("seam1", "seam2")
    point = only(of(tmp_path, *rows, unusable={("sealed2", "seam2")}))
    assert (point.repeated, point.single, point.not_at_all) == (("seam1",), ("seam2",), ())
    point = only(of(tmp_path, *rows, unusable={("sealed1", "seam2"), ("sealed2", "seam2")}))
    assert (point.repeated, point.single, point.not_at_all) == (("seam1",), (), ("seam2",))


def test_a_verdict_set_by_hand_counts_before_there_are_results(tmp_path: Path) -> None:
    rows = (
        "run,position,verdict,reason,who\nopen1,seam2,unusable,wet,A\nopen2,,unusable,door,A\nopen3,,doubtful,gust,A\n"
    )
    found = of(tmp_path, *runs("open", 3), files={"config/overrides.csv": rows})
    assert usable(found, "open", "seam1") == ("open1", "open3")
    assert usable(found, "open", "seam2") == ("open3",)


def test_single_runs_take_their_scatter_from_where_there_are_repeats(tmp_path: Path) -> None:
    both = [*runs("open", 1), *runs("sealed", 1)]
    assert only(of(tmp_path, *both)).pooled == "nothing"
    fast = [measured(f"fast{n}", speed_kmh=130) for n in range(2)]
    assert of(tmp_path, *both, *fast).points[0].pooled == "session"
    elsewhere = [measured(f"may{n}", speed_kmh=130, session="may") for n in range(2)]
    files = {FITTINGS: TWO_SESSIONS.format("pad1")}
    assert of(tmp_path, *both, *elsewhere, files=files).points[0].pooled == "all sessions"
    not_pooled = {SETTINGS: MINIMAL[SETTINGS] + "compare: {repeats_pooled: false}\n"}
    assert of(tmp_path, *both, *fast, files=not_pooled).points[0].pooled == "nothing"
    unusable = {("fast0", "seam1"), ("fast1", "seam2")}
    assert of(tmp_path, *both, *fast, unusable=unusable).points[0].pooled == "nothing"


@pytest.mark.parametrize(
    ("reference", "treatment", "pairs"),
    [
        (["april"], ["april"], [("april", "april")]),
        (["may", "april"], ["april", "may"], [("april", "april"), ("may", "may")]),
        (["april", "may"], ["may", "june"], [("may", "may")]),
        (["april"], ["may", "june"], [("april", "june"), ("april", "may")]),
        (["april"], [], []),
    ],
)
def test_sessions_that_have_both_meet_by_themselves(
    reference: list[str], treatment: list[str], pairs: list[tuple[str, str]]
) -> None:
    assert list(session_pairs(reference, treatment)) == pairs


@pytest.mark.parametrize(("mount", "kept"), [("pad1", {"seam1"}), ("pad9", set()), ("", set())])
def test_across_sessions_a_mount_that_stayed_is_told_from_a_new_one(tmp_path: Path, mount: str, kept: set[str]) -> None:
    rows = [*runs("open", 2), *runs("sealed", 2, session="may")]
    point = only(of(tmp_path, *rows, files={FITTINGS: TWO_SESSIONS.format(mount)}))
    assert (point.reference_session, point.treatment_session) == ("april", "may")
    assert point.across_sessions
    assert point.same_mount == kept
    assert (point.repeated, point.not_fitted) == (("seam1",), ("seam2",))


def test_a_session_that_has_one_condition_alone_stands_beside(tmp_path: Path) -> None:
    rows = [*runs("open", 2), *runs("sealed", 2), *runs("open", 2, session="may", prefix="may")]
    point = only(of(tmp_path, *rows, files={FITTINGS: TWO_SESSIONS.format("pad1")}))
    assert (point.reference_session, point.treatment_session) == ("april", "april")
    assert point.elsewhere == (("open", "may"),)
    assert point.repeated == ("seam1", "seam2")


def test_sessions_that_both_have_both_do_not_stand_beside_each_other(tmp_path: Path) -> None:
    rows = [r for s in ("april", "may") for c in ("open", "sealed") for r in runs(c, 2, session=s, prefix=s + c)]
    found = of(tmp_path, *rows, files={FITTINGS: TWO_SESSIONS.format("pad1")})
    assert [(p.reference_session, p.elsewhere, p.not_fitted) for p in found.points] == [
        ("april", (), ()),
        ("may", (), ("seam2",)),
    ]


def test_a_position_counts_in_the_sessions_that_it_is_fitted_in(tmp_path: Path) -> None:
    rows = [*runs("open", 1), *runs("open", 1, session="may", prefix="may")]
    found = of(tmp_path, *rows, files={FITTINGS: TWO_SESSIONS.format("pad1")})
    assert usable(found, "open", "seam1") == ("open1", "may1")
    assert usable(found, "open", "seam2") == ("open1",)
    [cell] = [cell for cell in found.cells if (cell.condition, cell.position) == ("open", "seam1")]
    assert cell.sessions == ("april", "may")


def test_a_condition_without_any_run_is_missing_at_every_point(tmp_path: Path) -> None:
    found = of(tmp_path, *runs("open", 2), measured("fast", speed_kmh=130))
    assert [point.absent for point in found.points] == [("sealed",), ("sealed",)]
    slow, fast = found.missing
    assert (slow.condition, slow.sessions, slow.runs, slow.completed) == ("sealed", ("april",), 2, ("sealed",))
    assert (fast.runs, fast.completed, fast.helped) == (2, (), ("sealed",))


def test_neither_condition_run_leaves_nothing_to_say_of_a_point(tmp_path: Path) -> None:
    text = MINIMAL[SETTINGS] + "  third: {applied: [lip]}\n"
    assert of(tmp_path, *runs("third", 1), files={SETTINGS: text}).missing[0].condition == "open"
    found = of(tmp_path, background("b1"), files={SETTINGS: text})
    assert (found.points, found.missing) == ((), ())


def test_one_run_more_is_asked_for_where_it_completes_a_comparison(tmp_path: Path) -> None:
    [missing] = of(tmp_path, *runs("open", 2), *runs("sealed", 1)).missing
    assert (missing.condition, missing.point, missing.sessions) == ("sealed", AT_100, ("april",))
    assert (missing.runs, missing.positions, missing.completed, missing.helped) == (1, (), ("sealed",), ())


def test_where_both_sides_lack_runs_each_is_asked_for(tmp_path: Path) -> None:
    found = of(tmp_path, *runs("open", 1), *runs("sealed", 1)).missing
    assert [(m.condition, m.runs, m.helped) for m in found] == [("open", 1, ("sealed",)), ("sealed", 1, ("sealed",))]


def test_runs_that_serve_several_comparisons_are_asked_for_once(tmp_path: Path) -> None:
    text = MINIMAL[SETTINGS] + "  third: {applied: [lip]}\n"
    rows = [*runs("open", 1), *runs("sealed", 2), *runs("third", 2)]
    [missing] = of(tmp_path, *rows, files={SETTINGS: text}).missing
    assert (missing.condition, missing.completed) == ("open", ("sealed", "third"))


def test_positions_that_lack_runs_are_named_where_others_do_not(tmp_path: Path) -> None:
    rows = [*runs("open", 2), *runs("sealed", 2)]
    [missing] = of(tmp_path, *rows, unusable={("sealed2", "seam2")}).missing
    assert (missing.condition, missing.runs, missing.positions) == ("sealed", 1, ("seam2",))


def test_more_runs_do_not_mend_a_channel_that_no_run_can_use(tmp_path: Path) -> None:
    rows = [*runs("open", 2), *runs("sealed", 1)]
    found = of(tmp_path, *rows, unusable={(str(row["run"]), "seam2") for row in rows})
    assert found.out_of_use == {"april": ("seam2",)}
    [missing] = found.missing
    assert (missing.condition, missing.positions) == ("sealed", ())


def test_runs_that_results_do_not_know_are_named_and_not_counted(tmp_path: Path) -> None:
    campaign = campaign_of(tmp_path, *runs("open", 2), *runs("sealed", 2))
    known = {(run, p): True for run in ("open1", "open2", "sealed1") for p in campaign.positions}
    found = coverage(campaign, Measured(known))
    assert found.measured
    assert found.without_result == ("sealed2",)
    assert only(found).treatment_runs == {"seam1": 1, "seam2": 1}


def test_reference_sensors_are_not_compared(tmp_path: Path) -> None:
    text = MINIMAL[SETTINGS] + "background: {references: [seam2]}\n"
    point = only(of(tmp_path, *runs("open", 2), *runs("sealed", 2), files={SETTINGS: text}))
    assert (point.repeated, point.not_fitted) == (("seam1",), ())


def quality(campaign: Campaign, **found: str) -> list[Row]:
    """Verdicts of finished results: by "run_position" what was set by hand, when good was found."""
    return [
        {
            "run": run,
            "session": "april",
            "position": p,
            "verdict": by_hand or "good",
            "found_verdict": by_hand and "good",
        }
        for run in campaign.runs
        for p in campaign.positions
        for by_hand in [found.get(f"{run}_{p}")]
    ]


@pytest.mark.parametrize(
    ("rows", "known", "counted", "changed"),
    [
        ("open1,seam1,unusable,wet,A\n", {}, ("open2",), (("open1", "seam1"),)),
        ("open1,seam1,unusable,wet,A\n", {"open1_seam1": "unusable"}, ("open2",), ()),
        ("open1,,unusable,wet,A\nopen1,seam1,good,dried,A\n", {"open1_seam1": "good"}, ("open1", "open2"), None),
        ("open1,seam1,good,dried,A\n", {"open1_seam1": "unusable"}, ("open1", "open2"), (("open1", "seam1"),)),
        ("", {"open1_seam1": "unusable"}, ("open1", "open2"), (("open1", "seam1"),)),
    ],
)
def test_verdicts_set_or_taken_back_after_the_results_were_made_count(
    tmp_path: Path,
    rows: str,
    known: dict[str, str],
    counted: tuple[str, ...],
    changed: tuple[tuple[str, str], ...] | None,
) -> None:
    files = {"config/overrides.csv": f"run,position,verdict,reason,who\n{rows}"}
    campaign = campaign_of(tmp_path, *runs("open", 2), *runs("sealed", 2), files=files)
    results = measured_by_results(campaign, [], quality(campaign, **known), [], [])
    assert usable(coverage(campaign, results), "open") == counted
    assert results.changed_verdicts == (changed if changed is not None else (("open1", "seam2"),))


def test_a_verdict_of_one_position_goes_before_that_of_the_run_without_results_too(tmp_path: Path) -> None:
    text = "run,position,verdict,reason,who\nopen1,,unusable,door,A\nopen1,seam1,good,not there,A\n"
    found = of(tmp_path, *runs("open", 1), files={"config/overrides.csv": text})
    assert (usable(found, "open", "seam1"), usable(found, "open", "seam2")) == (("open1",), ())


def test_runs_that_stand_otherwise_in_the_results_are_named(tmp_path: Path) -> None:
    campaign = campaign_of(tmp_path, *runs("open", 3), measured("late", condition="sealed"))
    known = {"session": "april", "kind": "measurement", "status": "used", "speed_mps": 100 / 3.6, "yaw_deg": 0.0}
    rows = [
        known | {"run": "open1", "condition": "open"},
        known | {"run": "open2", "condition": "sealed"},
        known | {"run": "open3", "condition": "open", "speed_mps": 130 / 3.6},
        known | {"run": "gone", "condition": "open"},
        known | {"run": "late", "condition": "open", "status": "superseded"},
    ]
    results = measured_by_results(campaign, rows, quality(campaign), [], [])
    assert results.changed_runs == ("open2", "open3", "gone")


def test_bands_that_rest_on_fewer_runs_than_can_be_used_are_counted(tmp_path: Path) -> None:
    campaign = campaign_of(tmp_path, *runs("open", 2), *runs("sealed", 2))
    row = {"comparison": "sealed", "reference_session": "april", "treatment_session": "april", "yaw_deg": 0.0}
    row |= {"speed_mps": 100 / 3.6, "reference_runs": ["open1", "open2"]}
    both, one = {"treatment_runs": ["sealed1", "sealed2"]}, {"treatment_runs": ["sealed1"]}
    bands = [row | {"position": "seam1"} | both] * 5 + [row | {"position": "seam1"} | one] * 3
    bands += [row | {"position": "seam2"} | one] * 4
    judged = quality(campaign)
    point = only(coverage(campaign, measured_by_results(campaign, [], judged, [], bands)))
    assert point.fewer == (FewerRuns("sealed", ("sealed2",), ("sealed1",), 7, 12),)
    judged = [r | {"verdict": "unusable"} if (r["run"], r["position"]) == ("sealed2", "seam2") else r for r in judged]
    point = only(coverage(campaign, measured_by_results(campaign, [], judged, [], bands)))
    assert point.fewer == (FewerRuns("sealed", ("sealed2",), ("sealed1",), 3, 12),)
    judged = [r | {"verdict": "unusable", "found_verdict": "good"} if r["run"] == "sealed2" else r for r in judged]
    taken_back = only(coverage(campaign, measured_by_results(campaign, [], judged, [], bands)))
    assert (taken_back.repeated, taken_back.fewer) == (("seam1", "seam2"), ())


def test_one_session_for_both_conditions_is_asked_for_before_repeats(tmp_path: Path) -> None:
    rows = [*runs("open", 1), *runs("sealed", 2, session="may")]
    joined, repeat = of(tmp_path, *rows, files={FITTINGS: TWO_SESSIONS.format("pad1")}).missing
    assert (joined.condition, joined.sessions, joined.joined) == ("sealed", ("april",), ("sealed",))
    assert (joined.instead, joined.completed) == ((("open", ("may",)),), ())
    assert (repeat.condition, repeat.sessions, repeat.runs, repeat.joined) == ("open", ("april",), 1, ())


def test_conditions_of_one_session_are_not_asked_to_meet(tmp_path: Path) -> None:
    rows = [*runs("open", 2), *runs("sealed", 2), *runs("open", 2, session="may", prefix="may")]
    assert of(tmp_path, *rows, files={FITTINGS: TWO_SESSIONS.format("pad1")}).missing == ()


@pytest.mark.parametrize(
    ("mount", "fast", "known"),
    [
        ("pad9", [], set()),
        ("pad9", ["april"], set()),
        ("pad9", ["april", "may"], {"seam1"}),
        ("pad1", ["april", "may"], {"seam1"}),
    ],
)
def test_what_sessions_change_is_measured_where_a_condition_is_in_both(
    tmp_path: Path, mount: str, fast: list[str], known: set[str]
) -> None:
    rows = [*runs("open", 2), *runs("sealed", 2, session="may")]
    rows += [measured(f"fast-{session}", speed_kmh=130, session=session) for session in fast]
    point = of(tmp_path, *rows, files={FITTINGS: TWO_SESSIONS.format(mount)}).points[0]
    assert (point.across_sessions, point.sessions_measured) == (True, known)


def test_mounts_that_stayed_show_nothing_of_one_made_anew(tmp_path: Path) -> None:
    fittings = TWO_SESSIONS.format("pad1") + "june,1,seam1,s1,pad7\n"
    rows = [*runs("open", 2), *runs("sealed", 2, session="june")]
    rows += [measured(f"fast-{session}", speed_kmh=130, session=session) for session in ("april", "may")]
    assert of(tmp_path, *rows, files={FITTINGS: fittings}).points[0].sessions_measured == set()
    rows += [measured("fast-june", speed_kmh=130, session="june")]
    assert of(tmp_path / "june", *rows, files={FITTINGS: fittings}).points[0].sessions_measured == {"seam1"}
