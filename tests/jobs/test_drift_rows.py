"""Drift of reference conditions, and what it puts into differences."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from small_cubes import RANDOM_DB, Given, Small, bands, overall, written

from long_evidence import few_or_many
from tapeline.campaign.settings import Compare
from tapeline.jobs.compare.compared_runs import Pair, repeat_pools
from tapeline.jobs.compare.drift_rows import Drifts, OrderOfRuns, drift_rows, order_of_runs, reference_drifts

SEAM = {"seam": ("open", "taped")}


def at(name: str, hours: float | None, level: float = 80.0, speed_mps: float = 30.0) -> Given:
    return Given(name, (level, level - 10.0), speed_mps, hours=hours)


def pair_of(small: Small) -> Pair:
    """Reference and treatment of the first session at 30 m/s."""
    cells = {key[1]: runs for key, runs in small.job().cells.items() if key[2] == (30.0, 0.0) and key[0] == "a"}
    return Pair(cells["open"], cells["taped"], (30.0, 0.0))


def drifts_of(small: Small) -> Drifts:
    job = small.job()
    return reference_drifts(job, repeat_pools(job))


def drifting(slope: float, noise: Sequence[float] = (0.01, -0.01, 0.01, -0.01)) -> list[Given]:
    """Two speeds, twice each, the reference drifting; the treatment in between."""
    times = [0.0, 3.0, 0.5, 2.5]
    speeds = [30.0, 30.0, 40.0, 40.0]
    runs = [
        at(f"a-open-{k}", t, 80.0 + speed + slope * t + e, speed)
        for k, (t, speed, e) in enumerate(zip(times, speeds, noise, strict=True))
    ]
    return [*runs, at("a-taped-0", 1.0, 105.0), at("a-taped-1", 2.0, 105.0)]


@pytest.mark.parametrize("slope", [0.8, -0.8, 0.0])
def test_a_true_slope_has_its_sign_and_size(tmp_path: Path, slope: float) -> None:
    small = Small(drifting(slope), comparisons=SEAM)
    job = small.job()
    found = written(tmp_path, "reference_drift", drift_rows(job, drifts_of(small)))
    row = bands(found)[0]
    assert row["slope_db_per_hour"] == pytest.approx(slope, abs=0.02)
    assert row["span_hours"] == pytest.approx(3.0)
    assert row["difference_db"] == pytest.approx(3.0 * row["slope_db_per_hour"])
    assert (row["condition"], row["runs"]) == ("open", [f"a-open-{k}" for k in range(4)])
    assert row["family_size"] == 2, "two positions; overall levels are a family of their own"
    assert len(overall(found)) == 2


def test_the_error_is_that_of_the_scatter_over_the_times() -> None:
    """Repeats at one point 4 h apart: 2 / 16 of the variance of a level, random error and what scatters beyond it."""
    runs = [at("a-open-0", 0.0, 80.0), at("a-open-1", 4.0, 81.0)]
    small = Small(runs, comparisons=SEAM)
    scatter = repeat_pools(small.job()).of_session("a")
    row = bands(drift_rows(small.job(), drifts_of(small)))[0]
    each = RANDOM_DB**2 + float(scatter.excess[0, 0])
    assert row["standard_error_db"] == pytest.approx(4.0 * np.sqrt(each * 2.0 / 16.0))


def order_of(small: Small) -> OrderOfRuns | None:
    job, pair = small.job(), pair_of(small)
    return order_of_runs(job, pair, drifts_of(small), repeat_pools(job).of_session(pair.sessions[0]))


@pytest.mark.parametrize("slope", [0.5, -0.5])
def test_the_effect_is_slope_times_the_time_between(slope: float) -> None:
    """Reference at 0 and 1 h, treatment at 2 and 3 h: two hours later on average."""
    runs = [at("a-open-0", 0.0, 80.0), at("a-open-1", 1.0, 80.0 + slope)]
    runs += [at("a-taped-0", 2.0, 80.0 + 2.0 * slope), at("a-taped-1", 3.0, 80.0 + 3.0 * slope)]
    small = Small(runs, comparisons=SEAM)
    order = order_of(small)
    assert order is not None
    drift = drifts_of(small)["a", "open"]
    assert order.effect_db == pytest.approx(2.0 * drift.slope)
    assert order.uncertainty_db == pytest.approx(2.0 * drift.error)
    assert order.effect_db[0, 0] == pytest.approx(2.0 * slope)
    found = small.compared(small.job(), "seam")[0].result.difference_db[0, 0]
    assert found == pytest.approx(order.effect_db[0, 0]), "all of the difference is drift"


def test_runs_in_the_middle_have_no_effect() -> None:
    small = Small(drifting(0.8), comparisons=SEAM)
    order = order_of(small)
    assert order is not None
    assert order.effect_db == pytest.approx(np.zeros((2, 2)), abs=1e-9)


def test_repeats_at_one_time_or_without_times_have_no_drift() -> None:
    for hours in (None, 0.1):
        small = Small(
            [*(at(f"a-open-{k}", hours, 80.0 + k) for k in range(3)), at("a-taped-0", hours)], comparisons=SEAM
        )
        assert drift_rows(small.job(), drifts_of(small)) == []
        if hours is None:
            assert order_of(small) is None


def test_what_is_no_reference_has_no_drift() -> None:
    runs = [at("a-taped-0", 0.0), at("a-taped-1", 2.0), at("a-open-0", 1.0)]
    assert drifts_of(Small(runs, comparisons=SEAM)) == {}


def test_several_references_and_sessions(tmp_path: Path) -> None:
    runs = [
        at(f"{session}-{condition}-{k}", 2.0 * k, 80.0 + 0.1 * k)
        for session in ("a", "b")
        for condition in ("open", "bare", "taped")
        for k in range(2)
    ]
    small = Small(runs, comparisons={"seam": ("open", "taped"), "foil": ("bare", "taped"), "same": ("open", "bare")})
    found = bands(written(tmp_path, "reference_drift", drift_rows(small.job(), drifts_of(small))))
    assert [(row["session"], row["condition"]) for row in found if row["position"] == "p"] == [
        ("a", "bare"), ("a", "open"), ("b", "bare"), ("b", "open")]  # fmt: skip


@pytest.mark.parametrize(
    ("reference", "treatment", "expected"),
    [
        ((0.0, 3.0), (1.0, 2.0), True),
        ((0.0, 1.5), (1.0, 2.0), False),
        ((1.0, 1.5), (0.5, 1.2), False),
        ((1.0, 2.0), (1.0, 1.5), False),
        ((0.0, None), (1.0, 2.0), None),
        ((0.0, 3.0), (1.0, None), None),
    ],
)
def test_bracketed_by_the_reference(
    reference: Sequence[float | None], treatment: Sequence[float | None], expected: bool | None
) -> None:
    runs = [
        at(f"a-{name}-{k}", t)
        for name, times in (("open", reference), ("taped", treatment))
        for k, t in enumerate(times)
    ]
    small = Small(runs, comparisons=SEAM)
    order = order_of(small)
    if expected is None:
        assert order is None
    else:
        assert order is not None and np.all(order.bracketed == expected)


@pytest.mark.parametrize("lost", ["levels", "channels"])
def test_a_run_without_levels_brackets_nothing(lost: str) -> None:
    runs = [at("a-open-0", 0.0), at("a-open-1", 3.0), at("a-taped-0", 1.0)]
    if lost == "levels":
        small = Small(runs, comparisons=SEAM, without_levels=frozenset({"a-open-1"}))
    else:
        small = Small(runs, comparisons=SEAM, unusable=frozenset({("a-open-1", "p"), ("a-open-1", "q")}))
    order = order_of(small)
    assert order is not None and not order.bracketed.any()
    assert np.isnan(order.effect_db).all(), "one reference run is left"


def test_an_unusable_channel_brackets_nothing_where_it_is() -> None:
    runs = [at("a-open-0", 0.0), at("a-open-1", 3.0), at("a-taped-0", 1.0)]
    small = Small(runs, comparisons=SEAM, unusable=frozenset({("a-open-1", "q")}))
    order = order_of(small)
    assert order is not None
    assert order.bracketed[0].all() and not order.bracketed[1].any()


def test_a_late_run_that_does_not_count_does_not_turn_the_effect() -> None:
    runs = [at("a-open-0", 0.0, 80.0), at("a-open-1", 1.0, 80.5), at("a-open-2", 9.0), at("a-taped-0", 2.0, 80.7)]
    small = Small(runs, comparisons=SEAM, without_levels=frozenset({"a-open-2"}))
    order = order_of(small)
    assert order is not None
    assert order.effect_db[0, 0] == pytest.approx(0.5 * 1.5)


def test_across_sessions_nothing_is_said() -> None:
    runs = [at("a-open-0", 0.0), at("a-open-1", 3.0), at("b-taped-0", 1.0)]
    small = Small(runs, comparisons=SEAM)
    cells = {key[1]: found for key, found in small.job().cells.items()}
    pair = Pair(cells["open"], cells["taped"], (30.0, 0.0))
    job = small.job()
    assert order_of_runs(job, pair, drifts_of(small), repeat_pools(job).of_session("a")) is None


def test_overall_levels_of_another_range_do_not_drift() -> None:
    small = Small(drifting(0.8), comparisons=SEAM, edges={("a-open-0", "p"): 200.0, ("a-open-2", "p"): 200.0})
    found = drift_rows(small.job(), drifts_of(small))
    assert {row["position"] for row in overall(found)} == {"q"}
    assert {row["position"] for row in bands(found)} == {"p", "q"}


def test_a_position_that_scatters_more_by_itself_keeps_its_own_scatter() -> None:
    """q jumps by 3 dB from run to run, eleven positions by 0.05 dB."""
    random = np.random.default_rng(3)
    names = tuple(f"p{k:02}" for k in range(12))
    jumps = 3.0 * np.array([1.0, -1.0, 1.0, -1.0, -1.0, 1.0])
    runs = [
        Given(f"a-open-{k}", (80.0 + jumps[k], *(80.0 + 0.05 * random.normal(size=11))), hours=float(k))
        for k in range(6)
    ]
    small = Small(runs, names, comparisons=SEAM)
    drift = drifts_of(small)["a", "open"]
    assert drift.error[0, 0] > 3.0 / np.sqrt(17.5), "3 dB or more over the squares of the times"
    assert drift.error[1:].max() < 0.2


@pytest.mark.parametrize("sessions", few_or_many(100, 300))
@pytest.mark.parametrize("pooled", [False, True])
@pytest.mark.parametrize("repeats", [3, 6])
def test_intervals_hold_the_true_slope(pooled: bool, repeats: int, sessions: int) -> None:
    """Sessions at eight positions, repeats of 0.3 dB that drift by 0.02 dB/h, at two operating points.

    A steeper drift is part of the pooled scatter, and the interval is then longer than it need be.
    """
    random = np.random.default_rng(17)
    names, held, compare = tuple(f"p{k}" for k in range(8)), [], Compare(repeats_pooled=pooled)
    for _ in range(sessions):
        drawn = 80.0 + np.hypot(0.3, RANDOM_DB) * random.normal(size=(2, repeats, 8))
        runs = [
            Given(f"a-open-{point}{k}", tuple(drawn[point, k] + 0.02 * k), 30.0 + point, hours=k + 0.1 * point)
            for point in range(2)
            for k in range(repeats)
        ]
        small = Small(runs, names, comparisons=SEAM, compare=compare)
        rows = bands(drift_rows(small.job(), drifts_of(small)))
        held += [row["lower_db"] <= 0.02 * row["span_hours"] <= row["upper_db"] for row in rows]
    assert len(held) == 8 * sessions
    assert 0.93 <= float(np.mean(held)) <= 0.97


def test_two_unpooled_repeats_are_judged_by_what_settings_assume() -> None:
    runs = [at("a-open-0", 0.0, 80.0), at("a-open-1", 2.0, 81.0)]
    small = Small(runs, comparisons=SEAM, compare=Compare(repeats_pooled=False, repeat_sd_db=0.5))
    row = bands(drift_rows(small.job(), drifts_of(small)))[0]
    assert row["degrees_of_freedom"] == 2.0
    assert row["standard_error_db"] == pytest.approx(2.0 * np.sqrt((RANDOM_DB**2 + 0.25) * 2.0 / 4.0))
