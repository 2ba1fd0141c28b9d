"""Level against speed: lines from three speeds on, marks are the levels of the fit, and what cannot be had is said."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from built_report import Report
from built_results import SPEEDS_MPS, Size, position_rows
from drawings import figures_of, paths_of, points_of, said_in, words_of

from tapeline.report.blocks import Prose
from tapeline.report.finished_tables import FinishedTables, Row
from tapeline.report.page_table import PlainTable, plain
from tapeline.report.sections.collapse_figure import (
    CollapseSeries,
    abscissa,
    at_reference_db,
    collapse_figure,
    drawn_collapses,
    mean_line,
    most_different,
)
from tapeline.report.sections.scaling import (
    MOST_ROWS,
    _speeds,
    asked_rows,
    collapse_sentence,
    collapse_table,
    exponent_sentence,
    exponent_table,
    groups,
    scaling_sections,
)
from tapeline.report.sections.speed_figure import background_words, exponent_words, has_line, speed_figure
from tapeline.report.speed_levels import SpeedLevel, SpeedSeries, band_levels, line_db, overall_series


def with_rows(tables: FinishedTables, **rows: Sequence[Row]) -> FinishedTables:
    """The tables with other rows of what is read on demand."""
    changed = dataclasses.replace(tables)
    changed.__dict__.update(rows)
    return changed


def test_an_exponent_of_a_doubtful_channel_has_a_question_mark(report: Report) -> None:
    every = [row for row in report.tables.overall_scaling if row["exponent"] is not None]
    row = next(row for row in every if row["weighting"] == "Z")
    for doubt, words in (([], f"{row['exponent']:.1f}"), (["hum"], f"{row['exponent']:.1f}?")):
        overall = [{**level, "doubt": doubt} for level in report.tables.overall]
        tables = with_rows(report.tables, overall_scaling=[row], overall=overall)
        table = exponent_table(tables, report.campaign)
        assert table.rows[0][table.head.index("n")] == words


def cells(table: PlainTable, position: str, column: str) -> set[str]:
    at = table.head.index(column)
    return {plain(row[at]) for row in table.rows if row[0] == position}


def test_exponents_carry_their_interval_and_what_it_rests_on(report: Report) -> None:
    table = exponent_table(report.tables, report.campaign)
    assert cells(table, "P01", "n") == {"6.0"}
    assert cells(table, "P01", "95 % interval") == {"5.4 to 6.6"}
    assert cells(table, "P01", "interval from") == {"scatter"}
    assert {row[0] for row in table.rows} == {row["position"] for row in position_rows(Size())}
    assert "weighting Z" in table.note, "the first overall level of the settings alone"


def test_two_speeds_are_called_weak_and_cannot_tell_whether_a_line_fits(report: Report) -> None:
    table = exponent_table(report.tables, report.campaign)
    assert cells(table, "P01", "speeds") == {"2, weak: 100 to 140 km/h"}
    assert cells(table, "P01", "does a line fit") == {"cannot tell"}
    assert "Weak: with two speeds" in table.note


def test_a_line_that_does_not_fit_is_said(report: Report) -> None:
    table = exponent_table(report.tables, report.campaign)
    assert cells(table, "P03", "does a line fit") == {"no (p below 0.01)"}
    assert cells(table, "P03", "interval from") == {"lack of fit"}


def test_what_has_no_exponent_says_why(report: Report) -> None:
    table = exponent_table(report.tables, report.campaign)
    assert cells(table, "P02", "n") == {"–"}
    assert cells(table, "P02", "left out") == {"3 bounds, 1 tonal"}


def test_collapses_name_their_word_and_the_peak_where_it_goes_with_strouhal(report: Report) -> None:
    table = collapse_table(report.tables, report.campaign)
    assert cells(table, "P01", "better over") == {"strouhal"}
    assert cells(table, "P01", "peak") == {"f/U 45/m"}, "no length"
    assert cells(table, "P04", "peak") == {"St 0.36"}
    assert cells(table, "P04", "length") == {"8 mm (scaling.length_m)"}
    assert cells(table, "P02", "better over") == {"frequency"}
    assert cells(table, "P02", "peak") == {"–"}, "it does not move"
    assert cells(table, "P09", "left out") == {"only 3 bands have levels at two speeds"}


def test_conditions_at_one_speed_are_named_below_the_table_and_fill_no_rows(report: Report) -> None:
    at_one = [
        row | {"condition": "front", "left_out": ["measured at one speed"]} for row in report.tables.overall_scaling
    ]
    tables = with_rows(report.tables, overall_scaling=[*report.tables.overall_scaling, *at_one], collapse=at_one)
    table = exponent_table(tables, report.campaign)
    assert table.rows == exponent_table(report.tables, report.campaign).rows
    assert "At one speed, or at speeds less than 5 % apart: Front half taped." in table.note
    assert collapse_table(tables, report.campaign).rows == ()


def test_one_speed_is_no_range_of_speeds(report: Report) -> None:
    row = {"speeds": 1, "lowest_speed_mps": 130.0 / 3.6, "highest_speed_mps": 130.2 / 3.6}
    assert _speeds(report.campaign, row) == "1: 130 km/h"


def test_too_many_rows_are_cut_and_counted(report: Report) -> None:
    many = [row | {"position": f"Q{k}{row['position']}"} for k in range(5) for row in report.tables.overall_scaling]
    asked = sum(row["weighting"] == "Z" for row in many)
    table = exponent_table(with_rows(report.tables, overall_scaling=many), report.campaign)
    assert len(table.rows) == MOST_ROWS < asked
    assert f"{MOST_ROWS} of {asked}, exponents of overall levels, the loudest" in table.note


FIT: dict[str, Any] = {
    "position": "P01", "condition": "open", "session": "april", "yaw_deg": 0.0, "exponent": 6.0, "exponent_lower": 5.2,
    "exponent_upper": 6.6, "level_at_reference_db": 100.0, "reference_speed_mps": 20.0, "lowest_speed_mps": 20.0,
    "highest_speed_mps": 40.0, "speeds": 3, "level_count": 3, "left_out": [], "length_m": None, "length_source": None,
}  # fmt: skip


def level(run: str, part: str, speed_mps: float, level_db: float, midband_hz: float | None = None) -> SpeedLevel:
    return SpeedLevel(run, part, speed_mps, speed_mps, level_db, midband_hz, midband_hz)  # type: ignore[arg-type]


def test_the_line_is_the_formula() -> None:
    """Worked example: n = 6, 100 dB at 20 m/s; doubled speed adds 60 lg 2 = 18.06 dB."""
    assert line_db(FIT, 20.0) == 100.0
    assert line_db(FIT, 40.0) == pytest.approx(118.0618, abs=1e-4)


def test_two_speeds_draw_no_line_and_are_a_sentence(report: Report) -> None:
    rows = asked_rows(report.tables, report.campaign)
    at_two = [row for row in rows if not has_line(row)]
    tables = with_rows(report.tables, overall_scaling=at_two)
    (section,) = scaling_sections(tables, report.campaign)
    assert [each.name[0] for each in figures_of([section])] == ["collapse"]
    assert "rest on two speeds, which cannot tell whether a line fits: no line is drawn." in said_in(section.blocks)
    assert groups(at_two) == []


def test_lines_and_marks_of_three_speeds_are_the_tables(report: Report) -> None:
    """The built campaign has three speeds at P03 alone: one panel, a line a condition, and its levels about it."""
    figure = figures_of(scaling_sections(report.tables, report.campaign))[0]
    assert figure.name[0] == "speed"
    assert set(figure.data.columns["position"]) == {"P03"}
    known = {row["condition"]: row for row in asked_rows(report.tables, report.campaign) if row["position"] == "P03"}
    for index, condition in enumerate(figure.data.columns["condition"]):
        row, cells = known[condition], {name: values[index] for name, values in figure.data.columns.items()}
        assert cells["exponent"] == row["exponent"]
        assert cells["level_db"] == pytest.approx(line_db(row, cells["speed_mps"]), abs=0.5), "about the line"
    lines = [path for role in ("ln c0", "ln c1") for path in paths_of(figure, role)[:1]]
    assert len(lines) == 2
    assert all(len(points_of(path)) == 2 for path in lines)
    words = " ".join(words_of(figure))
    assert f"n {exponent_words(known['open'])}" in words
    assert "U_ref 115.2 km/h" in figure.caption
    assert len(figure.readings) == len(figure.data.columns["run"])


def test_marks_are_the_levels_that_the_fit_is_made_of(report: Report) -> None:
    """The least-squares line through what is drawn is the table's line, air of the reference density and all."""
    checked = 0
    for series in overall_series(report.tables, report.campaign, asked_rows(report.tables, report.campaign)):
        if not series.fitted:
            continue
        used = [each for each in series.levels if each.part == "in the fit"]
        assert sorted(each.run for each in used) == sorted(series.row["runs"])
        x = 10.0 * np.log10(np.array([each.speed_mps for each in used]) / series.row["reference_speed_mps"])
        slope, at_reference = np.polyfit(x, [each.level_db for each in used], 1)
        assert slope == pytest.approx(series.row["exponent"], abs=1e-6)
        assert at_reference == pytest.approx(series.row["level_at_reference_db"], abs=1e-6)
        checked += 1
    assert checked > 10


def test_bounds_are_arrows_and_levels_of_no_fit_are_open_marks(report: Report) -> None:
    rows = [row | {"speeds": 3} for row in asked_rows(report.tables, report.campaign)]
    quiet = [row | {"exponent": 6.0, "level_at_reference_db": 80.0} if row["condition"] == "open" else row
             for row in rows if row["position"] == "P08"]  # fmt: skip
    figure = speed_figure(report.tables, report.campaign, quiet)
    assert figure is not None
    parts = figure.data.columns["part"]
    bounds = [value for value in figure.data.columns["upper_bound_db"] if value is not None]
    assert len(bounds) == list(parts).count("bound") > 0
    arrows = sum(path.count("H") for role in ("ar c0", "ar c1") for path in paths_of(figure, role))
    assert arrows == len(bounds)
    opened = sum(path.count("z") for role in ("mk c0 ho", "mk c1 ho") for path in paths_of(figure, role))
    assert opened == sum(part in ("left out", "no fit") for part in parts) > 0
    assert "in no fit" in words_of(figure)


def test_an_exponent_says_its_interval_its_doubt_or_why_there_is_none() -> None:
    assert exponent_words(FIT) == "6.0 (5.2 to 6.6)"
    assert exponent_words(FIT, doubtful=True) == "6.0? (5.2 to 6.6)"
    none = FIT | {"exponent": None, "left_out": ["1 bound", "1 tonal"]}
    assert exponent_words(none) == "no exponent: 1 bound, 1 tonal"
    first, second = level("r1", "in the fit", 20.0, 100.3), level("r2", "in the fit", 40.0, 117.9)
    doubtful = dataclasses.replace(second, doubtful=True)
    assert SpeedSeries(FIT, (first, doubtful)).doubtful
    left_out = dataclasses.replace(doubtful, part="left out")
    assert not SpeedSeries(FIT, (first, left_out)).doubtful, "the line does not rest on it"


def test_doubtful_exponents_are_counted_and_never_the_extremes(report: Report) -> None:
    rows = [row for row in asked_rows(report.tables, report.campaign) if row["exponent"] is not None]
    largest = max(rows, key=lambda row: (row["exponent"], row["position"]))
    place = (largest["position"], largest["condition"])
    runs = {row["run"] for row in report.tables.runs if row["condition"] == place[1]}
    overall = [
        {**level, "doubt": ["hum"] if level["position"] == place[0] and level["run"] in runs else []}
        for level in report.tables.overall
    ]
    said = exponent_sentence(with_rows(report.tables, overall=overall), report.campaign, rows)
    assert f"at {place[0]}, {report.campaign.settings.conditions[place[1]].title}" not in said
    assert "1 other is doubtful." in said


def test_the_caption_claims_no_subtraction_where_there_was_none() -> None:
    flow, none = (
        dataclasses.replace(level("r1", "in the fit", 20.0, 100.0), background_source=what)
        for what in ("flow", "nothing")
    )
    bound = level("r3", "bound", 20.0, 90.0)
    assert background_words([SpeedSeries(FIT, (flow, bound))]) == "Levels of single runs after background subtraction"
    assert background_words([SpeedSeries(FIT, (flow, none, none))]).endswith(
        "subtraction (2 of 3 as measured, no background to subtract)"
    )
    assert "after" not in background_words([SpeedSeries(FIT, (none, bound))])


def test_without_rows_the_section_says_so(report: Report) -> None:
    none = with_rows(report.tables, overall_scaling=(), collapse=())
    (section,) = scaling_sections(none, report.campaign)
    assert figures_of([section]) == []
    assert said_in(section.blocks).startswith("No exponents: in no session was a condition measured at two")
    assert collapse_figure(none, report.campaign) is None


def collapsing(length_m: float | None = None) -> CollapseSeries:
    """Levels of n = 5 and a spectrum that moves with speed: L = 90 - 3 oct(f/U) + 50 lg(U/20), at 10 and 20 m/s."""
    levels = tuple(
        level(
            f"r{speed:g}", "in the fit", speed, 90.0 - 3.0 * math.log2(hz / speed) + 50.0 * math.log10(speed / 20.0), hz
        )
        for speed in (10.0, 20.0)
        for hz in (250.0, 500.0, 1000.0, 2000.0)
    )
    sides: dict[str, Any] = {"better": "strouhal"}
    for side, exponent in (("strouhal", 5.0), ("frequency", 6.0)):
        sides |= {f"{side}_exponent": exponent, f"{side}_scatter_db": exponent / 10.0}
    source = "cavities: rail" if length_m else None
    return CollapseSeries(FIT | sides | {"length_m": length_m, "length_source": source}, "Open", levels, 20.0)


def test_brought_to_one_speed_levels_meet_over_f_by_u() -> None:
    """Worked example: 500 Hz at 10 m/s and 1 kHz at 20 m/s are 50/m, and both 90 - 3 lb 50 = 73.07 dB at 20 m/s."""
    series = collapsing()
    slow, fast = (each for each in series.levels if each.midband_hz == 50.0 * each.speed_mps)
    assert abscissa(slow, "strouhal", None) == abscissa(fast, "strouhal", None) == 50.0
    assert abscissa(fast, "strouhal", 0.02) == 1.0
    assert abscissa(fast, "frequency", 0.02) == 1000.0
    for each in (slow, fast):
        assert at_reference_db(each, 5.0, 20.0) == pytest.approx(73.0684, abs=1e-4)


def test_the_panels_say_exponent_scatter_and_length(report: Report) -> None:
    words = words_of(drawn_collapses(report.campaign, [collapsing(), collapsing(0.02)], 2))
    assert "n 5.0, scatter 0.50 dB" in words
    assert "n 6.0, scatter 0.60 dB" in words
    assert "f/U, 1/m" in words
    assert "St = f l/U, l = 20 mm (cavities: rail)" in words


def test_the_mean_line_breaks_where_a_band_is_missing() -> None:
    """Octaves of 250, 500 and 2000 Hz: no line from 500 to 2000 Hz; two runs of a band are one point, their mean."""

    def point(hz: float, value: float) -> tuple[SpeedLevel, float, float]:
        edges = {"lower_hz": hz / 2**0.5, "upper_hz": hz * 2**0.5}
        return dataclasses.replace(level("r1", "in the fit", 20.0, value, hz), **edges), hz, value

    line = mean_line([point(2000.0, 60.0), point(250.0, 80.0), point(500.0, 70.0), point(500.0, 74.0)])
    np.testing.assert_array_equal(line, [[250.0, 80.0], [500.0, 72.0], [np.nan, np.nan], [2000.0, 60.0]])


def test_the_collapse_takes_the_levels_of_the_fits(report: Report) -> None:
    figure = collapse_figure(report.tables, report.campaign)
    assert figure is not None
    columns = figure.data.columns
    said = {row["position"]: row["better"] for row in report.tables.collapse}
    assert {said[name] for name in columns["position"]} <= {"strouhal", "frequency"}, "where it says something"
    bands = {(row["run"], row["position"], row["band_hz"]): row for row in report.tables.bands["april"].to_pylist()}
    for index, place in enumerate(zip(columns["run"], columns["position"], columns["band_hz"], strict=True)):
        row, cell = bands[place], {name: values[index] for name, values in columns.items()}
        in_air = row["corrected_level_db"] - 20.0 * np.log10(1.19 / 1.2)
        assert cell["level_db"] == pytest.approx(in_air, abs=1e-4)
        rise = 10.0 * np.log10(cell["speed_mps"] / 32.0)
        assert cell["at_reference_by_strouhal_db"] == pytest.approx(in_air - 5.0 * rise, abs=1e-4)
        assert cell["at_reference_by_frequency_db"] == pytest.approx(in_air - 6.0 * rise, abs=1e-4)
        assert cell["per_m"] == pytest.approx(row["midband_hz"] / cell["speed_mps"], rel=1e-5)
    assert sorted(set(columns["speed_mps"])) == pytest.approx([1.002 * speed for speed in SPEEDS_MPS])


def test_bands_without_two_speeds_and_bounds_are_in_no_collapse(report: Report) -> None:
    quiet = next(row for row in report.tables.collapse if row["position"] == "P08")
    levels = band_levels(report.tables, report.campaign, quiet)
    fits = {row["band_hz"]: row for row in report.tables.band_scaling(quiet)}
    assert any(row["exponent"] is None for row in fits.values()), "bands of bounds alone at one of the speeds"
    assert {each.band_hz for each in levels} == {band for band, row in fits.items() if row["exponent"] is not None}
    assert all(each.part == "in the fit" for each in levels)


def test_the_largest_differences_of_the_scatters_come_first_where_there_is_a_word() -> None:
    def row(position: str, condition: str, one: float | None, other: float | None, better: str | None) -> Row:
        return {"position": position, "condition": condition, "session": "april", "better": better,
                "strouhal_scatter_db": one, "frequency_scatter_db": other}  # fmt: skip

    rows = [row("P1", "a", 0.3, 1.0, "strouhal"), row("P1", "b", 0.3, 2.0, "strouhal"),
            row("P2", "a", 1.5, 0.2, "frequency"), row("P3", "a", None, None, None),
            row("P4", "a", 0.1, 9.0, "not shown")]  # fmt: skip
    assert [(each["position"], each["condition"]) for each in most_different(rows)] == [("P1", "b"), ("P2", "a")]
    assert len(most_different([row(f"P{k}", "a", 0.1, 0.1 * k, "strouhal") for k in range(9)])) == 4


def test_a_sentence_says_with_what_the_spectra_scale(report: Report) -> None:
    said = collapse_sentence(report.tables, report.campaign)
    assert said.startswith(
        "Band spectra fall together better over Strouhal number than over frequency at 3 positions (P01, P04, P07)"
    )
    assert "they fall together better over frequency than over Strouhal number at 3 positions (P02, P05, P08)" in said
    assert "not shown to scale with either at 2 positions" in said


def test_spectra_that_neither_brings_together_are_said_to_stay_apart(report: Report) -> None:
    near = [{**row, "strouhal_scatter_db": 0.3, "frequency_scatter_db": 0.4} for row in report.tables.collapse]
    assert "Even so" not in collapse_sentence(with_rows(report.tables, collapse=near), report.campaign)
    far = [{**row, "strouhal_scatter_db": 0.96} if row["position"] == "P01" else row for row in near]
    said = collapse_sentence(with_rows(report.tables, collapse=far), report.campaign)
    assert said.endswith("Even so they scatter by more than 0.5 dB at P01 (up to 0.96 dB): neither describes them.")


def test_speeds_of_different_sessions_are_not_said_to_be_missing(report: Report) -> None:
    """One speed in each of two sessions gives no exponent, and no claim that there was one speed."""

    def said(runs: Sequence[Row]) -> str:
        tables = with_rows(dataclasses.replace(report.tables, runs=tuple(runs)), overall_scaling=())
        (section,) = scaling_sections(tables, report.campaign)
        (block,) = section.blocks
        assert isinstance(block, Prose)
        return plain(block.words)

    slow = min(row["speed_mps"] for row in report.tables.used_measurements)
    own = [row for row in report.tables.runs if (row["session"] == "april") == (row["speed_mps"] == slow)]
    assert "in no session was a condition measured at two speeds" in said(own)
    assert "Speeds of different sessions are not put together" in said(own)
    assert "put together" not in said([row for row in own if row["speed_mps"] == slow])
