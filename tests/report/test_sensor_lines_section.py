"""Lines of sensors on the page: what is said, drawn and doubted is what the table holds."""

from __future__ import annotations

from typing import Any

from built_report import Report

from tapeline.report.attention_sensor_lines import sensor_line_lines
from tapeline.report.blocks import figures
from tapeline.report.finished_tables import FinishedTables
from tapeline.report.page_table import plain
from tapeline.report.sections.sensor_lines import sensor_line_sections


class Tables(FinishedTables):
    """Finished tables with other rows of `lines`."""

    lines: tuple[dict[str, Any], ...] = ()  # type: ignore[assignment]


def with_lines(report: Report, *rows: dict[str, Any]) -> FinishedTables:
    run = next(row for row in report.tables.used_measurements if row["speed_mps"])
    base: dict[str, Any] = {
        "session": run["session"], "run": run["run"], "line": "strip", "band_hz": 1000.0, "midband_hz": 1000.0,
        "positions": ["P01", "P02", "P03"], "convection_speed_mps": 21.0, "convection_lower_mps": 20.0,
        "convection_upper_mps": 22.0, "convection_share": 0.7, "against_order": False, "against_positions": [],
        "opposite_positions": [], "decay": 0.11, "decay_lower": 0.1, "decay_upper": 0.12, "coherence": 0.5, "pairs": 3,
        "marks": [],
    }  # fmt: skip
    tables = Tables(**{name: getattr(report.tables, name) for name in report.tables.__dataclass_fields__})
    object.__setattr__(tables, "lines", tuple({**base, **row} for row in rows))
    return tables


def test_without_a_line_there_is_no_section(report: Report) -> None:
    assert sensor_line_sections(with_lines(report), report.campaign) == []


def test_the_share_is_told_of_bands_that_tell_it_alone(report: Report) -> None:
    doubted = {"band_hz": 200.0, "midband_hz": 200.0, "convection_share": 1.3, "marks": ["unresolved"]}
    (section,) = sensor_line_sections(with_lines(report, {}, doubted), report.campaign)
    words = plain(section.blocks[0].items[0])  # type: ignore[union-attr]
    assert "carried at 0.70 of the speed, median of 1 band level, 1 kHz to 1 kHz" in words
    assert section.is_folded
    (figure,) = figures(section.blocks)
    assert figure.drawing.count(' ho"') == 3, "one point of each panel, and the legend's"
    assert any(
        "convection 21.0 m/s (20.0 to 22.0), 0.70 of the speed; a 0.11 (0.10 to 0.12)" in each.words
        for each in figure.readings
    )
    assert list(figure.data.columns["convection_share"]) == [0.7, 1.3]


def test_no_band_that_tells_it_is_said(report: Report) -> None:
    nothing = dict.fromkeys(("convection_speed_mps", "convection_lower_mps", "convection_upper_mps", "convection_share",
                             "decay", "decay_lower", "decay_upper"))  # fmt: skip
    (section,) = sensor_line_sections(with_lines(report, nothing), report.campaign)
    assert "no band tells a single speed" in plain(section.blocks[0].items[0])  # type: ignore[union-attr]
    assert list(figures(section.blocks)) == []


def test_a_wrong_order_is_told_where_it_is_looked_for(report: Report) -> None:
    wrong = {"against_order": True, "against_positions": ["P01 to P02"], "opposite_positions": ["P02 to P03"]}
    tables = with_lines(report, wrong)
    (section,) = sensor_line_sections(tables, report.campaign)
    assert not section.is_folded
    assert "runs up the stated order at P01 to P02" in plain(section.blocks[0].items[0])  # type: ignore[union-attr]
    first, second = sensor_line_lines(tables)
    assert (first.severity, first.where, first.href) == ("doubtful", "line strip, P01 to P02", "#sensor-lines")
    assert "opposite polarity" in second.found
