"""The section on calibration: was it in order, what drifted, what follows; its figures and tables."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from built_report import Report
from built_results import built_campaign
from drawn_figures import words

from tapeline.campaign.settings import Uncertainty
from tapeline.report.blocks import Bullets, FigureBlock, Fold, Prose, Section, TableBlock
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.page_table import PlainTable, plain
from tapeline.report.sections.calibration import calibration_sections, sensitivities_table
from tapeline.report.sections.calibration_figures import (
    MOST_CHANNELS,
    MOST_ROWS,
    against_chart_db,
    deviation_figure,
    sequence_figure,
)


def sentences(tables: FinishedTables) -> list[str]:
    (section,) = calibration_sections(tables, built_campaign())
    said = [plain(block.words) for block in section.blocks if isinstance(block, Prose)]
    return said + [plain(item) for block in section.blocks if isinstance(block, Bullets) for item in block.items]


def changed(report: Report, **cells: Any) -> FinishedTables:
    """The tables with the same cells in every row of the calibration."""
    return dataclasses.replace(report.tables, calibration=tuple({**row, **cells} for row in report.tables.calibration))


def one(said: list[str], start: str) -> str:
    (found,) = [text for text in said if text.startswith(start)]
    return found


def test_the_first_sentence_says_whether_the_calibration_was_in_order(report: Report) -> None:
    rows = report.tables.calibration
    good = sum(row["verdict"] == "good" for row in rows)
    assert 0 < good < len(rows)
    assert sentences(report.tables)[0] == (
        f"The calibration is in order at {good} of {len(rows)} channels (9 sensors), doubtful at {len(rows) - good}: "
        "drift within 0.5 dB, deviation from the chart within 1.0 dB."
    )
    sound = sentences(changed(report, verdict="good", reasons=[], sentences=[]))
    assert sound[0].startswith(f"The calibration is in order at all {len(rows)} channels (9 sensors)")
    assert not [text for text in sound if "doubtful" in text]


def test_what_drifted_is_said_with_its_size_and_what_follows(report: Report) -> None:
    said = one(sentences(report.tables), "P02, session may, sensor s02")
    assert "drift of the sensitivity: -0.72 dB after against before (limit 0.5 dB)" in said
    doubtful = [row for row in report.tables.comparisons if row["doubtful"] and row["position"] == "P02"]
    touched = sum("may" in (row["reference_session"], row["treatment_session"]) for row in doubtful)
    assert touched
    assert "dB before, " in said
    assert " dB used. Its levels are doubtful" in said
    assert said.endswith(f"{touched} differences rest on them. They count in no scatter, shift or rank.")


def test_differences_in_doubt_for_another_reason_are_not_laid_to_the_calibration(report: Report) -> None:
    others = tuple({**row, "doubt": ["hum: a-open-01"] if row["doubtful"] else []} for row in report.tables.comparisons)
    said = sentences(dataclasses.replace(report.tables, comparisons=others))
    assert "no difference rests on them" in one(said, "P02, session may, sensor s02")


def test_a_channel_without_a_sensitivity_has_no_levels(report: Report) -> None:
    said = sentences(changed(report, verdict="unusable", source="none", reasons=[], sentences=[]))
    assert said[0].startswith("The calibration is in order at 0 of 18 channels")
    assert "no sensitivity that can be used. It has no levels in this session." in one(said, "P01, session april")
    one(said, "12 more channels")


def test_recordings_in_pascal_are_not_said_to_be_sure(report: Report) -> None:
    tables = changed(report, source="pascal", standard_uncertainty_db=0.0)
    said = sentences(tables)
    good = sum(row["verdict"] == "good" for row in tables.calibration)
    rest = len(tables.calibration) - good
    assert f"is in order at 0 of 18 channels (9 sensors), doubtful at {rest} and not known at {good}: " in said[0]
    table = sensitivities_table([row for row in tables.calibration if row["verdict"] == "good"])
    shown = dict(zip(table.head, zip(*table.rows, strict=True), strict=True))
    assert set(shown["std. unc., dB"]) == set(shown["verdict"]) == {"not known"}
    assert [text for text in said if "how they were calibrated is not known" in text]
    assert not [text for text in said if "standard uncertainty" in text]
    good_alone = tuple(row for row in tables.calibration if row["verdict"] == "good")
    (first, *_) = sentences(dataclasses.replace(tables, calibration=good_alone))
    assert first.startswith(f"No calibration is known here: {good} channels"), "nothing was calibrated here"


def test_a_mounting_that_nobody_stated_is_named_with_its_default(report: Report) -> None:
    said = one(sentences(report.tables), "How well sensors are fitted is not stated")
    assert "0.2 dB below 1 kHz to 2 dB above 5 kHz (common practice" in said
    campaign = built_campaign()
    stated = campaign.settings.model_copy(update={"uncertainty": Uncertainty(mounting_db=((100.0, 0.3),))})
    (section,) = calibration_sections(report.tables, dataclasses.replace(campaign, settings=stated))
    assert not [block for block in section.blocks if isinstance(block, Prose) and "fitted" in plain(block.words)]


def row(position: str, before: float | None, after: float | None, chart: float | None) -> dict[str, Any]:
    values = {
        "before_v_per_pa": before,
        "after_v_per_pa": after,
        "chart_v_per_pa": chart,
        "sensitivity_v_per_pa": after,
    }
    same = {"session": "april", "sensor": f"s{position}", "verdict": "good", "reasons": []}
    drift = None if before is None or after is None else 0.2
    return {"position": position, **values, **same, "deviation_db": 0.1, "drift_db": drift}


def test_checks_are_drawn_in_decibels_against_the_chart() -> None:
    """Twice the amplitude is 6.02 dB (20 lg 2, common knowledge of the trade)."""
    assert against_chart_db(row("P1", 0.008, None, 0.004), "before") == pytest.approx(6.0206, abs=1e-4)
    assert against_chart_db(row("P1", 0.008, None, 0.004), "after") is None
    assert against_chart_db(row("P1", 0.008, None, None), "before") is None
    rows = [row("P1", 0.0040, 0.0041, 0.004), row("P2", None, None, 0.004)]
    figure = deviation_figure(built_campaign(), rows)
    assert figure is not None
    (reading,) = figure.readings
    assert reading.words == "P1, session april, sensor sP1: before 0.00 dB, after +0.21 dB; drift +0.20 dB, good"
    assert figure.caption.endswith("Without check or chart: P2 in april.")
    assert "april, sP1, P1" in words(figure)
    assert "within the drift limit, ±0.5 dB of before" in words(figure)
    assert list(figure.data.columns["after_v_per_pa"]) == [0.0041]
    assert deviation_figure(built_campaign(), rows[1:]) is None


def test_of_many_channels_those_furthest_off_are_drawn_and_the_rest_is_said_to_be_left_out() -> None:
    rows = [row(f"P{place:02d}", 0.004, 0.004, 0.004) | {"deviation_db": 0.01 * place} for place in range(60)]
    figure = deviation_figure(built_campaign(), rows)
    assert figure is not None
    assert list(figure.data.columns["position"]) == [f"P{place:02d}" for place in range(60 - MOST_CHANNELS, 60)]
    assert f"The {MOST_CHANNELS} furthest off of 60 checked channels." in figure.caption


def check(position: str, turn: int, stated: int, *reasons: str, steady: bool = True) -> dict[str, Any]:
    start = 5.0 * turn
    return {"session": "april", "run": "cal", "position": position, "stage": "before", "found": steady,
            "application_starts_s": [start], "application_stops_s": [start + 3.0],
            "start_s": start + 0.2 if steady else None, "stop_s": start + 2.8 if steady else None, "duration_s": 30.0,
            "turn": turn, "turn_stated": stated, "reasons": list(reasons)}  # fmt: skip


def test_the_sequence_says_what_was_heard_and_measured_and_which_turn_it_was() -> None:
    rows = [check("P01", 1, 1), check("P02", 3, 2, "swapped"), check("P03", 4, 3, "noisy-tone"),
            check("P04", 5, 4, "unsteady-tone", steady=False)]  # fmt: skip
    figure = sequence_figure(built_campaign(), "april", "cal", rows)
    assert [reading.words for reading in figure.readings] == [
        "P01: heard 5.0 to 8.0 s, measured 5.2 to 7.8 s; 1",
        "P02: heard 15.0 to 18.0 s, measured 15.2 to 17.8 s; 3 (2) swapped",
        "P03: heard 20.0 to 23.0 s, measured 20.2 to 22.8 s; 4 (3) noisy-tone",
        "P04: heard 25.0 to 28.0 s, not measured; 5 (4) unsteady-tone",
    ]
    drawn = words(figure)
    assert {"1", "3 (2) swapped", "4 (3) noisy-tone", "5 (4) unsteady-tone"} <= set(drawn)
    assert "measured and refused" in drawn
    assert "measured and refused" not in words(sequence_figure(built_campaign(), "april", "cal", rows[:2]))
    assert figure.alt.endswith("3 channels with a steady tone, in doubt: P02, P03, P04.")


def test_of_many_channels_the_sequence_shows_those_in_doubt() -> None:
    rows = [check(f"Q{place:02d}", 1, 1, *(["noisy-tone"] if place == 55 else [])) for place in range(MOST_ROWS + 20)]
    figure = sequence_figure(built_campaign(), "april", "cal", rows)
    assert list(figure.data.columns["position"]) == [*(f"Q{place:02d}" for place in range(MOST_ROWS - 1)), "Q55"]
    assert figure.caption.endswith(f"{MOST_ROWS} of {MOST_ROWS + 20} channels.")


def folded_table(section: Section, key: str) -> PlainTable:
    blocks = [block for fold in section.blocks if isinstance(fold, Fold) for block in fold.blocks]
    (found,) = [block.table for block in blocks if isinstance(block, TableBlock) and block.table.key == key]
    return found


def test_sensitivities_stand_in_a_table_as_they_are(report: Report) -> None:
    (section,) = calibration_sections(report.tables, report.campaign)
    table = folded_table(section, "calibration-table")
    assert len(table.rows) == len(report.tables.calibration)
    for cells, of in zip(table.rows, report.tables.calibration, strict=True):
        said = dict(zip(table.head, map(plain, cells), strict=True))
        assert said["used"] == f"{1000 * of['sensitivity_v_per_pa']:.3f}"
        assert said["drift, dB"] == ("–" if of["drift_db"] is None else f"{of['drift_db']:+.2f}")
        assert said["verdict"] == of["verdict"]


def test_without_a_calibration_the_section_says_so(report: Report) -> None:
    (section,) = calibration_sections(dataclasses.replace(report.tables, calibration=()), report.campaign)
    assert [plain(block.words) for block in section.blocks if isinstance(block, Prose)] == [
        "There is no calibration table."
    ]
    assert not [block for block in section.blocks if isinstance(block, FigureBlock)]
