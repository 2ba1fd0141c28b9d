"""Generated campaigns through all of a comparison: intervals, findings and ranks hold as often as they say.

Few campaigns here, more among the long tests; `benchmarks/validate_comparisons.py` draws many.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import scipy.stats
from generated_campaign import Design, Generated, Reals, Scatters, generated

from long_evidence import few_or_many
from tapeline.acoustics.weightings import weighting_db
from tapeline.campaign.settings import Compare
from tapeline.jobs.compare.compared_pairs import Compared, compared_pairs, pairing_of
from tapeline.jobs.compare.compared_runs import Pair, repeat_pools
from tapeline.jobs.compare.contributed import contributed
from tapeline.jobs.compare.contributed_spots import Found, contributed_spots
from tapeline.jobs.compare.ranking import ranking_rows
from tapeline.jobs.compare.session_changes import session_changes
from tapeline.statistics.uncertainty_terms import ASSUMED_BETWEEN_SESSIONS, ASSUMED_REPEATS, BETWEEN_SESSIONS

SHAPE = (2, 8, 12)
ACROSS = Design(
    {"april": {"open": 2, "rear": 2}, "may": {"open": 3, "sealed": 1}, "june": {"open": 2}},
    {"across": ("rear", "sealed"), "within": ("open", "rear")},
    scatters=Scatters(run=0.2, session=0.4, mount=0.9),
)
GAP = Design(
    {"april": {"sealed": 2, "open": 2}}, {"gap": ("sealed", "open")}, applied={"sealed": ("tape",), "open": ()}
)


@pytest.fixture(params=few_or_many(20, 60))
def campaigns(request: pytest.FixtureRequest) -> int:
    return int(request.param)


def levels(random: np.random.Generator, design: Design, changed: Reals | float = 0.0) -> dict[str, Reals]:
    """The same levels for all conditions but `sealed` and `rear`, which differ by `changed`."""
    base = random.normal(80.0, 5.0, SHAPE)
    names = {name for session in design.repeats.values() for name in session}
    return {name: base + (changed if name in ("sealed", "rear") else 0.0) for name in sorted(names)}


def pairs_of(made: Generated, name: str) -> list[Compared]:
    pools = repeat_pools(made.job)
    return compared_pairs(made.job, made.job.needs.comparisons[name], pools, session_changes(made.job, pools))


def found_of(made: Generated, name: str) -> list[Found]:
    comparison = made.job.needs.comparisons[name]
    return [(found, contributed(made.job, comparison, found)) for found in pairs_of(made, name)]


def test_intervals_of_every_pairing_hold(campaigns: int) -> None:
    """95 % intervals about a true difference of 0 dB; limits are wider than three standard errors."""
    held: dict[str, list[float]] = {}
    for seed in range(campaigns):
        random = np.random.default_rng(seed)
        made = generated(ACROSS, levels(random, ACROSS), random)
        for name in ACROSS.comparisons:
            for found in pairs_of(made, name):
                inside = (found.result.lower_db <= 0.0) & (found.result.upper_db >= 0.0)
                for p, position in enumerate(made.job.cube.positions):
                    pairing = pairing_of(made.job, position, found.pair.sessions)
                    held.setdefault(pairing, []).append(float(inside[p].mean()))
    assert set(held) == {"same-session", "same-mount", "remounted"}
    for pairing, shares in held.items():
        assert 0.925 <= np.mean(shares) <= 0.985, pairing


def test_a_remounted_sensor_has_the_wider_interval() -> None:
    random = np.random.default_rng(5)
    found = pairs_of(generated(ACROSS, levels(random, ACROSS), random), "across")[0]
    width = found.result.upper_db - found.result.lower_db
    assert np.median(width[ACROSS.kept :]) > 1.5 * np.median(width[: ACROSS.kept])
    assert np.all(found.result.terms[ASSUMED_BETWEEN_SESSIONS.name][0] == 0.0) and np.all(
        found.result.terms[BETWEEN_SESSIONS.name][0] > 0.0
    )
    assert np.all(found.result.terms["calibration"][0] == 0.0), "the measured change holds it"


def test_sessions_with_nothing_in_common_fall_back_on_what_is_assumed() -> None:
    design = replace(
        ACROSS, repeats={"april": {"rear": 2}, "may": {"sealed": 2}}, comparisons={"c": ("rear", "sealed")}
    )
    random = np.random.default_rng(6)
    terms = pairs_of(generated(design, levels(random, design), random), "c")[0].result.terms
    compare = Compare()
    assert np.all(terms[BETWEEN_SESSIONS.name][0] == 0.0)
    kept, anew = (
        terms[ASSUMED_BETWEEN_SESSIONS.name][0][: design.kept],
        terms[ASSUMED_BETWEEN_SESSIONS.name][0][design.kept :],
    )
    assert kept == pytest.approx(2.0 * compare.session_sd_db**2) and anew == pytest.approx(
        2.0 * compare.remount_sd_db**2
    )
    assert np.all(terms["calibration"][0] == pytest.approx(0.02))


def test_without_repeats_an_assumption_stands_in() -> None:
    design = replace(GAP, repeats={"april": {"sealed": 1, "open": 1}})
    random = np.random.default_rng(7)
    terms = pairs_of(generated(design, levels(random, design), random), "gap")[0].result.terms
    assert terms[ASSUMED_REPEATS.name][0] == pytest.approx(2.0 * Compare().repeat_sd_db ** 2)
    assert ASSUMED_REPEATS.name not in pairs_of(generated(GAP, levels(random, GAP), random), "gap")[0].result.terms


def test_false_findings_are_as_rare_as_stated(campaigns: int) -> None:
    """No true difference at all: at most one campaign in twenty has a finding, but for chance, adjusted either way."""
    for adjustment in ("false-discovery", "family-wise"):
        design = replace(GAP, compare=Compare(adjustment=adjustment))
        wrong = 0
        for seed in range(campaigns):
            random = np.random.default_rng(1000 + seed)
            made = generated(design, levels(random, design), random)
            wrong += any(
                np.isin(adds.words.astype(str), ("lower", "higher")).any() for _, adds in found_of(made, "gap")
            )
        assert wrong <= 0.05 * campaigns + 3.0 * np.sqrt(0.05 * campaigns), adjustment


def test_equivalence_is_hardly_ever_claimed_at_the_threshold(campaigns: int) -> None:
    threshold, claimed = Compare().practical_threshold_db, []
    design = replace(GAP, scatters=Scatters(run=0.1))
    for seed in range(campaigns):
        random = np.random.default_rng(2000 + seed)
        made = generated(design, levels(random, design, threshold), random)
        claimed += [np.mean(adds.words == "equivalent") for _, adds in found_of(made, "gap")]
    assert np.mean(claimed) <= 0.04


def test_families_are_the_comparison_or_the_operating_point() -> None:
    for family, size in (("comparison", 192), ("operating-point", 96)):
        design = replace(GAP, compare=Compare(family=family))
        random = np.random.default_rng(8)
        pairs = pairs_of(generated(design, levels(random, design), random), "gap")
        assert {int(value) for pair in pairs for value in np.unique(pair.family)} == {size}


def test_the_list_is_in_the_order_of_what_is_to_be_expected() -> None:
    random = np.random.default_rng(9)
    ground = np.full(SHAPE, 70.0)
    gap = random.normal(65.0, 6.0, SHAPE)
    truth = {"sealed": ground, "open": 10 * np.log10(10 ** (ground / 10) + 10 ** (gap / 10))}
    design = replace(GAP, scatters=Scatters(run=0.2, session=0.0, mount=0.0))
    made = generated(design, truth, random)
    rows = list(ranking_rows(made.job, "gap", found_of(made, "gap")))
    assert [row["place"] for row in rows] == list(range(1, made.job.needs.ranking.entries + 1))
    expected = [row["expected_db"] for row in rows]
    assert expected == sorted(expected, reverse=True)
    assert all(row["rank"] <= row["place"] for row in rows)
    assert all(row["rank_lower"] <= row["rank_upper"] for row in rows)
    power = (10 ** (gap / 10)).mean(axis=0)
    best = np.unravel_index(power.argmax(), power.shape)
    assert rows[0]["position"] == made.job.cube.positions[best[0]]
    assert rows[0]["band_hz"] == made.job.cube.items[best[1]].band_hz
    assert {row["next_step"] for row in rows} <= {"treat", "treat together"}
    assert {row["ranked_by"] for row in rows} == {"contribution"}
    for row in rows:
        assert (row["finding"] == "tied") == (row["tied_group"] is not None) == (row["next_step"] == "treat together")


def test_where_nothing_was_opened_the_change_is_ranked_either_way() -> None:
    """Two variants: one spot 6 dB quieter, one 3 dB louder at the same level, all others the same."""
    random = np.random.default_rng(9)
    design = replace(GAP, applied={}, scatters=Scatters(run=0.1, random=0.03, session=0.0, mount=0.0))
    base = np.full(SHAPE, 80.0)
    changed = base.copy()
    changed[:, 2, 4] -= 6.0
    changed[:, 5, 7] += 3.0
    made = generated(design, {"sealed": base, "open": changed}, random)
    rows = list(ranking_rows(made.job, "gap", found_of(made, "gap")))
    assert {row["ranked_by"] for row in rows} == {"change"}
    ranked = [row for row in rows if row["rank"] is not None]
    spots = {(row["position"], row["band_hz"]): row for row in ranked}
    bands = [item.band_hz for item in made.job.cube.items]
    quieter, louder = spots.pop(("p02", bands[4])), spots.pop(("p05", bands[7]))
    assert not spots
    assert (quieter["direction"], quieter["next_step"]) == ("louder in sealed", "keep")
    assert (louder["direction"], louder["next_step"]) == ("louder in open", "find the cause")
    for row, true in ((quieter, 1e8 - 10**7.4), (louder, 10**8.3 - 1e8)):
        assert row["contribution_db"] == pytest.approx(10 * np.log10(true), abs=0.6)
        assert row["lower_db"] < 10 * np.log10(true) < row["upper_db"]
    assert quieter["difference_db"] == pytest.approx(-6.0, abs=0.4)
    assert sum(row["share"] for row in ranked) == pytest.approx(1.0)
    turned = replace(design, comparisons={"gap": ("open", "sealed")})
    mirrored = generated(turned, {"sealed": base, "open": changed}, np.random.default_rng(9))
    back = list(ranking_rows(mirrored.job, "gap", found_of(mirrored, "gap")))
    assert [(row["position"], row["band_hz"], row["rank"], row["direction"]) for row in back if row["rank"]] == [
        (row["position"], row["band_hz"], row["rank"], row["direction"]) for row in ranked
    ]


def test_ranks_of_changes_and_groups_hold() -> None:
    """Half of the spots change by log-normal powers, louder or quieter; true ranks among those that are ranked."""
    held, in_order = [], []
    for seed in range(20):
        random = np.random.default_rng(5000 + seed)
        design = replace(GAP, applied={}, scatters=Scatters(run=0.3, session=0.0, mount=0.0))
        ground, part = random.normal(70.0, 5.0, SHAPE), random.normal(65.0, 5.0, SHAPE[1:])
        louder = np.where(
            random.random(SHAPE[1:]) < 0.5, 10 * np.log10(10 ** (ground / 10) + 10 ** (part / 10)), ground
        )
        turned = random.random(SHAPE[1:]) < 0.5
        truth = {"open": np.where(turned, ground, louder), "sealed": np.where(turned, louder, ground)}
        made = generated(design, truth, random)
        rows = [row for row in ranking_rows(made.job, "gap", found_of(made, "gap")) if row["rank"] is not None]
        bands = [item.band_hz for item in made.job.cube.items]
        change = np.abs(10 ** (truth["open"] / 10) - 10 ** (truth["sealed"] / 10)).mean(axis=0)
        true = [change[made.job.cube.positions.index(row["position"]), bands.index(row["band_hz"])] for row in rows]
        # The list is cut: true ranks are known of its first half.
        ranks = (-np.array(true)).argsort().argsort() + 1
        held += [
            row["rank_lower"] <= rank <= row["rank_upper"] for row, rank in zip(rows[:10], ranks[:10], strict=True)
        ]
        firsts = [true[k] for k, row in enumerate(rows) if row["place"] == row["rank"]]
        in_order += [first > then for first, then in itertools.pairwise(firsts)]
    assert len(held) >= 150 and len(in_order) >= 50
    assert np.mean(held) >= 0.9
    assert np.mean(in_order) >= 0.95


def test_no_difference_gives_no_rank_and_no_advice(campaigns: int) -> None:
    """No true difference: but for chance one campaign in twenty ranks a spot, and one in five advises runs."""
    for applied in ({}, GAP.applied):
        ranked, advised = 0, 0
        for seed in range(campaigns):
            random = np.random.default_rng(4000 + seed)
            design = replace(GAP, applied=applied, scatters=Scatters(run=0.6))
            made = generated(design, levels(random, design), random)
            rows = list(ranking_rows(made.job, "gap", found_of(made, "gap")))
            assert rows
            ranked += any(row["rank"] is not None for row in rows)
            advised += any(row["runs_needed"] is not None for row in rows)
            for row in rows:
                if row["rank"] is None:
                    given = ("rank_lower", "rank_upper", "first_probability", "share", "expected_db", "tied_group")
                    assert all(row[name] is None for name in given)
                    assert row["next_step"] in (None, "repeat", "leave", "check the closed state")
        for count, share in ((ranked, 0.05), (advised, 0.2)):
            assert count <= share * campaigns + 3.0 * np.sqrt(share * (1.0 - share) * campaigns)


def test_what_is_shown_below_the_practical_threshold_is_left_alone() -> None:
    """0.3 dB, sure as can be: shown where the interval leaves the threshold open, and of no use either way."""
    random = np.random.default_rng(21)
    scatters = Scatters(run=0.12, random=0.03, session=0.0, mount=0.0)
    design = replace(GAP, scatters=scatters, repeats={"april": {"sealed": 4, "open": 4}})
    made = generated(design, levels(random, design, -0.36), random)
    rows = list(ranking_rows(made.job, "gap", found_of(made, "gap")))
    below = [row for row in rows if row["finding"] == "below threshold"]
    assert below
    assert {(row["rank"], row["next_step"], row["direction"]) for row in below} == {(None, "leave", "louder in open")}
    assert all(abs(row["difference_db"]) < 0.5 for row in below)


def test_a_closed_state_that_is_louder_has_no_rank() -> None:
    random = np.random.default_rng(22)
    design = replace(GAP, scatters=Scatters(run=0.1, session=0.0, mount=0.0))
    made = generated(design, levels(random, design, 3.0), random)
    rows = list(ranking_rows(made.job, "gap", found_of(made, "gap")))
    assert {(row["rank"], row["finding"], row["next_step"], row["direction"]) for row in rows} == {
        (None, "reversed", "check the closed state", "louder in sealed")
    }


def test_only_the_chosen_operating_points_are_ranked() -> None:
    """The gap opens at 40 m/s alone; at 30 m/s nothing is to be ranked."""
    random = np.random.default_rng(23)
    base = np.full(SHAPE, 80.0)
    louder = base + np.array([0.0, 6.0])[:, None, None]
    made = generated(
        replace(GAP, scatters=Scatters(run=0.1, session=0.0, mount=0.0)), {"sealed": base, "open": louder}, random
    )
    found = found_of(made, "gap")

    def ranked(*points: tuple[float, float]) -> list[dict[str, Any]]:
        job = replace(made.job, needs=replace(made.job.needs, ranking_points=points))
        return [row for row in ranking_rows(job, "gap", found) if row["rank"] is not None]

    assert not ranked((30.0, 0.0))
    assert {(row["points"], row["operating_points"]) for row in ranked((40.0, 0.0))} == {("40 m/s at 0 deg", 1)}
    assert {(row["points"], row["operating_points"]) for row in ranked()} == {("all", 2)}
    assert not list(
        ranking_rows(replace(made.job, needs=replace(made.job.needs, ranking_points=((50.0, 0.0),))), "gap", found)
    )


def test_the_weighting_is_that_of_the_lines_of_both_sides() -> None:
    """The mean in dB over the runs that count; where no run has one, that of the midband."""
    random = np.random.default_rng(24)
    design = replace(GAP, scatters=Scatters(run=0.1, session=0.0, mount=0.0))
    made = generated(design, levels(random, design, -6.0), random)
    found = found_of(made, "gap")
    plain = contributed_spots(made.job, found)
    weighting = np.full(made.job.cube.state.shape, np.nan)
    for r, name in enumerate(made.job.cube.runs):
        weighting[r, :3] = -20.0 if "-sealed-" in name else -22.0
    weighting[0, :, 0] = np.nan
    cube = replace(made.job.cube, values=made.job.cube.values | {"a_weighting_db": weighting})
    ranking = made.job.needs.ranking.model_copy(update={"weighting": "A"})
    job = replace(made.job, cube=cube, needs=replace(made.job.needs, ranking=ranking))
    spots = contributed_spots(job, found)
    assert 10 * np.log10(spots.value[:3] / plain.value[:3]) == pytest.approx(-21.0)
    midband = weighting_db("A", [item.midband_hz for item in job.cube.items])
    assert 10 * np.log10(spots.value[3:] / plain.value[3:]) == pytest.approx(np.broadcast_to(midband, (5, 12)))
    assert spots.by_midband[3:].all() and not spots.by_midband[:3].any()
    rows = list(ranking_rows(job, "gap", found))
    assert {row["weighting_from"] for row in rows if row["position"] in ("p00", "p01", "p02")} <= {"lines"}


def test_what_is_not_shown_says_how_many_runs_would() -> None:
    """Errors go with one over the root of the runs; of 192 tests without a finding the first needs p = 0.05 / 192."""
    random = np.random.default_rng(13)
    made = generated(replace(GAP, scatters=Scatters(run=0.8)), levels(random, GAP, -1.2), random)
    found = found_of(made, "gap")
    shown = np.array([adds.words.astype(str) for _, adds in found])
    assert not np.isin(shown, ("lower", "higher")).any()
    rows = [row for row in ranking_rows(made.job, "gap", found) if row["runs_needed"]]
    assert rows
    assert {row["next_step"] for row in rows} == {"repeat"}
    for row in rows:
        band = [item.band_hz for item in made.job.cube.items].index(row["band_hz"])
        at = made.job.cube.positions.index(row["position"]), band
        needed = []
        for one, _ in found:
            change, error = one.result.difference_db[at], one.result.standard_error_db[at]
            factor = scipy.stats.t.isf(0.05 / 192 / 2, one.result.degrees_of_freedom[at])
            if change >= 0.5 and one.adjusted_p[at] <= 0.2:
                needed.append(max(3, int(np.ceil(2 * (factor * error / change) ** 2))))
        assert row["runs_needed"] == min(needed)
    second = [(replace(one, pair=_second_session(one.pair)), adds) for one, adds in found]
    assert not any(row["runs_needed"] for row in ranking_rows(made.job, "gap", second)), "what a session changes stays"


def _second_session(pair: Pair) -> Pair:
    """The pair as if its treatment was measured in a session of its own."""
    return replace(pair, treatment=tuple(replace(run, session="another") for run in pair.treatment))


def test_a_difference_within_the_threshold_is_left_alone() -> None:
    random = np.random.default_rng(11)
    design = replace(GAP, scatters=Scatters(run=0.05, random=0.03, session=0.0, mount=0.0))
    made = generated(design, levels(random, design, -0.1), random)
    rows = list(ranking_rows(made.job, "gap", found_of(made, "gap")))
    assert {(row["next_step"], row["runs_needed"]) for row in rows if row["finding"] == "equivalent"} == {
        ("leave", None)
    }
    assert {row["finding"] for row in rows} <= {"equivalent", "not shown"}
    assert not any(row["rank"] for row in rows)


def test_a_seal_below_the_background_is_shown() -> None:
    """Sealed is at most 60 dB everywhere at one position, open is 80 dB: the rise is shown though it has no value."""
    random = np.random.default_rng(12)
    made = generated(GAP, levels(random, GAP), random)
    cube = made.job.cube
    for r, name in enumerate(cube.runs):
        if "-sealed-" in name:
            cube.values["corrected_level_db"][r, 3] = np.nan
            cube.values["upper_bound_db"][r, 3] = 60.0
    rows = list(ranking_rows(made.job, "gap", found_of(made, "gap")))
    first = [row for row in rows if row["position"] == cube.positions[3]]
    assert len(first) == 12
    assert {row["finding"] for row in first} <= {"shown", "tied"}
    assert {row["next_step"] for row in first} <= {"treat", "treat together"}
    assert all(row["rank"] <= 12 for row in first)


def test_a_band_of_bounds_alone_takes_the_scatter_of_its_near_bands() -> None:
    """Every repeated condition is a bound in one band: its neighbours at the position tell what it may scatter."""
    design = replace(GAP, repeats={"april": {"open": 1, "rear": 1, "sealed": 3}}, comparisons={"c": ("open", "rear")})
    random = np.random.default_rng(13)
    made = generated(design, levels(random, design), random)
    cube = made.job.cube
    for r, name in enumerate(cube.runs):
        if "-sealed-" in name:
            cube.values["corrected_level_db"][r, :, 5] = np.nan
            cube.values["upper_bound_db"][r, :, 5] = 60.0
    result = pairs_of(made, "c")[0].result
    assert ASSUMED_REPEATS.name not in result.terms
    assert result.terms["repeats"][0][:, 5].mean() == pytest.approx(2.0 * GAP.scatters.run**2, rel=0.5)
    assert np.all(result.degrees_of_freedom[:, 5] < 20.0)


def test_a_run_without_levels_does_not_keep_sessions_from_being_compared() -> None:
    design = replace(
        ACROSS, repeats={"april": {"sealed": 3, "open": 1}, "may": {"open": 3}}, comparisons={"c": ("open", "sealed")}
    )
    random = np.random.default_rng(14)
    made = generated(design, levels(random, design), random)
    for r, name in enumerate(made.job.cube.runs):
        if name.startswith("april-open"):
            made.job.cube.usable[r] = False
    assert {found.pair.sessions for found in pairs_of(made, "c")} == {("may", "april")}


def test_each_position_by_itself_needs_no_assumption_where_it_has_repeats() -> None:
    for repeats, assumed in (({"sealed": 2, "open": 2}, False), ({"sealed": 1, "open": 1}, True)):
        design = replace(GAP, repeats={"april": repeats}, compare=Compare(repeats_pooled=False))
        random = np.random.default_rng(15)
        terms = pairs_of(generated(design, levels(random, design), random), "gap")[0].result.terms
        assert (ASSUMED_REPEATS.name in terms) is assumed


def test_an_operating_point_that_scatters_more_has_the_wider_interval(campaigns: int) -> None:
    """Five times the scatter of three other points, shared by all positions: its 95 % intervals still hold."""
    points = ((20.0, 0.0), (30.0, 0.0), (40.0, 0.0), (40.0, 10.0))
    scatters = Scatters(run=0.1, random=0.03, session=0.0, mount=0.0, alike=1.0)
    design = replace(GAP, points=points, scatters=scatters, odd_point=5.0, repeats={"april": {"sealed": 3, "open": 3}})
    held: dict[bool, list[float]] = {True: [], False: []}
    for seed in range(campaigns):
        random = np.random.default_rng(3000 + seed)
        base = random.normal(80.0, 5.0, (4, *SHAPE[1:]))
        for found in pairs_of(generated(design, {"sealed": base, "open": base}, random), "gap"):
            inside = (found.result.lower_db <= 0.0) & (found.result.upper_db >= 0.0)
            held[found.pair.point == points[0]].append(float(inside.mean()))
    assert np.mean(held[True]) >= 0.9, "0.68 where the session's pool is taken"
    assert np.mean(held[False]) >= 0.95
