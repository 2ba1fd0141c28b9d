"""Rows on scatter within and between sessions, and the control chart, for levels that are given."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from repeated_sessions import GivenRepeats

from tapeline.campaign.settings import Repeatability
from tapeline.jobs.repeat.control_rows import control_rows
from tapeline.jobs.repeat.repeatability_rows import repeatability_rows

TWO = {
    "june-open-1": (90.0, 70.0),
    "june-open-2": (90.4, 70.2),
    "april-open-1": (91.0, 70.0),
    "april-open-2": (91.2, 70.2),
}
"""June was measured before April here: names do not order sessions."""


def rows(given: GivenRepeats, position: str = "p", quantity: str = "band") -> dict[str, dict[str, Any]]:
    """The rows of one position and quantity by condition."""
    found = [row for part in repeatability_rows(given.job()) for row in part]
    return {row["condition"]: row for row in found if (row["position"], row["quantity"]) == (position, quantity)}


def test_two_sessions_of_two_by_hand() -> None:
    """s_r^2 = (0.08 + 0.02)/2 of two degrees of freedom; s_L^2 = (0.81 - 0.05)/2."""
    row = rows(GivenRepeats(TWO))["open"]
    assert row["within_session_sd_db"] == pytest.approx(np.sqrt(0.05))
    assert row["between_session_sd_db"] == pytest.approx(np.sqrt(0.38))
    assert row["reproducibility_sd_db"] == pytest.approx(np.sqrt(0.43))
    assert row["repeatability_limit_db"] == pytest.approx(2.8 * np.sqrt(0.05))
    assert (row["within_degrees_of_freedom"], row["between_degrees_of_freedom"]) == (2, 1)
    assert row["reproducibility_lower_db"] < row["reproducibility_sd_db"] < row["reproducibility_upper_db"]
    assert row["between_refused"] is None
    assert row["random_error_db"] == pytest.approx(0.1)
    assert row["sessions"] == ["june", "april"], "in order of time"
    assert row["session_mean_db"] == pytest.approx([90.2, 91.1])


def test_the_shift_is_from_the_first_session_in_time_to_the_last() -> None:
    row = rows(GivenRepeats(TWO))["open"]
    assert (row["shift_of"], row["shift_mount"]) == ("june > april", "remounted")
    assert row["shift_db"] == pytest.approx(0.9)
    assert 0.1 < row["shift_standard_error_db"] < 0.3
    assert 0.05 < row["shift_p_value"] < 0.12, "two sessions of two runs: two degrees of freedom"
    still = rows(GivenRepeats(TWO), position="q")["open"]
    assert still["shift_db"] == pytest.approx(0.0, abs=1e-9)
    assert still["shift_p_value"] > 0.9
    assert still["between_session_sd_db"] == 0.0, "cut at zero"


def test_a_shift_is_not_sure_where_its_own_repeats_say_otherwise() -> None:
    """Runs of `open` scatter 0.5 dB at both positions, those of eight other conditions 0.01 dB."""
    rng = np.random.default_rng(4)
    levels = {f"{s}-c{k}-{i}": tuple(80.0 + 0.01 * rng.normal(size=2)) for s in "ab" for k in range(8) for i in "12"}
    levels |= {"a-open-1": (90.0, 70.0), "a-open-2": (90.7, 70.7), "b-open-1": (90.6, 70.6), "b-open-2": (91.3, 71.3)}
    found = rows(GivenRepeats(levels, random_db=0.005))["open"]  # type: ignore[arg-type]
    assert found["shift_standard_error_db"] == pytest.approx(0.7 / np.sqrt(2.0), rel=0.01)
    assert found["shift_degrees_of_freedom"] == pytest.approx(2.0, rel=0.01)
    assert found["shift_p_value"] > 0.3


@pytest.mark.parametrize(
    ("mounts", "word"),
    [
        ({"june": "a", "april": "a"}, "same-mount"),
        ({"june": "a", "april": "b"}, "remounted"),
        ({"june": None, "april": None}, "not stated"),
        ({"june": "a", "april": None}, "not stated"),
    ],
)
def test_a_position_stayed_only_where_both_sessions_name_the_same_mount(mounts: dict[str, Any], word: str) -> None:
    assert rows(GivenRepeats(TWO, mounts=mounts))["open"]["shift_mount"] == word


def test_one_session_says_nothing_between_sessions() -> None:
    row = rows(GivenRepeats({name: TWO[name] for name in ("june-open-1", "june-open-2")}))["open"]
    assert row["between_session_sd_db"] is None
    assert row["between_refused"] == "one session"
    assert row["reproducibility_sd_db"] is None
    assert "shift_db" not in row
    assert row["within_session_sd_db"] == pytest.approx(np.sqrt(0.08))


def test_single_runs_say_nothing_of_repeats() -> None:
    row = rows(GivenRepeats({name: TWO[name] for name in ("june-open-1", "april-open-1")}))["open"]
    assert row["within_session_sd_db"] is None
    assert row["repeatability_limit_db"] is None
    assert row["between_refused"] == "no repeats"
    assert row["between_session_sd_db"] is None
    assert row["reproducibility_sd_db"] == pytest.approx(1.0 / np.sqrt(2.0)), "single runs in two sessions are known"
    assert row["shift_db"] == pytest.approx(1.0)
    assert row["shift_standard_error_db"] is None
    assert row["shift_p_value"] is None, "nothing tells how repeats scatter"
    alone = rows(GivenRepeats({"june-open-1": TWO["june-open-1"]}))["open"]
    assert (alone["run_count"], alone["between_refused"]) == (1, "one session")
    assert alone["within_session_sd_db"] is None


def test_a_session_with_a_bound_does_not_count() -> None:
    row = rows(GivenRepeats(TWO | {"june-open-1": (None, 70.0)}))["open"]
    assert (row["run_count"], row["session_count"], row["bounds"]) == (2, 1, 1)
    assert row["sessions"] == ["april"]
    assert row["between_refused"] == "other session has bounds"
    assert row["left_out"] == ["session june: 1 bound"]
    nothing = GivenRepeats(dict.fromkeys(TWO, (None, 70.0)))
    assert rows(nothing) == {}, "no row without a level"


def test_a_session_off_which_less_could_be_taken_does_not_count_and_is_named() -> None:
    """April's background was measured without flow: what it subtracts is less than what June's does."""
    less = {name: "electrical" for name in TWO if name.startswith("april")}
    row = rows(GivenRepeats(TWO, background_source=less))["open"]
    assert row["sessions"] == ["june"]
    assert row["between_refused"] == "other session had less background taken off"
    assert row["left_out"] == ["session april: less background taken off"]
    assert (row["bounds"], row["between_session_sd_db"], row.get("shift_db")) == (0, None, None)
    clear = rows(GivenRepeats(TWO, background_source=less, clear=True))["open"]
    assert (clear["session_count"], clear["left_out"]) == (2, []), "nothing had to be subtracted anywhere"
    assert rows(GivenRepeats(TWO))["open"]["left_out"] == []


def test_a_run_off_which_less_could_be_taken_does_not_count_beside_its_session() -> None:
    row = rows(GivenRepeats(TWO, background_source={"june-open-2": "nothing"}))["open"]
    assert row["session_runs"] == [1, 2]
    assert row["left_out"] == ["run june-open-2: less background taken off"]
    assert row["between_refused"] is None


def test_a_session_of_bounds_leaves_no_other_out() -> None:
    """More was subtracted from June's runs, but they are bounds: April is all that there is."""
    bounds = {name: (None, 70.0) if name.startswith("june") else pair for name, pair in TWO.items()}
    less = {name: "electrical" for name in TWO if name.startswith("april")}
    row = rows(GivenRepeats(bounds, background_source=less))["open"]
    assert row["sessions"] == ["april"]
    assert row["left_out"] == ["session june: 2 bounds"]
    assert row["within_session_sd_db"] == pytest.approx(np.sqrt(0.02))


def test_what_is_unusable_does_not_count() -> None:
    row = rows(GivenRepeats(TWO, unusable=frozenset({("june-open-2", "p")})))["open"]
    assert row["session_runs"] == [1, 2]
    assert np.isnan(row["session_sd_db"][0])


def test_overall_levels_over_other_bands_are_not_put_together() -> None:
    given = GivenRepeats(TWO, edges_hz={"june-open-1": 3500.0})
    assert rows(given, quantity="overall") == {}
    assert rows(given)["open"]["run_count"] == 4


def test_known_differences_of_speed_and_air_are_taken_out() -> None:
    corrections = {name: 90.0 - levels[0] for name, levels in TWO.items()}
    row = rows(GivenRepeats(TWO, corrections=corrections))["open"]
    assert row["level_basis"] == "nominal"
    assert row["reproducibility_sd_db"] == pytest.approx(0.0, abs=1e-9)
    raw = GivenRepeats(TWO, corrections=corrections, settings=Repeatability(at_nominal=False))
    assert rows(raw)["open"]["level_basis"] == "as measured"
    del corrections["june-open-1"]
    partly = rows(GivenRepeats(TWO, corrections=corrections))["open"]
    assert partly["level_basis"] == "as measured", "never some of them only"
    assert partly["shift_db"] == pytest.approx(0.9)


def test_odd_sessions_are_flagged_and_kept() -> None:
    random = np.random.default_rng(9)
    levels = {f"s{s}-open-{i}": (90.0 + 0.05 * float(random.normal()), 70.0) for s in range(5) for i in range(4)}
    levels |= {f"s3-open-{i}": (90.0 + 3.0 * (-1.0) ** i, 70.0) for i in range(4)}
    levels |= {f"s4-open-{i}": (96.0 + 0.05 * i, 70.0) for i in range(4)}
    row = rows(GivenRepeats(levels))["open"]
    assert row["cochran"] == "s3: outlier"
    assert row["grubbs"] == "s4: outlier"
    assert row["run_count"] == 20
    assert int(np.nanargmax(row["mandel_k"])) == 3


def chart(given: GivenRepeats, position: str = "p") -> list[dict[str, Any]]:
    return [row for row in control_rows(given.job()) if row["position"] == position]


def test_control_values_of_two_sessions_have_limits_but_no_verdict() -> None:
    june, april = chart(GivenRepeats(TWO, mounts={"june": "a", "april": "a"}))
    assert [row["session"] for row in (june, april)] == ["june", "april"]
    assert [row["mount"] for row in (june, april)] == ["first", "kept"]
    assert april["change_db"] == pytest.approx(0.9)
    assert june["change_db"] is None
    assert april["common_change_db"] is None, "two positions have no median that one could not move"
    assert april["centre_db"] == pytest.approx(90.65)
    assert april["upper_limit_db"] - april["centre_db"] == pytest.approx(3.0 / 1.128 * 0.9)
    assert (april["outside"], april["trend"], april["session_count"]) == (None, None, 2)


def test_control_values_of_many_sessions_are_judged() -> None:
    levels = {f"s{i}-open-1": (90.0 + 0.1 * (i % 2), 70.0 + 0.1 * i) for i in range(8)} | {"s8-open-1": (95.0, 70.8)}
    rows_p, rows_q = chart(GivenRepeats(levels)), chart(GivenRepeats(levels), "q")
    assert [row["outside"] for row in rows_p] == [False] * 8 + [True]
    assert [row["session_number"] for row in rows_p] == list(range(1, 10))
    assert all(row["trend"] for row in rows_q)
    assert not any(row["trend"] for row in rows_p)
    assert [row["mount"] for row in rows_p] == ["first"] + ["new"] * 8


def test_one_session_has_no_limits_and_other_conditions_no_chart() -> None:
    (row,) = chart(GivenRepeats({"june-open-1": (90.0, 70.0), "june-shut-1": (80.0, 60.0)}))
    assert (row["centre_db"], row["lower_limit_db"], row["outside"], row["mount"]) == (None, None, None, "first")
    assert row["level_db"] == 90.0
    assert chart(GivenRepeats({"june-shut-1": (80.0, 60.0)})) == []
    unknown = chart(GivenRepeats(TWO, mounts={"june": None, "april": "a"}))
    assert [row["mount"] for row in unknown] == ["not stated", "not stated"]
