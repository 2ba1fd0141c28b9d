"""Differences of several sessions put together."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from small_cubes import Given, Small, bands, overall, written

from tapeline.jobs.compare.session_mean_rows import session_mean_rows

SEAM = {"seam": ("open", "taped")}


def session(
    name: str, change: float, conditions: Sequence[str] = ("open", "taped"), speed_mps: float = 30.0
) -> list[Given]:
    """Two repeats of each condition at p and q; the second condition is louder by `change`."""
    return [
        Given(f"{name}-{condition}-{speed_mps:g}{k}", (80.0 + step + 0.1 * k, 70.0 + step - 0.1 * k), speed_mps)
        for condition in conditions
        for step in (change if condition == "taped" else 0.0,)
        for k in range(2)
    ]


def rows_of(*runs: Sequence[Given], **changed: object) -> list[dict[str, object]]:
    small = Small([run for part in runs for run in part], comparisons=SEAM, **changed)  # type: ignore[arg-type]
    job = small.job()
    return session_mean_rows(job, "seam", small.compared(job, "seam"))


def test_one_session_has_no_mean() -> None:
    assert rows_of(session("a", -3.0)) == []


def test_two_sessions_are_weighted(tmp_path: Path) -> None:
    found = written(tmp_path, "session_means", rows_of(session("a", -3.0), session("b", -4.0)))
    assert len(found) == 4, "two positions, a band and an overall level"
    for row in found:
        assert sum(row["weights"]) == pytest.approx(1.0)
        assert row["sessions"] == ["a", "b"]
        assert row["differences_db"] == pytest.approx([-3.0, -4.0], abs=1e-6)
        expected = float(np.dot(row["weights"], row["differences_db"]))
        assert row["difference_db"] == pytest.approx(expected, abs=1e-6)
        assert row["lower_db"] < row["difference_db"] < row["upper_db"]
        assert row["family_size"] == 2
    assert len(bands(found)) == len(overall(found)) == 2


def test_sessions_that_do_not_agree_say_so() -> None:
    same = rows_of(session("a", -3.0), session("b", -3.01), session("c", -2.99))
    apart = rows_of(session("a", -3.0), session("b", -6.0), session("c", 1.0))
    assert all(row["agreement_p_value"] > 0.5 and row["between_sessions_sd_db"] == 0.0 for row in same)
    assert all(row["agreement_p_value"] < 0.01 and row["between_sessions_sd_db"] > 2.0 for row in apart)
    assert all(row["finding"] == "not shown" for row in apart)


def test_differences_between_sessions_are_not_mixed_in() -> None:
    """c has the reference alone and d the treatment alone: two sessions are left."""
    runs = [session("a", -3.0), session("b", -4.0), session("c", 0.0, ("open",)), session("d", 9.0, ("taped",))]
    assert {tuple(row["sessions"]) for row in rows_of(*runs)} == {("a", "b")}
    assert rows_of(session("c", 0.0, ("open",)), session("d", 9.0, ("taped",)), session("e", 8.0, ("taped",))) == []


def test_a_position_that_one_session_lacks_is_left_out() -> None:
    unusable = frozenset({("b-taped-300", "q"), ("b-taped-301", "q")})
    found = rows_of(session("a", -3.0), session("b", -4.0), unusable=unusable)
    assert {row["position"] for row in found} == {"p"}
    three = rows_of(session("a", -3.0), session("b", -4.0), session("c", -3.5), unusable=unusable)
    assert {(row["position"], tuple(row["sessions"])) for row in three} == {("p", ("a", "b", "c")), ("q", ("a", "c"))}


def test_each_operating_point_by_itself(tmp_path: Path) -> None:
    runs = [
        session(name, change, speed_mps=speed) for speed in (30.0, 40.0) for name, change in (("a", -3.0), ("b", -4.0))
    ]
    found = written(tmp_path, "session_means", rows_of(*runs, session("c", -3.5)))
    assert [tuple(row["sessions"]) for row in bands(found) if row["position"] == "p"] == [("a", "b", "c"), ("a", "b")]
    assert {row["family_size"] for row in found} == {4}, "both operating points in one family"
