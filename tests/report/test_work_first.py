"""The short list of what to work on first: what it says for each state of the ranking."""

from __future__ import annotations

from typing import Any

import pytest
from built_results import HOSTILE, built_campaign

from tapeline.report.work_first import WorkLine, opened_words, work_lines

CAMPAIGN = built_campaign()


def row(rank: int, position: str, band_hz: float = 1000.0, **changed: Any) -> dict[str, Any]:
    """An entry that is shown and contributes 60 dB, 4e-4 Pa^2."""
    return {
        "rank": rank,
        "rank_low": rank,
        "rank_high": rank,
        "position": position,
        "band_hz": band_hz,
        "area": None,
        "weighting": "Z",
        "contribution_pa2": 4e-4,
        "share": 0.2,
        "difference_db": 3.0,
        "finding": "shown",
        "next_step": "treat",
        "runs_needed": None,
        "doubt": [],
    } | changed


def lines_of(*rows: dict[str, Any]) -> list[WorkLine]:
    return work_lines(CAMPAIGN, rows)


def test_one_shown_band_by_hand() -> None:
    (line,) = lines_of(row(1, "P01", area="seam"))
    assert line.where == "P01 (seam), 1 kHz"
    assert line.reason == (
        "contributes 60.0 dB in 1 band, 20 % of the whole contribution; opened minus closed +3.0 dB; "
        "its first band ranks 1"
    )
    assert line.action == "treat this first, then measure again without touching the mounts"


def test_bands_of_one_position_are_put_together() -> None:
    """Two times 60 dB is 63 dB."""
    (line,) = lines_of(
        row(1, "P01", 1000.0, rank_high=2), row(2, "P01", 500.0, rank_low=1, difference_db=5.0, weighting="Z")
    )
    assert line.where == "P01, 500 Hz, 1 kHz"
    assert line.reason == (
        "contributes 63.0 dB in 2 bands, 40 % of the whole contribution; opened minus closed +4.0 dB (median); "
        "its first band ranks 1 to 2"
    )
    assert line.action.startswith("treat this first"), "ranks of its own bands that overlap are no rival"


def test_many_bands_are_a_range() -> None:
    (line,) = lines_of(*(row(k + 1, "P01", 100.0 * (k + 1)) for k in range(6)))
    assert line.where == "P01, 100 Hz to 600 Hz"
    assert "in 6 bands" in line.reason


def test_positions_stand_by_what_they_contribute_together() -> None:
    rows = [
        row(1, "P03", contribution_pa2=5e-4),
        *(row(k, "P02", 100.0 * k) for k in (2, 3)),
        row(4, "P01", share=None),
    ]
    found = lines_of(*rows)
    assert [line.where.split(",")[0] for line in found] == ["P02", "P03", "P01"]
    assert [line.action.split(",")[0] for line in found] == ["treat this first", "treat this next", "treat this next"]


def test_equal_contributions_stand_by_name() -> None:
    assert [line.where for line in lines_of(row(1, "P02"), row(2, "P01"))] == ["P01, 1 kHz", "P02, 1 kHz"]


def test_tied_positions_name_each_other() -> None:
    tied = {"finding": "tied", "next_step": "treat together", "rank_low": 1, "rank_high": 2}
    first, second, third = lines_of(row(1, "P01", **tied), row(2, "P02", **tied), row(3, "P03"))
    assert first.action == "treat it together with P02, whose ranks overlap, or repeat runs to tell them apart"
    assert "together with P01" in second.action
    assert third.action.startswith("treat this next")


def test_many_rivals_are_counted() -> None:
    tied = {"finding": "tied", "next_step": "treat together", "rank_low": 1, "rank_high": 9}
    found = lines_of(*(row(k, f"P{k:02}", **tied) for k in range(1, 9)))
    assert len(found) == 5, "a short list"
    assert "P02, P03, P04 and 4 more" in found[0].action


def test_a_doubt_comes_before_treating() -> None:
    (line,) = lines_of(row(1, "P01"), row(2, "P01", 500.0, next_step="mend"))
    assert line.action.startswith(
        "a channel, check or background is in doubt here: mend that (see what needs attention)"
    )


def test_nothing_shown_names_what_comes_nearest() -> None:
    unsure = {"finding": "not shown", "next_step": "repeat", "runs_needed": 7}
    found = lines_of(*(row(k, f"P{k:02}", **unsure) for k in range(1, 9)))
    assert [line.where.split(",")[0] for line in found] == ["P01", "P02", "P03"]
    assert {line.action for line in found} == {"not shown yet: about 7 runs a side would show it"}


def test_the_most_runs_that_any_band_needs() -> None:
    unsure = {"finding": "not shown", "next_step": "repeat"}
    (line,) = lines_of(row(1, "P01", **unsure, runs_needed=4), row(2, "P01", 500.0, **unsure, runs_needed=9))
    assert "about 9 runs" in line.action
    (line,) = lines_of(row(1, "P01", **unsure, runs_needed=None))
    assert line.action == "not shown, and too small for more runs to show it"


def test_what_the_background_hides() -> None:
    hidden = {
        "finding": "not shown",
        "next_step": "quieter",
        "difference_db": None,
        "contribution_pa2": 0.0,
        "share": None,
    }
    (line,) = lines_of(row(1, "P01", **hidden))
    assert line.action == "hidden by the background: measure with less background, or at a higher speed"
    assert line.reason == "contributes nothing above zero; its first band ranks 1"


def test_what_is_not_shown_stays_out_of_a_list_with_something_shown() -> None:
    found = lines_of(row(1, "P01", finding="not shown", next_step="repeat"), row(2, "P02"))
    assert [line.where for line in found] == ["P02, 1 kHz"]


def test_no_ranking_no_list() -> None:
    assert lines_of() == []


def test_weighting_is_named() -> None:
    (line,) = lines_of(row(1, "P01", weighting="A"))
    assert line.reason.startswith("contributes 60.0 dB A-weighted in 1 band")


@pytest.mark.parametrize("field", ["position", "area"])
def test_hostile_names_are_passed_on_for_the_template_to_escape(field: str) -> None:
    (line,) = lines_of(row(1, "P01") | {field: HOSTILE})
    assert HOSTILE in line.where


def test_closed_louder_says_so() -> None:
    spot = {
        "finding": "not shown",
        "next_step": "repeat",
        "contribution_pa2": 0.0,
        "difference_db": -2.9,
        "runs_needed": None,
    }
    (line,) = lines_of(row(1, "P01", **spot))
    assert line.reason.startswith("contributes nothing above zero; opened minus closed -2.9 dB")
    assert "tape that whistles" in line.action


def test_what_is_too_small_to_matter_is_left() -> None:
    (line,) = lines_of(row(1, "P01", finding="equivalent", next_step="leave"))
    assert line.action == "too small to matter: leave it"


def test_the_opened_condition_is_named() -> None:
    """Of the two the one with less applied, or, where the lists do not tell, the treatment."""
    assert opened_words(CAMPAIGN, "whole-seam") == "Opened: Seam open; closed: Seam taped at $5 & $6 a roll."
    conditions = {"a": {"title": "One", "applied": ["x"]}, "b": {"title": "Other", "applied": ["y"]}}
    other = built_campaign(conditions=conditions, comparisons={"c": {"reference": "a", "treatment": "b"}})
    assert opened_words(other, "c").startswith("Opened: Other; closed: One. Neither list")
