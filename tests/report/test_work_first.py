"""The short list of what to work on first: what it says for each state of the ranking."""

from __future__ import annotations

from typing import Any

import pytest
from built_results import HOSTILE, built_campaign

from tapeline.report.work_first import WorkLine, list_words, opened_words, work_lines

CAMPAIGN = built_campaign()
TAPED = "Seam taped at $5 & $6 a roll"
CHANGED = {"ranked_by": "change"}
UNRANKED = {"rank": None, "rank_lower": None, "rank_upper": None, "share": None, "direction": None}


def row(place: int, position: str, band_hz: float = 1000.0, **changed: Any) -> dict[str, Any]:
    """An entry that is shown, contributes 60 dB (4e-4 Pa^2), and is told apart from all others."""
    return {
        "comparison": "whole-seam",
        "place": place,
        "rank": place,
        "rank_lower": place,
        "rank_upper": place,
        "tied_group": None,
        "tied_spots": None,
        "position": position,
        "band_hz": band_hz,
        "area": None,
        "weighting": "Z",
        "ranked_by": "contribution",
        "points": "all",
        "contribution_pa2": 4e-4,
        "share": 0.2,
        "difference_db": 3.0,
        "direction": "louder in open",
        "finding": "shown",
        "next_step": "treat",
        "runs_needed": None,
        "doubt": [],
    } | changed


def tied(place: int, position: str, group: int = 1, spots: int = 2, **changed: Any) -> dict[str, Any]:
    own = {"tied_group": group, "tied_spots": spots, "rank": 1, "rank_lower": 1, "rank_upper": 2}
    return row(place, position, **({"finding": "tied", "next_step": "treat together"} | own | changed))


def unranked(place: int, position: str, step: str | None, **changed: Any) -> dict[str, Any]:
    return row(place, position, **({"finding": "not shown", "next_step": step} | UNRANKED | changed))


def lines_of(*rows: dict[str, Any]) -> list[WorkLine]:
    return work_lines(CAMPAIGN, rows)


def test_one_shown_band_by_hand() -> None:
    (line,) = lines_of(row(1, "P01", area="seam"))
    assert line.where == "P01 (seam), 1 kHz"
    assert line.reason == (
        "60.0 dB in 1 band (3.0 dB louder); 20 % of the pressure power that is shown as contributed at the measured "
        "positions; rank 1"
    )
    assert line.action == "treat this first, then measure again without touching the mounts"
    assert (line.positions, line.ranked) == (("P01",), True)


def test_neighbours_at_one_position_are_put_together() -> None:
    """Two times 60 dB is 63 dB."""
    (line,) = lines_of(row(1, "P01", 1000.0), row(2, "P01", 500.0, difference_db=5.0))
    assert line.where == "P01, 500 Hz, 1 kHz"
    assert line.reason.startswith("63.0 dB in 2 bands (4.0 dB louder, median); 40 % of the pressure power")
    assert line.reason.endswith("; ranks 1 to 2")
    assert line.action.startswith("treat this first")


def test_what_another_position_parts_stands_apart() -> None:
    found = lines_of(row(1, "P01", 1000.0), row(2, "P02"), row(3, "P01", 500.0))
    assert [line.where for line in found] == ["P01, 1 kHz", "P02, 1 kHz", "P01, 500 Hz"]
    assert [line.action.split(",")[0] for line in found] == ["treat this first", "treat this next", "treat this next"]


def test_many_bands_are_a_range() -> None:
    (line,) = lines_of(*(row(k + 1, "P01", 100.0 * (k + 1)) for k in range(6)))
    assert line.where == "P01, 100 Hz to 600 Hz"
    assert "in 6 bands" in line.reason


def test_a_tie_is_one_line_with_its_members() -> None:
    more = {"contribution_pa2": 8e-4}
    first, second = lines_of(
        tied(1, "P01", spots=3), tied(2, "P02", spots=3, **more), tied(3, "P03", spots=3), row(4, "P04")
    )
    assert first.where == "P02, P01 and P03, 1 kHz"
    assert first.reason.startswith("P02 63.0 dB in 1 band (3.0 dB louder), P01 60.0 dB in 1 band (3.0 dB louder), P03")
    assert first.action == "tied: treat together, or repeat runs to tell them apart"
    assert first.positions == ("P02", "P01", "P03")
    assert second.action.startswith("treat this next")


def test_tied_bands_of_one_position_are_that_position() -> None:
    (line,) = lines_of(tied(1, "P01"), tied(2, "P01", band_hz=500.0))
    assert line.action.startswith("treat this first")


def test_groups_of_the_same_positions_are_one_line() -> None:
    second = {"group": 2, "band_hz": 500.0, "rank": 3, "rank_lower": 3, "rank_upper": 4}
    (line,) = lines_of(tied(1, "P01"), tied(2, "P02"), tied(3, "P02", **second), tied(4, "P01", **second))
    assert line.where == "P01 and P02, 500 Hz, 1 kHz"
    assert "ranks 1 to 4" in line.reason


def test_a_group_of_many_is_counted_and_says_what_the_list_does_not_hold() -> None:
    (line,) = lines_of(*(tied(k, f"P{k:02}", spots=30) for k in range(1, 9)))
    assert "P01, P02, P03, P04 and 4 more" in line.where
    assert "22 more tied spots beyond this list" in line.reason


def test_a_short_list() -> None:
    assert len(lines_of(*(row(k, f"P{k:02}") for k in range(1, 9)))) == 5


def test_a_change_is_not_said_to_be_treated() -> None:
    quieter = {"difference_db": -3.0, "next_step": "keep", "direction": "louder in sealed"} | CHANGED
    louder, found = lines_of(row(1, "P01", next_step="find the cause", **CHANGED), row(2, "P02", **quieter))
    assert "that is shown to change at the measured positions" in louder.reason
    assert louder.action == TAPED + " is louder here; find the cause"
    assert "(3.0 dB quieter)" in found.reason
    assert found.action == TAPED + " is quieter here; keep what it changes"
    (both,) = lines_of(tied(1, "P01", next_step="find the cause", **CHANGED), tied(2, "P02", **quieter))
    assert both.action == "tied; louder at some and quieter at others; look at each in the table"


def test_what_has_no_rank_says_what_to_do_and_gives_none() -> None:
    found = lines_of(
        unranked(1, "P01", "repeat", runs_needed=4),
        unranked(2, "P02", "repeat", runs_needed=9),
        unranked(3, "P03", "quieter", difference_db=None, contribution_pa2=0.0),
        unranked(4, "P04", None),
        unranked(5, "P05", "leave", finding="equivalent"),
    )
    assert [line.where for line in found] == ["P01 and P02, 1 kHz", "P03, 1 kHz"]
    assert found[0].action == "not shown yet: about 9 runs a side would show a difference as large as found"
    assert found[1].action == "hidden by the background: measure with less background, or at a higher speed"
    assert {(line.ranked, line.reason) for line in found} == {(False, "no rank")}


def test_where_something_has_a_rank_hints_are_left_to_the_table() -> None:
    found = lines_of(
        row(1, "P02"),
        unranked(2, "P03", "check the closed state", finding="reversed", difference_db=-2.9),
        unranked(3, "P01", "repeat", runs_needed=3),
        unranked(4, "P04", "mend", finding="in doubt", doubt=["hum: t1"]),
    )
    assert [line.positions for line in found] == [("P02",), ("P03",), ("P04",)]
    assert "tape that whistles" in found[1].action
    assert found[2].action.startswith("a channel, check or background is in doubt here: mend that")
    assert found[2].reason == "no rank; doubtful: mains lines stand out: t1"


def test_a_list_without_ranks_says_that_nothing_is_shown() -> None:
    rows = [unranked(1, "P01", None)]
    words = list_words(CAMPAIGN, "whole-seam", rows)
    assert "No band at any position is shown to be louder opened than closed by 0.5 dB or more" in words
    assert "No band" not in list_words(CAMPAIGN, "whole-seam", [row(1, "P01")])


def test_chosen_operating_points_are_said() -> None:
    other = built_campaign(ranking={"operating_points": [[130, 0], [100, -5]]})
    words = list_words(other, "whole-seam", [row(1, "P01", points="36.11 m/s at 0 deg")])
    assert words.endswith("Over the operating points chosen in the settings: 130 km/h, yaw 0°; 100 km/h, yaw -5°.")


def test_no_ranking_no_list() -> None:
    assert lines_of() == []


def test_weighting_is_named() -> None:
    (line,) = lines_of(row(1, "P01", weighting="A"))
    assert line.reason.startswith("60.0 dB A-weighted in 1 band")
    assert "20 % of the A-weighted pressure power" in line.reason


def test_the_range_that_is_ranked_is_said() -> None:
    for ranking, words in (
        ({}, "Bands from 25 Hz to 8 kHz."),
        ({"range_hz": [200, 2000], "weighting": "A"}, "Bands from 200 Hz to 2 kHz, A-weighted."),
    ):
        assert words in list_words(built_campaign(ranking=ranking), "whole-seam", [row(1, "P01")])


@pytest.mark.parametrize("field", ["position", "area"])
def test_hostile_names_are_passed_on_for_the_template_to_escape(field: str) -> None:
    (line,) = lines_of(row(1, "P01") | {field: HOSTILE})
    assert HOSTILE in line.where


def test_what_the_list_ranks_is_said() -> None:
    """The opened one is that with less applied; where the lists do not tell, both ways count."""
    assert opened_words(CAMPAIGN, "whole-seam").startswith("Opened: Seam open; closed: Seam taped at $5 & $6 a roll.")
    conditions = {"a": {"title": "One", "applied": ["x"]}, "b": {"title": "Other", "applied": ["y"]}}
    other = built_campaign(conditions=conditions, comparisons={"c": {"reference": "a", "treatment": "b"}})
    assert opened_words(other, "c").startswith("Other against One: nothing says which of them is opened")
    assert opened_words(other, "c").endswith("louder and quieter alike.")
