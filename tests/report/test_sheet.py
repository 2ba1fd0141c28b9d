"""The sheet: which point it speaks of, and its sentences."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from built_report import Report

from tapeline.report.blocks import figures
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.headline import headline_of
from tapeline.report.page_table import plain
from tapeline.report.sections.gain_figures import gain_label, gain_words
from tapeline.report.sections.sheet import sheet_sections, sheet_sentences
from tapeline.report.sections.work_first import first_spots

GAIN: dict[str, Any] = {
    "condition": "sealed", "applied": ["tape"], "untreated": "open", "best": None, "session": "april",
    "other_session": "april", "position": "P01", "speed_mps": 38.9, "yaw_deg": 0.0, "quantity": "overall",
    "weighting": "A", "lowest_band_hz": 25.0, "highest_band_hz": 8000.0, "gain_db": 6.6, "gain_lower_db": 5.2,
    "gain_upper_db": 8.0, "gain_finding": "lower", "gain_doubtful": False, "gain_comparison": "whole-seam",
    "remainder_db": None, "remainder_lower_db": None, "remainder_upper_db": None, "remainder_finding": None,
    "remainder_doubtful": None, "share": None, "share_lower": None, "runs": ["a1"], "untreated_runs": ["a2"],
}  # fmt: skip
FRONT = GAIN | {"condition": "front", "applied": ["front-tape"], "best": "sealed", "gain_db": 6.0, "remainder_db": 0.6,
                "remainder_lower_db": 0.3, "remainder_upper_db": 0.9, "remainder_finding": "higher",
                "remainder_doubtful": False}  # fmt: skip


class Tables(FinishedTables):
    """Finished tables with other rows of `treatments`."""

    treatments: tuple[dict[str, Any], ...] = ()  # type: ignore[assignment]


def with_gains(report: Report, *rows: dict[str, Any]) -> FinishedTables:
    overall = report.campaign.settings.overall
    level = next((each for each in overall if each.weighting == "A"), overall[0])
    asked = {"weighting": level.weighting, "lowest_band_hz": level.range_hz[0], "highest_band_hz": level.range_hz[1]}
    tables = Tables(**{name: getattr(report.tables, name) for name in report.tables.__dataclass_fields__})
    object.__setattr__(tables, "treatments", tuple({**row, **asked} for row in rows))
    return tables


@pytest.mark.parametrize(
    ("changed", "words", "label"),
    [
        ({}, "6.6 dB(A) quieter (5.2 to 8.0)", "6.6"),
        ({"gain_db": -2.0, "gain_lower_db": -3.0, "gain_upper_db": -1.0, "gain_finding": "higher"},
         "2.0 dB(A) louder (1.0 to 3.0)", "-2.0"),
        ({"gain_db": 0.1, "gain_lower_db": -1.0, "gain_upper_db": 1.2, "gain_finding": "not shown"},
         "0.1 dB(A) quieter, not shown beyond chance (-1.0 to 1.2)", "0.1"),
        ({"gain_db": 0.1, "gain_lower_db": -0.2, "gain_upper_db": 0.4, "gain_finding": "equivalent"},
         "0.1 dB(A) quieter, equivalent (-0.2 to 0.4)", "0.1"),
        ({"gain_db": None, "gain_lower_db": 8.6, "gain_upper_db": None, "gain_finding": "bound"},
         "at least 8.6 dB(A) quieter", "≥8.6"),
        ({"gain_db": None, "gain_lower_db": None, "gain_upper_db": 1.5, "gain_finding": "bound"},
         "quieter by at most 1.5 dB(A)", "≤1.5"),
        ({"gain_db": None, "gain_lower_db": None, "gain_upper_db": None, "gain_finding": "bound"},
         "no difference can be given", "–"),
        ({"gain_doubtful": True}, "6.6 dB(A) quieter (5.2 to 8.0)", "6.6?"),
    ],
)  # fmt: skip
def test_a_gain_is_said_in_words_that_carry_its_sign(changed: dict[str, Any], words: str, label: str) -> None:
    assert gain_words(GAIN | changed, "dB(A)") == words
    assert gain_label(GAIN | changed) == label


def test_the_headline_is_where_most_conditions_meet_and_never_where_the_gain_is_largest(report: Report) -> None:
    fast = GAIN | {"speed_mps": 60.0, "gain_db": 20.0}
    tables = with_gains(report, GAIN, FRONT, fast)
    found = headline_of(tables, report.campaign)
    assert found is not None
    assert found.speed_mps == 38.9
    assert found.conditions == ["front", "sealed"]
    assert {row["speed_mps"] for row in found.every} == {38.9, 60.0}
    slow = [GAIN, GAIN | {"position": "P02"}]
    assert headline_of(with_gains(report, *slow, fast), report.campaign).speed_mps == 38.9  # type: ignore[union-attr]
    assert headline_of(with_gains(report, GAIN, fast), report.campaign).speed_mps == 60.0  # type: ignore[union-attr]


def test_pairs_of_two_sessions_and_what_is_not_given_are_no_headline(report: Report) -> None:
    other = GAIN | {"other_session": "may"}
    nothing = GAIN | {"gain_finding": "not given"}
    tables = with_gains(report, other, nothing, GAIN | {"speed_mps": 20.0})
    assert headline_of(tables, report.campaign).speed_mps == 20.0  # type: ignore[union-attr]


def test_a_treatment_says_what_it_gains_where_it_does_not_and_what_it_leaves(report: Report) -> None:
    same = {"gain_db": 0.1, "gain_lower_db": -0.4, "gain_upper_db": 0.6, "gain_finding": "not shown"}
    rows = [
        GAIN,
        FRONT,
        GAIN | same | {"position": "P09"},
        FRONT
        | same
        | {
            "position": "P09",
            "remainder_db": None,
            "remainder_lower_db": 7.3,
            "remainder_upper_db": None,
            "remainder_finding": "bound",
        },
    ]
    said = sheet_sentences(with_gains(report, *rows), report.campaign)
    front, sealed = said[1], said[2]
    assert "at P01 6.0 dB(A) quieter (5.2 to 8.0)" in front
    assert "It is quieter at 1 of 2 positions, not shown beyond chance at P09." in front
    assert "it leaves 0.6 dB(A) (0.3 to 0.9) at P01." in front
    assert "It is not enough by itself (0.5 dB or more) at P09 (at least 7.3 dB(A) left)." in front
    assert "at P01 6.6 dB(A) quieter (5.2 to 8.0)" in sealed
    assert "leaves" not in sealed


def test_doubt_is_said_beside_the_number(report: Report) -> None:
    rows = [GAIN | {"gain_doubtful": True, "gain_doubt": ["hum: a1"]}]
    assert "6.6 dB(A) quieter (5.2 to 8.0), doubtful" in sheet_sentences(with_gains(report, *rows), report.campaign)[1]


def test_without_an_untreated_condition_the_comparisons_are_spoken_of(report: Report) -> None:
    said = sheet_sentences(with_gains(report), report.campaign)
    rows = [
        row for row in report.tables.comparisons if row["quantity"] == "overall" and row["difference_db"] is not None
    ]
    found = {float(value) for value in re.findall(r"(\d+\.\d) dB(?:\(A\))? (?:quieter|louder)", " ".join(said))}
    assert found
    assert found <= {round(abs(row["difference_db"]), 1) for row in rows}


def test_nothing_to_compare_is_said(report: Report) -> None:
    bare = replace(report.tables, comparisons=(), ranking=())
    (said,) = sheet_sentences(bare, report.campaign)
    assert said == "No two conditions have levels at one operating point of one session: see what can be compared."
    (section,) = sheet_sections(bare, report.campaign)
    assert list(figures(section.blocks)) == []


def test_map_and_matrix_show_the_numbers_of_the_sentences(report: Report) -> None:
    tables = with_gains(report, GAIN, FRONT)
    (section,) = sheet_sections(tables, report.campaign)
    on_body, matrix = figures(section.blocks)
    assert "P01 6.0" in on_body.drawing
    front, sealed = (each.words for each in matrix.readings)
    assert front.startswith("P01, 140 km/h, yaw 0°, ")
    assert front.endswith(": 6.0 dB(A) quieter (5.2 to 8.0)")
    assert sealed.endswith(": 6.6 dB(A) quieter (5.2 to 8.0)")
    assert list(matrix.data.columns["gain_db"]) == [6.0, 6.6]


def test_spots_that_belong_together_are_one_line_with_their_share(report: Report) -> None:
    def spot(place: int, position: str, area: str | None, band: float, share: float) -> dict[str, Any]:
        return {"comparison": "whole-seam", "place": place, "rank": place, "position": position, "area": area,
                "band_hz": band, "share": share, "ranked_by": "contribution"}  # fmt: skip

    rows = (
        spot(1, "P01", "seam", 1000.0, 0.30),
        spot(2, "P02", "seam", 1250.0, 0.30),
        spot(3, "P01", "seam", 4000.0, 0.05),
        spot(4, "P03", None, 500.0, 0.10),
    )
    placed = (
        {"position": "P01", "mirror": "P02"},
        {"position": "P02", "mirror": "P01"},
        {"position": "P03", "mirror": None},
    )
    tables = replace(report.tables, ranking=rows, positions=placed)
    found = first_spots(tables, "whole-seam")
    assert [plain(group.words) for group in found.groups] == [
        "The seam, both sides: 65 %, most of it 1 kHz to 1.25 kHz",
        "P03: 10 %, most of it 500 Hz",
    ]
    assert found.positions == ("P01", "P02", "P03")


def test_caveats_are_at_most_three_and_lead_to_the_rest(report: Report, tmp_path: Path) -> None:
    (section,) = sheet_sections(report.tables, report.campaign)
    bullets = [block for block in section.blocks[0].blocks if block.kind == "bullets"][-1]  # type: ignore[union-attr]
    assert len(bullets.items) <= 4  # type: ignore[union-attr]
    assert plain(bullets.items[-1]).endswith(("doubts", "doubt"))  # type: ignore[union-attr]


def test_where_the_most_treated_condition_is_louder_nothing_is_a_part_of_its_gain(report: Report) -> None:
    """Two lips that both make it louder: the front one by 1.9 dB, both by 4.8 dB."""
    louder = {"gain_finding": "higher", "gain_db": -4.8, "gain_lower_db": -5.2, "gain_upper_db": -4.3}
    front = {"gain_finding": "higher", "gain_db": -1.9, "gain_lower_db": -2.3, "gain_upper_db": -1.4}
    left = {"remainder_finding": "lower", "remainder_db": -2.9, "remainder_lower_db": -3.3, "remainder_upper_db": -2.5}
    said = sheet_sentences(with_gains(report, GAIN | louder, FRONT | front | left), report.campaign)[1]
    assert "it is 2.9 dB(A) quieter (2.5 to 3.3) at P01." in said
    assert "leaves" not in said
    assert " gains " not in said
    assert "enough by itself" not in said


def test_a_verdict_names_its_place_where_the_best_condition_gains_only_somewhere(report: Report) -> None:
    louder = {"gain_finding": "higher", "gain_db": -2.9, "gain_lower_db": -3.3, "gain_upper_db": -2.4}
    less = {"remainder_finding": "lower", "remainder_db": -6.8, "remainder_lower_db": -7.2, "remainder_upper_db": -6.3}
    more = {"remainder_db": 4.3, "remainder_lower_db": 3.5, "remainder_upper_db": 5.0}
    p2 = {"position": "P02"}
    rows = [GAIN, FRONT | more, GAIN | louder | p2, FRONT | less | p2]
    said = sheet_sentences(with_gains(report, *rows), report.campaign)[1]
    assert "it leaves 4.3 dB(A) (3.5 to 5.0) at P01; against" in said
    assert "it is 6.8 dB(A) quieter (6.3 to 7.2) at P02. It is not enough by itself (0.5 dB or more) at P01." in said


def test_a_bare_body_measured_again_is_no_treatment_and_leaves_nothing(report: Report) -> None:
    said = sheet_sentences(with_gains(report, GAIN, FRONT | {"applied": []}), report.campaign)
    assert not [words for words in said if "leaves" in words or "by itself" in words]


def test_enough_is_not_said_by_what_is_doubtful(report: Report) -> None:
    near = {
        "remainder_db": 0.1,
        "remainder_lower_db": -0.1,
        "remainder_upper_db": 0.3,
        "remainder_finding": "equivalent",
    }
    for doubtful in (False, True):
        said = sheet_sentences(
            with_gains(report, GAIN, FRONT | near | {"remainder_doubtful": doubtful}), report.campaign
        )
        assert ("enough by itself" in said[1]) is not doubtful


def test_a_count_of_quieter_positions_tells_how_many_are_doubtful(report: Report) -> None:
    rows = [GAIN, GAIN | {"position": "P02", "gain_doubtful": True, "gain_doubt": ["hum: a1"]}]
    said = sheet_sentences(with_gains(report, *rows), report.campaign)
    assert "It is quieter at 2 of 2 positions (1 doubtful)." in said[1]


def test_a_condition_with_gains_in_another_session_alone_is_named(report: Report) -> None:
    (lead, *_) = sheet_sentences(
        with_gains(report, GAIN, FRONT | {"session": "may", "other_session": "may"}), report.campaign
    )
    assert lead.endswith("Only in other sessions or at other points: Front half taped.")
    (lead, *_) = sheet_sentences(with_gains(report, GAIN, FRONT), report.campaign)
    assert "Only in other" not in lead


def test_a_sheet_without_gains_says_why_there_are_none(report: Report) -> None:
    bounds = GAIN | {"gain_finding": "not given", "gain_why_not": "both sides are upper bounds"}
    (said,) = sheet_sentences(with_gains(report, bounds), report.campaign)
    assert said.endswith("of one session: both sides are upper bounds.")
    (said,) = sheet_sentences(with_gains(report, GAIN | {"other_session": "may"}), report.campaign)
    assert "Those of two sessions are held against each other" in said
    none = GAIN | {"other_session": "may", "gain_finding": None}
    (said,) = sheet_sentences(with_gains(report, none), report.campaign)
    assert said.endswith("see what can be compared.")


def test_the_name_of_a_position_is_written_as_in_its_table(report: Report) -> None:
    spot = {"comparison": "whole-seam", "rank": 1, "place": 1, "area": None, "position": "p1", "share": 1.0,
            "band_hz": 500.0}  # fmt: skip
    ((words,),) = (group.words for group in first_spots(replace(report.tables, ranking=(spot,)), "whole-seam").groups)
    assert plain((words,)) == "p1: 100 %, most of it 500 Hz"
