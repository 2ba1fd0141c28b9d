"""What each condition gains and leaves: the numbers of the comparisons, with their doubts, bounds and words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from comparison_needs import compared
from generated_campaign import Design, Scatters, generated
from small_cubes import Given, Small, written

from long_evidence import few_or_many
from tapeline.campaign.settings import Compare
from tapeline.campaign.treated_conditions import Untreated
from tapeline.jobs.compare.compared_pairs import compared_pairs
from tapeline.jobs.compare.compared_runs import ComparisonJob, repeat_pools
from tapeline.jobs.compare.comparison_rows import comparison_rows
from tapeline.jobs.compare.contributed import contributed
from tapeline.jobs.compare.drift_rows import reference_drifts
from tapeline.jobs.compare.session_changes import session_changes
from tapeline.jobs.compare.treatment_rows import treatment_rows

Rows = list[dict[str, Any]]

APPLIED = {"open": (), "front": ("f",), "sealed": ("f", "r")}
DECLARED = {"whole": ("sealed", "open"), "part": ("open", "front")}
JUDGED = (
    "standard_error_db",
    "degrees_of_freedom",
    "p_value",
    "adjusted_p_value",
    "family_size",
    "why_not",
    "state",
    "doubtful",
)


def comparisons_of(job: ComparisonJob) -> dict[str, Rows]:
    """The rows of the table `comparisons`, by comparison."""
    pools = repeat_pools(job)
    changes, drifts = session_changes(job, pools), reference_drifts(job, pools)
    return {
        name: [
            row
            for found in compared_pairs(job, comparison, pools, changes)
            for row in comparison_rows(job, name, comparison, found, contributed(job, comparison, found), drifts, pools)
        ]
        for name, comparison in job.needs.comparisons.items()
    }


def rows_of(job: ComparisonJob) -> Rows:
    pools = repeat_pools(job)
    return treatment_rows(job, comparisons_of(job), pools, session_changes(job, pools))  # type: ignore[arg-type, return-value]


def small(runs: Mapping[str, tuple[float, float]] | tuple[Given, ...], **other: Any) -> Small:
    """Three runs a condition, 0.1 dB apart, in one session, where levels at p and q are given by condition."""
    if isinstance(runs, Mapping):
        runs = tuple(
            Given(f"a-{name}-{k}", (p + 0.1 * k, q + 0.1 * k)) for name, (p, q) in runs.items() for k in range(3)
        )
    return Small(runs, **({"untreated": "open", "applied": APPLIED} | other))


LEVELS = {"open": (90.0, 80.0), "front": (87.0, 79.0), "sealed": (84.0, 79.5)}


def at(rows: Rows, condition: str, position: str = "p", quantity: str = "overall", **other: Any) -> dict[str, Any]:
    wanted = {"condition": condition, "position": position, "quantity": quantity} | other
    (row,) = (row for row in rows if all(row[name] == value for name, value in wanted.items()))
    return row


def test_gain_and_remainder_of_every_condition(tmp_path: Path) -> None:
    rows = written(tmp_path, "treatments", rows_of(small(LEVELS).job()))
    assert len(rows) == 8, "two conditions, two positions, a band and an overall level"
    front, sealed = at(rows, "front"), at(rows, "sealed")
    assert (front["gain_db"], front["remainder_db"]) == (pytest.approx(3.0), pytest.approx(3.0))
    assert (front["gain_finding"], front["remainder_finding"]) == ("lower", "higher")
    assert (front["best"], front["best_by"], front["untreated_by"]) == ("sealed", "most applied", "nothing applied")
    assert (sealed["gain_db"], sealed["best"], sealed["remainder_finding"]) == (pytest.approx(6.0), None, None)
    assert front["runs"] == ["a-front-0", "a-front-1", "a-front-2"]
    assert front["untreated_runs"] == ["a-open-0", "a-open-1", "a-open-2"]
    assert front["best_runs"] == ["a-sealed-0", "a-sealed-1", "a-sealed-2"]
    assert (front["gain_pairs"], front["available"], front["untreated_available"]) == (3, 3, 3)


def test_what_is_quieter_than_the_most_treated_leaves_less_than_nothing() -> None:
    """The rear tape whistles at q: chance has no say in which condition is held to be the best."""
    front = at(rows_of(small(LEVELS).job()), "front", "q")
    assert (front["best"], front["remainder_finding"]) == ("sealed", "lower")
    assert front["remainder_db"] == pytest.approx(-0.5)
    assert front["remainder_upper_db"] < 0.0


def test_a_treatment_that_makes_it_louder_has_a_gain_below_zero_and_no_share() -> None:
    front = at(rows_of(small(LEVELS | {"front": (92.0, 82.0)}).job()), "front")
    assert (front["gain_finding"], front["gain_db"]) == ("higher", pytest.approx(-2.0))
    assert front["gain_upper_db"] < 0.0
    assert front.get("share") is None
    assert front["remainder_db"] == pytest.approx(8.0)


def turned(row: Mapping[str, Any], name: str) -> list[float | None]:
    """Value, lower and upper end of a gain or remainder as a difference the other way about."""
    value, lower, upper = (row[f"{name}{end}_db"] for end in ("", "_lower", "_upper"))
    return [None if each is None else -each for each in (value, upper, lower)]


def as_it_is(row: Mapping[str, Any], name: str) -> list[float | None]:
    return [row[f"{name}{end}_db"] for end in ("", "_lower", "_upper")]


MANY = Design(
    {"april": {"open": 2, "front": 2, "sealed": 3}, "may": {"open": 2, "sealed": 1}, "june": {"front": 2}},
    DECLARED,
    positions=3,
    bands=5,
    applied=APPLIED,
)


def many(seed: int, comparisons: dict[str, tuple[str, str]], design: Design = MANY) -> ComparisonJob:
    random = np.random.default_rng(seed)
    shape = (2, design.positions, design.bands)
    base = random.normal(80.0, 5.0, shape)
    truth = {name: base - change for name, change in (("open", 0.0), ("front", 2.0), ("sealed", 3.0))}
    job = generated(design, truth, random).job
    needs = replace(job.needs, comparisons=compared(comparisons), untreated=Untreated("open", "nothing applied"))
    return replace(job, needs=needs)


@pytest.mark.parametrize("seed", [1, 2])
def test_numbers_are_those_of_a_comparison_of_the_same_two_conditions_to_the_last_digit(seed: int) -> None:
    """Whether campaign.yaml has the comparison, has it the other way about, or has none."""
    forward = {"one": ("open", "front"), "two": ("sealed", "front"), "three": ("open", "sealed")}
    backward = {name: (treatment, reference) for name, (reference, treatment) in forward.items()}
    declared, other_way, none = (many(seed, each) for each in (forward, backward, {}))
    rows, expected = rows_of(declared), comparisons_of(declared)
    bare = [{name: value for name, value in row.items() if not name.endswith("_comparison")} for row in rows]
    for other in (other_way, none):
        found = [
            {name: value for name, value in row.items() if not name.endswith("_comparison")} for row in rows_of(other)
        ]
        assert found == bare
    checked = 0
    for row in rows:
        for name, other, how in (("gain", row["untreated"], turned), ("remainder", row["best"], as_it_is)):
            if row.get(f"{name}_finding") is None:
                continue
            (same,) = (
                each
                for each in expected[row[f"{name}_comparison"]]
                if (each["reference"], each["treatment"]) == (other, row["condition"])
                and (each["treatment_session"], each["reference_session"]) == (row["session"], row["other_session"])
                and all(each[column] == row[column] for column in ("position", "speed_mps", "band_hz"))
            )
            assert how(row, name) == [same["difference_db"], same["lower_db"], same["upper_db"]]
            assert row[f"{name}_finding"] == same["finding"]
            assert [row[f"{name}_{column}"] for column in JUDGED] == [same.get(column) for column in JUDGED]
            checked += 1
    assert checked == 2 * 3 * 5 * 4, "in April both gains and front's remainder, in May sealed's gain, at two points"


def test_every_key_stands_once_and_no_cell_is_empty_without_a_word(tmp_path: Path) -> None:
    assert written(tmp_path, "treatments", rows_of(many(3, DECLARED)))


def test_where_no_session_has_both_conditions_two_are_compared_as_comparisons_do(tmp_path: Path) -> None:
    """The front half was taped in May, where nothing was open: its gain lies between the sessions."""
    runs = tuple(
        Given(f"{session}-{name}-{k}", (LEVELS[name][0] + 0.1 * k, LEVELS[name][1]))
        for session, names in (("a", ("open", "sealed")), ("b", ("front", "sealed")))
        for name in names
        for k in range(2)
    )
    rows = written(tmp_path, "treatments", rows_of(small(runs).job()))
    gain, remainder = (at(rows, "front", other_session=session) for session in ("a", "b"))
    assert (gain["session"], gain["pairing"], gain["gain_finding"]) == ("b", "same-mount", "lower")
    assert gain["gain_db"] == pytest.approx(3.0)
    assert (gain["remainder_finding"], gain["best_runs"], gain["share"]) == (None, None, None)
    assert (remainder["session"], remainder["pairing"]) == ("b", "same-session")
    assert (remainder["gain_finding"], remainder["remainder_finding"]) == (None, "higher")


def test_one_condition_alone_or_none_untreated_gives_no_gain(tmp_path: Path) -> None:
    one = small({"open": LEVELS["open"]}, applied={"open": ()})
    assert rows_of(one.job()) == []
    assert rows_of(small(LEVELS, untreated="").job()) == []
    never_open = written(
        tmp_path, "treatments", rows_of(small({name: LEVELS[name] for name in ("front", "sealed")}).job())
    )
    assert {(row["condition"], row["gain_finding"], row["remainder_finding"]) for row in never_open} <= {
        ("front", None, "higher"),
        ("front", None, "lower"),
    }


def test_alternatives_have_gains_and_no_best_unless_one_is_named(tmp_path: Path) -> None:
    applied = {"open": (), "front": ("foam",), "sealed": ("clay",)}
    rows = rows_of(small(LEVELS, applied=applied).job())
    assert {row["best"] for row in rows} == {None}
    named = small(LEVELS, applied=applied, compare=Compare(best_condition="sealed"))
    front, sealed = (at(written(tmp_path, "treatments", rows_of(named.job())), name) for name in ("front", "sealed"))
    assert (front["best"], front["best_by"], front["remainder_finding"]) == ("sealed", "best_condition", "higher")
    assert sealed["best"] is None


def test_the_best_is_the_most_treated_of_those_measured_at_the_operating_point() -> None:
    applied = APPLIED | {"all": ("f", "r", "m")}
    runs = tuple(
        Given(f"a-{name}-{speed:g}{k}", (level + 0.1 * k, level), speed_mps=speed)
        for speed, levels in (
            (30.0, {"open": 90.0, "front": 87.0, "sealed": 84.0, "all": 83.0}),
            (40.0, {"open": 95.0, "front": 92.0, "sealed": 89.0}),
        )
        for name, level in levels.items()
        for k in range(3)
    )
    rows = rows_of(small(runs, applied=applied).job())
    slow, fast = (at(rows, "front", speed_mps=speed) for speed in (30.0, 40.0))
    assert (slow["best"], slow["remainder_db"]) == ("all", pytest.approx(4.0))
    assert (fast["best"], fast["remainder_db"]) == ("sealed", pytest.approx(3.0))


def test_of_two_equally_treated_ones_none_is_the_best() -> None:
    """Neither chance nor the alphabet picks one of them."""
    applied = {"open": (), "front": ("f",), "sealed": ("f", "r"), "clay": ("f", "c")}
    rows = rows_of(small(LEVELS | {"clay": (83.0, 78.0)}, applied=applied).job())
    front = at(rows, "front")
    assert (front["best"], front.get("remainder_finding"), front["gain_finding"]) == (None, None, "lower")


def test_the_condition_that_gains_are_counted_from_is_never_the_best() -> None:
    """Nothing is bare, and the reference has most applied: what it has more was opened, not gained."""
    rows = rows_of(small(LEVELS, applied=APPLIED | {"open": ("base",)}, untreated="sealed").job())
    front = at(rows, "front")
    assert (front["best"], front["gain_finding"]) == (None, "higher")


def test_a_reference_that_drifts_is_doubted_whether_or_not_the_comparison_is_declared() -> None:
    """The open level rises by 3 dB in an hour, and the front was taped at its end alone."""
    runs = tuple(
        Given(f"a-{name}-{k}", (level, level), hours=hours)
        for name, times in (("open", (0.0, 0.4, 0.6, 1.0)), ("front", (1.1, 1.2, 1.3)), ("sealed", (1.4, 1.5)))
        for k, hours in enumerate(times)
        for level in [90.0 + 3.0 * min(hours, 1.0) - {"open": 0.0, "front": 2.0, "sealed": 4.0}[name] + 0.02 * k]
    )
    declared, none = (
        at(rows_of(small(runs, comparisons=each).job()), "front") for each in ({"part": ("open", "front")}, {})
    )
    assert [doubt.partition(":")[0] for doubt in none["gain_doubt"]] == ["reference-drift"]
    assert (declared["gain_doubt"], declared["gain_doubtful"]) == (none["gain_doubt"], True)


def test_a_condition_that_is_unusable_everywhere_is_not_the_best() -> None:
    gone = frozenset((f"a-sealed-{k}", place) for k in range(3) for place in ("p", "q"))
    rows = rows_of(small(LEVELS, unusable=gone).job())
    assert at(rows, "front")["best"] is None
    assert at(rows, "sealed")["gain_why_not"] == "sealed: the channel is unusable in every run"


def test_where_the_best_has_no_position_the_remainder_says_why_and_the_gain_stays(tmp_path: Path) -> None:
    gone = frozenset((f"a-sealed-{k}", "p") for k in range(3))
    rows = written(tmp_path, "treatments", rows_of(small(LEVELS, unusable=gone).job()))
    p, q = (at(rows, "front", place) for place in ("p", "q"))
    assert (p["gain_finding"], p["remainder_finding"]) == ("lower", "not given")
    assert p["remainder_why_not"] == "sealed: the channel is unusable in every run"
    assert (p["remainder_pairs"], p["share"]) == (0, None)
    assert q["remainder_finding"] == "lower"


GAIN = ("gain-step",)


def test_a_run_in_doubt_acts_as_in_comparisons(tmp_path: Path) -> None:
    """One doubted run of three is left out; where all are in doubt nothing is said, and only of what it concerns."""
    odd = small(LEVELS, doubt={("a-sealed-2", "p"): GAIN})
    front = at(written(tmp_path, "treatments", rows_of(odd.job())), "front")
    assert front["best_runs"] == ["a-sealed-0", "a-sealed-1"]
    assert not front["remainder_doubtful"]
    every = small(LEVELS, doubt={(f"a-sealed-{k}", "p"): GAIN for k in range(3)})
    front = at(written(tmp_path, "treatments", rows_of(every.job())), "front")
    assert (front["remainder_finding"], front["remainder_doubtful"], front["share"]) == ("not given", True, None)
    assert front["remainder_why_not"].startswith("in doubt: gain-step")
    assert (front["gain_finding"], front["gain_doubtful"]) == ("lower", False)


def test_a_bound_makes_a_statement_of_one_side(tmp_path: Path) -> None:
    """The sealed level lies below the background: gain and the front's remainder are at least so much."""
    rows = rows_of(small(LEVELS, bounds={(f"a-sealed-{k}", "p"): 84.0 for k in range(3)}).job())
    rows = written(tmp_path, "treatments", rows)
    front, sealed = at(rows, "front"), at(rows, "sealed")
    assert (sealed["gain_finding"], sealed["gain_db"], sealed["gain_upper_db"]) == ("bound", None, None)
    assert 5.5 < sealed["gain_lower_db"] < 6.0
    assert (front["remainder_finding"], front["remainder_upper_db"]) == ("bound", None)
    assert 2.5 < front["remainder_lower_db"] < 3.0
    assert (front["remainder_state"], front["share"]) == ("bound", None)


def test_less_background_taken_off_names_the_condition() -> None:
    given = small(
        LEVELS,
        background_source={f"a-sealed-{k}": "nothing" for k in range(3)},
        margins={f"a-{name}-{k}": 8.0 for name in ("open", "front") for k in range(3)},
    )
    sealed = at(rows_of(given.job()), "sealed")
    assert sealed["gain_doubt"] == ["less-background-taken-off: sealed (a-sealed-0, a-sealed-1, a-sealed-2)"]


def test_a_second_bare_condition_is_held_against_the_untreated_one() -> None:
    """All tape off again at the end: its gain says whether the body came back."""
    levels = LEVELS | {"again": (90.1, 80.1)}
    rows = rows_of(small(levels, applied=APPLIED | {"again": ()}, compare=Compare(practical_threshold_db=1.0)).job())
    again = at(rows, "again")
    assert (again["gain_finding"], again["applied"], again["best"]) == ("equivalent", [], "sealed")


def test_the_share_is_that_of_the_power_taken_away() -> None:
    front = at(rows_of(small(LEVELS).job()), "front")
    true = (10**9.0 - 10**8.7) / (10**9.0 - 10**8.4)
    assert front["share"] == pytest.approx(true, rel=1e-9)
    assert 0.55 < front["share_lower"] < true < front["share_upper"] < 0.75
    assert at(rows_of(small(LEVELS | {"sealed": (90.1, 80.0)}).job()), "front").get("share") is None


@pytest.mark.parametrize("campaigns", few_or_many(20, 100))
def test_intervals_hold_the_truth_as_often_as_they_say(campaigns: int) -> None:
    """Gains, remainders and shares: 95 % intervals about what was planted."""
    held: dict[str, list[float]] = {}
    share = (1.0 - 10**-0.2) / (1.0 - 10**-0.3)
    design = replace(MANY, positions=6, scatters=Scatters(run=0.2, session=0.4, mount=0.9))
    for seed in range(campaigns):
        for row in rows_of(many(100 + seed, {}, design)):
            truth = {"gain": 2.0, "remainder": 1.0} if row["condition"] == "front" else {"gain": 3.0}
            where = row["pairing"]
            for name, true in truth.items():
                if row.get(f"{name}_db") is not None:
                    inside = row[f"{name}_lower_db"] <= true <= row[f"{name}_upper_db"]
                    held.setdefault(f"{name} {where}", []).append(inside)
            if row.get("share") is not None:
                inside = (row["share_lower"] or 0.0) <= share <= row["share_upper"]
                held.setdefault("share", []).append(inside)
    assert set(held) == {"gain same-session", "remainder same-session", "share"}
    for name, inside in held.items():
        assert len(inside) > 500
        assert 0.92 <= np.mean(inside) <= 0.99, name
