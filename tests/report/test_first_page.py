"""The first page: what was tested, what is not known and the caveats, counted anew from the tables."""

from __future__ import annotations

import dataclasses
import re

import pyarrow as pa
import pytest
from built_report import Report
from built_results import built_campaign

from tapeline.campaign.settings import Uncertainty
from tapeline.report.caveats import caveats
from tapeline.report.comparison_views import is_given
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.sections.what_was_tested import facts, subtracted_runs
from tapeline.report.what_is_not_known import open_questions


@pytest.fixture
def told(report: Report) -> dict[str, str]:
    return dict(facts(report.tables, report.campaign))


def one(sentences: list[str], words: str) -> str:
    (found,) = [sentence for sentence in sentences if words in sentence]
    return found


def test_the_reference_condition_comes_first_and_what_was_never_measured_is_not_named(told: dict[str, str]) -> None:
    assert told["Conditions"].startswith("Seam open (reference); ")
    assert "Never measured" not in told["Conditions"]


def test_recordings_are_counted_by_kind_and_by_what_became_of_them(report: Report, told: dict[str, str]) -> None:
    runs = report.tables.runs
    for kind, words in (("measurement", "measurement"), ("background", "background run")):
        assert re.match(rf".*\b{sum(row['kind'] == kind for row in runs)} {words}", told["Recordings"])
    for status, words in (("superseded", "taken again"), ("left out", "left out"), ("unusable", "unusable")):
        count = sum(row["status"] == status for row in runs)
        assert count > 0
        assert f"{count} {words}" in told["Recordings"]


def test_positions_are_counted_by_area(report: Report, told: dict[str, str]) -> None:
    assert told["Positions"].startswith(f"{len(report.tables.positions)} surface microphone positions: ")
    assert f"panel ({sum(row['area'] == 'panel' for row in report.tables.positions)})" in told["Positions"]


def test_sessions_stand_in_order_of_time_with_their_days(report: Report) -> None:
    runs = [
        {**report.tables.runs[0], "session": name, "recorded_at": time}
        for name, time in (("zulu", "2026-01-02T10:00:00"), ("alpha", "2026-03-01T10:00:00"), ("none", None),
                           ("zulu", "2026-01-01T10:00:00"))
    ]  # fmt: skip
    changed = dataclasses.replace(report.tables, runs=tuple(runs))
    assert dict(facts(changed, report.campaign))["Sessions"] == (
        "zulu (2026-01-01 to 2026-01-02); alpha (2026-03-01); none (no time stated)"
    )


def test_a_comparison_without_runs_is_said_to_have_no_answer(report: Report) -> None:
    sentence = one(open_questions(report.tables, report.campaign), "filler")
    assert sentence.startswith("filler (Never measured against Seam open): no answer")


def test_bounds_are_counted(report: Report) -> None:
    sentence = one(open_questions(report.tables, report.campaign), "stand as upper bounds")
    used = {row["run"] for row in report.tables.runs if row["kind"] == "measurement" and row["status"] == "used"}
    states = [row for row in report.tables.band_states if row["run"] in used]
    hidden, every = (sum(row["bands"] for row in part) for part in (
        [row for row in states if row["state"] == "bound"], states))  # fmt: skip
    assert 0 < hidden < every
    assert sentence.startswith(f"{hidden:,} of {every:,} band levels")


def test_every_difference_is_counted_once_and_what_is_not_shown_is_not_called_equal(report: Report) -> None:
    sentences = open_questions(report.tables, report.campaign)
    for quantity in ("overall", "band"):
        sentence = one(sentences, f"{quantity} differences")
        rows = [row for row in report.tables.comparisons if row["quantity"] == quantity]
        found = re.findall(r"(?:Of |; )?\b(\d+) (?:overall|band|is |are |shown|not |one-|cannot)", sentence)
        total, *parts = [int(text) for text in found]
        assert total == sum(parts) == len(rows)
        hidden = [row for row in rows if row["finding"] == "not shown"]
        assert f"{len(hidden)} not shown to differ, which does not prove them equal" in sentence
        widest = max(max(abs(row["lower_db"]), abs(row["upper_db"])) for row in hidden)
        assert f"reach to ±{widest:.1f} dB at most" in sentence


def test_bands_of_which_nothing_can_be_said_are_counted_as_the_figures_show_them(report: Report) -> None:
    rows = [row for row in report.tables.comparisons if row["quantity"] == "band"]
    unknown, values = sum(not is_given(row) for row in rows), sum(row["difference_db"] is not None for row in rows)
    assert unknown
    sentence = one(open_questions(report.tables, report.campaign), "band differences")
    assert sentence.startswith(f"Of {len(rows):,} band differences {values:,} have a value")
    assert f"{unknown:,} cannot be given ({unknown:,}: both sides are upper bounds)" in sentence


def test_one_session_leaves_open_whether_it_would_be_found_again(report: Report) -> None:
    alone = tuple(row for row in report.tables.runs if row["session"] == "april")
    words = "whether a later session would find the same"
    assert not [said for said in open_questions(report.tables, report.campaign) if words in said]
    one(open_questions(dataclasses.replace(report.tables, runs=alone), report.campaign), words)


def with_rows(tables: FinishedTables, **changed: object) -> FinishedTables:
    """The tables with the same cells changed in every row of the comparisons."""
    return dataclasses.replace(tables, comparisons=tuple({**row, **changed} for row in tables.comparisons))


def test_assumptions_behind_intervals_are_named(report: Report) -> None:
    campaign = report.campaign
    assert not [said for said in caveats(with_rows(report.tables, interval_basis="own repeats"), campaign)
                if "rest on an assumption" in said]  # fmt: skip
    said = one(caveats(with_rows(report.tables, interval_basis="assumed sessions"), campaign), "rest on an assumption")
    assert "front-part, whole-seam" in said
    assert said.endswith("for the scatter of sessions.")


def test_recordings_that_are_not_in_the_levels_are_named(report: Report) -> None:
    said = " ".join(caveats(report.tables, report.campaign))
    for status in ("superseded", "left out", "unusable"):
        for row in report.tables.runs:
            if row["status"] == status:
                assert row["run"] in said


def test_comparisons_between_sessions_are_named(report: Report) -> None:
    changed = with_rows(report.tables, pairing="remounted")
    assert "whole-seam compares different sessions (remounted); " in " ".join(caveats(changed, report.campaign))


def test_the_calibration_bounds_what_absolute_levels_are_worth(report: Report) -> None:
    rows = tuple({**row, "standard_uncertainty_db": 0.3} for row in report.tables.calibration)
    said = caveats(dataclasses.replace(report.tables, calibration=rows), built_campaign())
    sentence = one(said, "Absolute levels")
    assert "at twice the standard uncertainty up to 0.6 dB" in sentence
    assert "drift of a sensor does not" in sentence


def test_what_is_not_known_of_the_calibration_is_not_called_nothing(report: Report) -> None:
    """Recordings that hold pascal carry no uncertainty of a calibration, which does not make it zero."""
    rows = tuple({**row, "source": "pascal", "standard_uncertainty_db": 0.0} for row in report.tables.calibration)
    changed = dataclasses.replace(report.tables, calibration=rows)
    assert "uncertainty" not in dict(facts(changed, report.campaign))["Calibration"]
    said = caveats(changed, report.campaign)
    assert not [sentence for sentence in said if sentence.startswith("Absolute levels")]
    one(said, "how they were calibrated, and how well, is not known here")


def test_levels_that_hold_the_background_are_said_to(report: Report) -> None:
    """What counts is what was subtracted from the levels, whatever background the run table had planned."""
    used = [row["run"] for row in report.tables.used_measurements]
    bands = {
        session: table.set_column(
            table.schema.get_field_index("state"), "state", pa.array(["none"] * table.num_rows, type=pa.string())
        )
        for session, table in report.tables.bands.items()
    }
    changed = dataclasses.replace(report.tables)
    changed.__dict__["bands"] = bands
    one(caveats(changed, report.campaign), f"from {len(used)} of {len(used)} measurements: their levels hold it")
    assert dict(facts(changed, report.campaign))["Analysis"].endswith("no background subtracted: levels as measured")
    subtracted = len(subtracted_runs(report.tables).intersection(used))
    assert 0 < subtracted < len(used)
    words = f"subtracted in power from {subtracted} of {len(used)} measurements"
    assert words in dict(facts(report.tables, report.campaign))["Analysis"]


def test_a_mounting_that_nobody_stated_is_named_with_its_default(report: Report) -> None:
    campaign = built_campaign()
    said = one(caveats(report.tables, campaign), "fitted is not stated")
    assert "0.2 dB below 1 kHz to 2 dB above 5 kHz (common practice)" in said
    stated = campaign.settings.model_copy(update={"uncertainty": Uncertainty(mounting_db=((100.0, 0.3),))})
    of_stated = dataclasses.replace(campaign, settings=stated)
    assert not [said for said in caveats(report.tables, of_stated) if "fitted" in said]
