"""Which conditions take a whole apart, and whether their contributions add up."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_cubes import RANDOM_DB, Given, Small, bands, overall, written

from long_evidence import few_or_many
from tapeline.campaign.settings import Compare
from tapeline.jobs.compare.additivity_rows import Split, additivity_rows, splits_of
from tapeline.jobs.compare.compared_runs import repeat_pools

SEALED = {"open": (), "front": ("f",), "rear": ("r",), "sealed": ("f", "r")}


def rows_of(small: Small) -> list[dict[str, object]]:
    job = small.job()
    return list(additivity_rows(job, repeat_pools(job)))


def runs_of(powers: dict[str, float], count: int = 3, speed_mps: float = 30.0) -> list[Given]:
    """Repeats of conditions with these powers (relative to the reference pressure's square) at p, 3 dB less at q."""
    levels = {name: 10.0 * np.log10(power) for name, power in powers.items()}
    return [
        Given(f"a-{name}-{speed_mps:g}{k}", (level, level - 3.0), speed_mps)
        for name, level in levels.items()
        for k in range(count)
    ]


ADDS_UP = {"open": 100e6, "front": 70e6, "rear": 80e6, "sealed": 50e6}


def test_applied_and_opened_one_at_a_time() -> None:
    """With two parts the single conditions serve both ways: front alone taped is rear alone open."""
    assert splits_of(SEALED) == [
        Split("applied", "open", "sealed", ("front", "rear")),
        Split("opened", "sealed", "open", ("rear", "front")),
    ]


def test_opened_one_at_a_time_of_three() -> None:
    applied = {"shut": ("a", "b", "c"), "a": ("b", "c"), "b": ("a", "c"), "c": ("a", "b"), "wide": ()}
    assert splits_of(applied) == [Split("opened", "shut", "wide", ("a", "b", "c"))]


def test_into_as_many_parts_as_possible() -> None:
    applied = {"open": (), "a": ("a",), "b": ("b",), "c": ("c",), "bc": ("b", "c"), "all": ("a", "b", "c")}
    found = [split for split in splits_of(applied) if (split.way, split.whole) == ("applied", "all")]
    assert found == [Split("applied", "open", "all", ("a", "b", "c"))]
    assert Split("applied", "open", "bc", ("b", "c")) in splits_of(applied)


def test_groups_of_parts() -> None:
    applied = {"open": (), "ab": ("a", "b"), "c": ("c",), "all": ("a", "b", "c")}
    assert Split("applied", "open", "all", ("c", "ab")) in splits_of(applied) or Split(
        "applied", "open", "all", ("ab", "c")
    ) in splits_of(applied)


def test_parts_that_overlap_or_miss_something_take_nothing_apart() -> None:
    assert splits_of({"open": (), "ab": ("a", "b"), "bc": ("b", "c"), "all": ("a", "b", "c")}) == []
    assert splits_of({"open": (), "a": ("a",), "all": ("a", "b", "c")}) == []
    assert splits_of({}) == []
    assert splits_of({"one": (), "other": ()}) == []


def test_a_whole_may_hold_what_all_conditions_have() -> None:
    applied = {"base": ("x",), "a": ("x", "a"), "b": ("x", "b"), "ab": ("x", "a", "b")}
    assert Split("applied", "base", "ab", ("a", "b")) in splits_of(applied)


def test_many_conditions_without_a_cover_end_at_once() -> None:
    """Three conditions for each of 24 pieces and none for the last: trying them in any order would never end."""
    pieces = [f"a{k:02}" for k in range(24)]
    applied: dict[str, tuple[str, ...]] = {f"{piece}-{k}": (piece,) for piece in pieces for k in range(3)}
    applied |= {"open": (), "all": (*pieces, "z")}
    assert splits_of(applied) == []


@given(st.dictionaries(st.text("nm", min_size=1, max_size=3), st.sets(st.sampled_from("abcd")), max_size=9))
def test_every_split_is_exact(applied: dict[str, set[str]]) -> None:
    for split in splits_of({name: sorted(items) for name, items in applied.items()}):
        changes = [applied[name] ^ applied[split.common] for name in split.single]
        assert len(changes) >= 2
        assert set().union(*changes) == applied[split.whole] ^ applied[split.common]
        assert sum(map(len, changes)) == len(applied[split.whole] ^ applied[split.common]), "no overlap"
        smaller, larger = sorted((split.common, split.whole), key=lambda name: len(applied[name]))
        assert (split.way == "applied") == (split.common == smaller)
        assert all(applied[smaller] < applied[name] < applied[larger] for name in split.single)


def test_contributions_that_add_up(tmp_path: Path) -> None:
    """30 and 20 taken off alone, 50 together, in units of 10^6 times (20 uPa)^2: 77 dB."""
    found = written(tmp_path, "additivity", rows_of(Small(runs_of(ADDS_UP), applied=SEALED)))
    assert len(found) == 2 * 2 * 2, "two ways, two positions, a band and an overall level"
    row = next(row for row in bands(found) if (row["way"], row["position"]) == ("applied", "p"))
    assert (row["common"], row["whole"], row["single"]) == ("open", "sealed", ["front", "rear"])
    assert [row["sum_db"], row["whole_db"]] == pytest.approx([10.0 * np.log10(50e6)] * 2)
    assert row["sum_pa2"] == pytest.approx(50e6 * 4e-10)
    assert row["interaction_db"] == pytest.approx(0.0, abs=1e-9)
    assert row["finding"] == "additive"
    assert len(row["runs"]) == 12
    other = next(row for row in bands(found) if (row["way"], row["position"]) == ("opened", "p"))
    assert other["sum_db"] == pytest.approx(row["sum_db"])


def test_one_leak_that_feeds_the_other() -> None:
    """30 and 20 taken off alone, but 80 together: sum over whole -2.0 dB."""
    row = bands(rows_of(Small(runs_of(ADDS_UP | {"sealed": 20e6}), applied=SEALED)))[0]
    assert row["interaction_db"] == pytest.approx(10.0 * np.log10(50.0 / 80.0))
    assert row["finding"] == "interaction"


def test_interactions_are_adjusted_over_all_of_one_quantity() -> None:
    rows = rows_of(Small(runs_of(ADDS_UP | {"sealed": 20e6}), applied=SEALED))
    for part in (bands(rows), overall(rows)):
        assert {row["family_size"] for row in part} == {len(part)} == {4}
        assert all(row["p_value"] <= row["adjusted_p_value"] for row in part)


def test_sealed_louder_than_open_is_reported(tmp_path: Path) -> None:
    """Tape that whistles: both wholes are counted above zero, here by what sealing adds."""
    louder = {"open": 50e6, "front": 70e6, "rear": 60e6, "sealed": 80e6}
    found = written(tmp_path, "additivity", rows_of(Small(runs_of(louder), applied=SEALED)))
    row = next(row for row in bands(found) if (row["way"], row["position"]) == ("applied", "p"))
    assert [row["sum_pa2"], row["whole_pa2"]] == pytest.approx([30e6 * 4e-10] * 2)
    assert row["finding"] == "additive"


def test_a_sum_against_the_wholes_way_has_no_level(tmp_path: Path) -> None:
    against = {"open": 100e6, "front": 120e6, "rear": 130e6, "sealed": 50e6}
    found = written(tmp_path, "additivity", rows_of(Small(runs_of(against), applied=SEALED)))
    row = next(row for row in bands(found) if (row["way"], row["position"]) == ("applied", "p"))
    assert row["sum_pa2"] == pytest.approx(-50e6 * 4e-10)
    assert row["sum_db"] is None
    assert row["interaction_db"] is None
    assert row["finding"] == "interaction"


def test_a_condition_missing_at_one_speed_leaves_out_that_speed() -> None:
    slow, fast = runs_of(ADDS_UP), runs_of({k: v for k, v in ADDS_UP.items() if k != "rear"}, speed_mps=40.0)
    found = rows_of(Small(slow + fast, applied=SEALED))
    assert {row["speed_mps"] for row in found} == {30.0}


def test_a_finer_split_that_was_not_measured_leaves_the_coarser_one() -> None:
    applied = {"open": (), "a": ("a",), "b": ("b",), "c": ("c",), "bc": ("b", "c"), "all": ("a", "b", "c")}
    runs = runs_of({"open": 100e6, "a": 90e6, "bc": 70e6, "all": 60e6})
    found = [row for row in rows_of(Small(runs, applied=applied)) if row["way"] == "applied"]
    assert {tuple(row["single"]) for row in found} == {("a", "bc")}


def test_an_unusable_channel_or_a_bound_leaves_out_the_position() -> None:
    runs = runs_of(ADDS_UP)
    bounds = {(run.run, "p"): 80.0 for run in runs if "-rear-" in run.run}
    for small in (
        Small(runs, applied=SEALED, bounds=bounds),
        Small(runs, applied=SEALED, unusable=frozenset(bounds)),
    ):
        assert {row["position"] for row in rows_of(small)} == {"q"}


def test_overall_levels_of_another_range_are_not_added() -> None:
    found = rows_of(Small(runs_of(ADDS_UP), applied=SEALED, edges={("a-rear-300", "p"): 200.0}))
    assert {row["position"] for row in overall(found)} == {"q"}
    assert {row["position"] for row in bands(found)} == {"p", "q"}


def test_single_runs_have_the_assumed_scatter_of_repeats() -> None:
    """Without repeats the interval is by 0.2 dB of each run and t with two degrees of freedom, 4.303."""
    runs = runs_of({"open": 100e6, "front": 55e6, "rear": 60e6, "sealed": 15e6}, count=1)
    small = Small(runs, applied=SEALED, compare=Compare(repeat_sd_db=0.2), uncertainties={"speed": 0.1})
    row = next(row for row in bands(rows_of(small)) if row["way"] == "applied")
    error = (0.2**2 + RANDOM_DB**2 + 0.1**2) ** 0.5 / 4.34294
    for end, sign in (("lower_db", 1.0), ("upper_db", -1.0)):
        ratio = 10.0 ** (row[end] / 10.0)
        off = 0.85 - ratio * 0.85
        doubt = error * np.sqrt((2.0 - ratio) ** 2 + 0.55**2 + 0.60**2 + (ratio * 0.15) ** 2)
        assert off == pytest.approx(sign * 4.3027 * doubt, rel=1e-4), "the end of Fieller's interval"


@pytest.mark.parametrize("campaigns", few_or_many(100, 300))
def test_families_with_a_wrong_interaction_are_rare(campaigns: int) -> None:
    """Campaigns of two repeats that scatter by 0.4 dB; contributions of small parts add up."""
    random = np.random.default_rng(33)
    powers = {"open": 1.00e8, "front": 0.92e8, "rear": 0.95e8, "sealed": 0.87e8}
    truth = {name: 10.0 * np.log10(power) for name, power in powers.items()}
    names, words = tuple(f"p{k}" for k in range(8)), []
    for _ in range(campaigns):
        runs = [
            Given(f"a-{name}-{k}", tuple(level + np.hypot(0.4, RANDOM_DB) * random.normal(size=8)))
            for name, level in truth.items()
            for k in range(2)
        ]
        rows = bands(rows_of(Small(runs, names, applied=SEALED)))
        words += [row["finding"] for row in rows if row["way"] == "applied"]
    assert len(words) == 8 * campaigns
    families = [words[k : k + 8] for k in range(0, len(words), 8)]
    assert np.mean(["interaction" in family for family in families]) <= 0.08
