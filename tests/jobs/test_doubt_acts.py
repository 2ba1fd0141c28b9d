"""What is in doubt stays out of what is averaged, pooled, ranked and said; what cannot be given says why."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_cubes import Given, Small, bands, written

from tapeline.campaign.plan import Achieved
from tapeline.campaign.settings import Compare
from tapeline.jobs.compare.area_rows import area_rows
from tapeline.jobs.compare.compared_runs import ComparisonJob, repeat_pools
from tapeline.jobs.compare.comparison_rows import comparison_rows
from tapeline.jobs.compare.contributed import contributed
from tapeline.jobs.compare.drift_rows import reference_drifts
from tapeline.jobs.compare.mirror_rows import mirror_rows
from tapeline.jobs.compare.ranking import ranking_rows
from tapeline.jobs.compare.session_mean_rows import session_mean_rows

SEAM = {"seam": ("sealed", "open")}
GAIN = ("gain-step",)


def repeats(session: str = "a", odd_db: float = 0.0) -> tuple[Given, ...]:
    """Three runs of each condition, open 6 dB louder than sealed at both positions; the last open one is odd at p."""
    opened = [(90.0, 80.0), (90.2, 80.1), (90.1 + odd_db, 80.2)]
    return (
        *(Given(f"{session}-sealed-{k}", (84.0 + 0.1 * k, 74.0 + 0.1 * k)) for k in range(3)),
        *(Given(f"{session}-open-{k}", levels) for k, levels in enumerate(opened)),
    )


def compared(small: Small, job: ComparisonJob | None = None) -> list[dict[str, Any]]:
    job = job or small.job()
    pools = repeat_pools(job)
    drifts = reference_drifts(job, pools)
    return [
        row
        for name, comparison in job.needs.comparisons.items()
        for found in small.compared(job, name)
        for row in comparison_rows(job, name, comparison, found, contributed(job, comparison, found), drifts, pools)
    ]


def at(rows: list[dict[str, Any]], position: str) -> dict[str, Any]:
    return next(row for row in rows if row["position"] == position and row["quantity"] == "band")


def test_an_odd_run_costs_itself_and_nothing_else(tmp_path: Path) -> None:
    sound = compared(Small(repeats(), comparisons=SEAM))
    faulty = Small(repeats(odd_db=10.0), comparisons=SEAM, doubt={("a-open-2", "p"): GAIN})
    rows = written(tmp_path, "comparisons", compared(faulty))
    hit, untouched = at(rows, "p"), at(rows, "q")
    assert hit["treatment_runs"] == ["a-open-0", "a-open-1"]
    assert hit["difference_db"] == pytest.approx(6.0, abs=1e-9)
    assert not hit["doubtful"]
    assert untouched["difference_db"] == at(sound, "q")["difference_db"]
    widths = [row["upper_db"] - row["lower_db"] for row in (untouched, at(sound, "q"))]
    assert widths[0] == pytest.approx(widths[1], rel=0.15), "one of six repeats says nothing any more"
    careless = at(compared(Small(repeats(odd_db=10.0), comparisons=SEAM)), "q")
    assert careless["upper_db"] - careless["lower_db"] < 2.0 * widths[1], "another position has its own scatter"


def test_where_nothing_is_sounder_no_difference_is_given() -> None:
    doubt = {(f"a-open-{k}", "p"): GAIN for k in range(3)}
    rows = compared(Small(repeats(odd_db=0.1), comparisons=SEAM, doubt=doubt))
    assert (at(rows, "p")["finding"], at(rows, "p")["why_not"]) == (
        "not given",
        "in doubt: gain-step: a-open-0, a-open-1, a-open-2",
    )
    assert at(rows, "q")["family_size"] == 1, "what is in doubt is no test of the family"


def test_a_doubt_of_the_sessions_calibration_cancels_within_it() -> None:
    small = Small(repeats(), comparisons=SEAM, doubt={(run.run, "p"): ("drift",) for run in repeats()})
    job = small.job()
    job.calibration[("a", "p")] = {**job.calibration[("a", "p")], "reasons": ["drift"]}
    hit = at(compared(small, job), "p")
    assert (hit["finding"], hit["doubt"]) == ("higher", ["drift: all runs"])


def test_a_background_taken_off_one_side_alone_leaves_a_bound() -> None:
    """6 dB above the background of the open side, the sealed level may be all background."""
    small = Small(
        repeats(),
        comparisons=SEAM,
        background_source={f"a-sealed-{k}": "nothing" for k in range(3)},
        margins={f"a-open-{k}": 8.0 for k in range(3)},
    )
    hit = at(compared(small), "p")
    assert (hit["difference_db"], hit["finding"], hit["upper_db"]) == (None, "bound", None)
    assert 5.0 < hit["lower_db"] < 6.0
    assert hit["doubt"] == ["less-background-taken-off: reference (a-sealed-0, a-sealed-1, a-sealed-2)"]


def test_a_background_far_below_both_sides_makes_no_difference() -> None:
    small = Small(
        repeats(),
        comparisons=SEAM,
        background_source={f"a-sealed-{k}": "nothing" for k in range(3)},
        margins={f"a-open-{k}": 25.0 for k in range(3)},
    )
    hit = at(compared(small), "p")
    assert (hit["finding"], hit["doubtful"]) == ("higher", False)


def test_where_no_background_could_be_taken_off_a_difference_is_at_least_what_shows() -> None:
    doubt = {(run.run, "p"): ("background-refused",) for run in repeats()}
    hit = at(compared(Small(repeats(), comparisons=SEAM, doubt=doubt)), "p")
    assert (hit["difference_db"], hit["upper_db"], hit["finding"]) == (None, None, "bound")
    assert 5.0 < hit["lower_db"] < 6.0


def achieved(share: float) -> Achieved:
    return Achieved(30.0, 30.0 * share, None, 20.0, 1013.25, 50.0)


def test_levels_are_compared_at_the_nominal_speed() -> None:
    """Nothing changed but the speed: 3 % are 0.51 dB with n = 4, and as measured a finding."""
    runs = tuple(
        Given(f"a-{condition}-{k}", (90.0 + 0.02 * k + change, 80.0 + 0.02 * k + change))
        for condition, change in (("sealed", 0.0), ("open", 0.5135))
        for k in range(4)
    )
    speeds = {one.run: achieved(1.03 if "open" in one.run else 1.0) for one in runs}
    corrections = {one.run: -0.5135 if "open" in one.run else 0.0 for one in runs}
    at_nominal = at(compared(Small(runs, comparisons=SEAM, corrections=corrections, achieved=speeds)), "p")
    assert at_nominal["difference_db"] == pytest.approx(0.0, abs=1e-9)
    assert at_nominal["treatment_level_db"] - at_nominal["reference_level_db"] == pytest.approx(0.5135)
    assert at_nominal["nominal_correction_db"] == pytest.approx(-0.5135)
    assert at_nominal["level_basis"] == "nominal"
    # One unit of the exponent makes 10 lg 1.03 = 0.128 dB of it.
    assert at_nominal["standard_error_db"] > 0.128
    settings = Compare(at_nominal=False)
    raw = Small(runs, comparisons=SEAM, corrections=corrections, achieved=speeds, compare=settings)
    assert at(compared(raw), "p")["finding"] == "higher"


def test_what_cannot_be_given_stands_there_with_its_reason(tmp_path: Path) -> None:
    both = {(run.run, "p"): 70.0 for run in repeats()}
    sealed = frozenset((f"a-sealed-{k}", "q") for k in range(3))
    rows = written(tmp_path, "comparisons", compared(Small(repeats(), comparisons=SEAM, bounds=both, unusable=sealed)))
    assert len(rows) == 4, "two positions, a band and an overall level"
    assert {(row["position"], row["finding"], row["why_not"]) for row in rows} == {
        ("p", "not given", "both sides are upper bounds"),
        ("q", "not given", "sealed: the channel is unusable in every run"),
    }


def test_conditions_without_a_usable_run_are_told_too() -> None:
    every = frozenset((f"a-sealed-{k}", place) for k in range(3) for place in ("p", "q"))
    rows = compared(Small(repeats(), comparisons=SEAM, unusable=every))
    assert {row["why_not"] for row in rows} == {"sealed: the channel is unusable in every run"}


def test_the_run_that_makes_all_intervals_wide_is_named() -> None:
    rows = compared(Small(repeats(odd_db=3.0), comparisons=SEAM))
    hit = at(rows, "p")
    assert hit["widest_run"] == "a-open-2"
    assert hit["half_width_without_db"] < (hit["upper_db"] - hit["lower_db"]) / 3.0
    assert at(rows, "q")["widest_run"] is None
    assert at(compared(Small(repeats(), comparisons=SEAM)), "p")["widest_run"] is None


def test_a_spot_in_doubt_has_no_rank_and_moves_no_others() -> None:
    def ranked(doubt: dict[tuple[str, str], tuple[str, ...]], odd_db: float) -> list[dict[str, Any]]:
        small = Small(repeats(odd_db=odd_db), comparisons=SEAM, doubt=doubt)
        job = small.job()
        comparison = job.needs.comparisons["seam"]
        pairs = [(found, contributed(job, comparison, found)) for found in small.compared(job, "seam")]
        return list(ranking_rows(job, "seam", pairs))

    doubt = {(f"a-open-{k}", "p"): GAIN for k in range(3)}
    first, behind = ranked(doubt, 0.0)
    assert (first["position"], first["rank_lower"], first["share"]) == ("q", 1, 1.0)
    assert (behind["position"], behind["rank_lower"], behind["finding"], behind["next_step"]) == (
        "p",
        None,
        "in doubt",
        "mend",
    )
    assert first == ranked(doubt, 10.0)[0], "whatever is found in doubt"


def test_a_session_in_doubt_is_no_part_of_the_mean(tmp_path: Path) -> None:
    runs = (*repeats("a"), *repeats("b", odd_db=20.0), *repeats("c"))
    doubt = {(f"b-open-{k}", "p"): GAIN for k in range(3)}
    small = Small(runs, comparisons=SEAM, doubt=doubt)
    job = small.job()
    rows = written(tmp_path, "session_means", session_mean_rows(job, "seam", small.compared(job, "seam")))
    hit = at(rows, "p")
    assert (hit["sessions"], hit["left_out"]) == (["a", "c"], ["b"])
    assert hit["difference_db"] == pytest.approx(6.0, abs=0.1)
    two = Small((*repeats("a"), *repeats("b", odd_db=20.0)), comparisons=SEAM, doubt=doubt)
    job = two.job()
    alone = at(written(tmp_path, "session_means", session_mean_rows(job, "seam", two.compared(job, "seam"))), "p")
    assert (alone["sessions"], alone["weights"], alone["between_sessions_sd_db"]) == (["a"], [1.0], None)


def test_a_position_in_doubt_is_no_part_of_its_area() -> None:
    runs = tuple(Given(f"a-open-{k}", (90.0, 70.0 + 0.1 * k, 70.0)) for k in range(2))
    areas = (("p", "seam"), ("q", "seam"), ("r", "seam"))
    small = Small(runs, ("p", "q", "r"), areas=areas, doubt={(run.run, "p"): GAIN for run in runs})
    job = small.job()
    (row,) = bands(area_rows(job, repeat_pools(job)))
    assert row["level_db"] == pytest.approx(70.03, abs=0.01)
    assert (row["positions"], row["without_level"], row["doubtful"]) == (["q", "r"], ["p"], False)


def test_partners_of_which_one_is_in_doubt_test_nothing(tmp_path: Path) -> None:
    small = Small(repeats(), mirrors=(("p", "q"),), doubt={(run.run, "p"): GAIN for run in repeats()})
    job = small.job()
    rows = bands(written(tmp_path, "mirror_differences", mirror_rows(job, repeat_pools(job))))
    assert {(row["finding"], row["p_value"], row["agreement"]) for row in rows} == {("not shown", None, "differ")}
    assert all(row["doubt"] == ["p: gain-step: all runs"] for row in rows)


def test_a_condition_that_does_not_come_back_makes_the_difference_doubtful() -> None:
    def ordered(last_db: float) -> dict[str, Any]:
        levels = [("sealed", 0.0, 84.0), ("open", 1.0, 90.0), ("open", 2.0, 90.1), ("sealed", 3.0, 84.1 + last_db)]
        runs = tuple(Given(f"a-{name}-{k}", (db, db - 10.0), hours=h) for k, (name, h, db) in enumerate(levels))
        return at(compared(Small(runs, comparisons=SEAM, compare=Compare(repeats_pooled=False))), "p")

    steady, moved = ordered(0.0), ordered(3.0)
    assert steady["return_db"] == pytest.approx(0.1)
    assert (steady["bracketed"], steady["doubtful"]) == (True, False)
    assert moved["doubt"] == ["not-returned: +3.1 dB"]


def test_of_two_repeats_that_differ_both_are_named() -> None:
    levels = {"sealed": (84.0, 84.1, 84.2), "open": (90.0, 93.0)}
    runs = tuple(Given(f"a-{name}-{k}", (db, db - 10.0)) for name, each in levels.items() for k, db in enumerate(each))
    assert at(compared(Small(runs, comparisons=SEAM)), "q")["widest_run"] == "a-open-0 or a-open-1"


def test_a_difference_of_sensors_of_two_sizes_says_which_side_lost_more() -> None:
    given = [Given(f"{s}-{c}-{k}", (80.0, 82.0)) for s, c in (("a", "open"), ("b", "sealed")) for k in range(2)]
    small = Small(given, comparisons={"c": ("open", "sealed")})

    def difference(first_db: float, second_db: float) -> tuple[list[str], float]:
        job = small.job()
        size = np.where([[[name.startswith("b")]] for name in job.cube.runs], second_db, first_db)
        job.cube.values["size_uncertainty_db"] = np.broadcast_to(size, job.cube.state.shape)
        row = at(compared(small, job), "p")
        return row["doubt"], row["standard_error_db"]

    alike, usual = difference(2.0, 2.0)
    assert alike == [] and usual == difference(0.0, 0.0)[1], "of one size at one speed it cancels"
    doubt, wider = difference(0.5, 2.0)
    assert doubt == ["sensor-size: treatment (b-sealed-0, b-sealed-1)"]
    assert wider == pytest.approx(np.hypot(usual, 1.5))
    assert difference(2.0, 0.5)[0] == ["sensor-size: reference (a-open-0, a-open-1)"]
