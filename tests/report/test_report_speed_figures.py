"""Level over speed and the collapse: marks are the levels of the fit, lines are the table's, bounds are no points."""

from __future__ import annotations

import csv
import dataclasses
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from built_report import Report
from built_results import SPEEDS_MPS

from tapeline.report.figure_files import FigureShelf
from tapeline.report.figure_panels import Heading
from tapeline.report.figure_style import condition_mark, speed_look
from tapeline.report.figures_collapse import CollapseSeries, abscissa, at_reference_db, collapse_figure, mean_line
from tapeline.report.figures_speed import SpeedAxis, exponent_words, level_counts, speed_figure
from tapeline.report.pictures_speed import collapse_pictures, most_different, speed_pictures, taken_off_words
from tapeline.report.speed_levels import SpeedLevel, SpeedSeries, band_levels, line_db, overall_series
from tapeline.report.tables_of_scaling import asked_rows, exponent_table

Row = dict[str, Any]
FIT: Row = {
    "position": "P01", "condition": "open", "session": "april", "yaw_deg": 0.0, "exponent": 6.0, "exponent_lower": 5.2,
    "exponent_upper": 6.6, "level_at_reference_db": 100.0, "reference_speed_mps": 20.0, "lowest_speed_mps": 20.0,
    "highest_speed_mps": 40.0, "speeds": 3, "level_count": 3, "left_out": [], "length_m": None, "length_source": None,
}  # fmt: skip


def level(run: str, part: str, speed_mps: float, level_db: float, midband_hz: float | None = None) -> SpeedLevel:
    return SpeedLevel(run, part, speed_mps, speed_mps, level_db, midband_hz, midband_hz)  # type: ignore[arg-type]


def numbers_of(report: Report, stem: str) -> list[dict[str, str]]:
    with (report.results / "figures" / f"{stem}.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_the_line_is_the_formula() -> None:
    """Worked example: n = 6, 100 dB at 20 m/s; doubled speed adds 60 lg 2 = 18.06 dB."""
    assert line_db(FIT, 20.0) == 100.0
    assert line_db(FIT, 40.0) == pytest.approx(118.0618, abs=1e-4)
    series = SpeedSeries(FIT, (level("r1", "in the fit", 20.0, 100.3), level("r2", "in the fit", 40.0, 117.9)))
    figure = speed_figure({"P01": [series]}, {"open": "Open"}, Heading("t", "s"), SpeedAxis((20.0, 40.0), "km/h"), "dB")
    axes = figure.axes[0]
    line = next(each for each in axes.lines if each.get_gid() == "open line")
    assert np.allclose(line.get_xydata(), [[72.0, 100.0], [144.0, 118.0618]], atol=1e-4)
    assert axes.get_xscale() == "log"
    assert [text.get_text() for text in axes.get_xticklabels()] == ["72", "144"]
    legend = axes.get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == ["exponent 6.0 (5.2 to 6.6)"]


def test_bounds_are_arrows_and_left_out_levels_crosses_off_the_fit() -> None:
    every = (
        level("r1", "no fit", 20.0, 100.0),
        level("r2", "bound", 20.0, 95.0),
        level("r3", "left out", 40.0, 119.0),
    )
    panel = [SpeedSeries(FIT | {"exponent": None, "left_out": ["1 bound", "1 tonal"]}, every)]
    figure = speed_figure({"P01": panel}, {"open": "Open"}, Heading("t", "s"), SpeedAxis((20.0, 40.0), "m/s"), "dB")
    drawn = {line.get_gid(): line for line in figure.axes[0].lines}
    assert np.allclose(drawn["open no fit"].get_xydata(), [[20.0, 100.0]])
    assert drawn["open no fit"].get_marker() == "x"
    assert drawn["open crossed"].get_marker() == condition_mark(("open",), "open"), "told without colour"
    assert "open in the fit" not in drawn
    assert np.allclose(drawn["open left out"].get_xydata(), [[40.0, 119.0]])
    assert drawn["open left out"].get_marker() == "x"
    assert np.allclose(drawn["bound-tail"].get_xydata(), [[20.0, 95.0]])
    assert drawn["bound-tail"].get_marker() == "_"
    points = [line for line in figure.axes[0].lines if line.get_marker() not in ("_", "None", "x", None)]
    assert not any(95.0 in np.asarray(line.get_ydata()) for line in points if line.get_gid() in drawn)
    assert "open line" not in drawn
    assert level_counts(panel) == "1 left out, 1 without a fit, 1 bound"
    assert exponent_words(panel[0].row) == "no exponent: 1 bound, 1 tonal"
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert labels == ["Open", "in no fit", "at most (upper bound)"]


def test_levels_of_a_condition_without_an_exponent_are_in_no_fit(report: Report) -> None:
    rows = asked_rows(report.tables, report.campaign)
    without = [row | {"exponent": None} for row in rows if row["exponent"] is not None and row["runs"]]
    made = overall_series(report.tables, report.campaign, without)
    parts = {each.part for series in made for each in series.levels}
    assert "no fit" in parts
    assert "in the fit" not in parts


def test_an_exponent_of_a_doubtful_channel_has_a_question_mark() -> None:
    first, second = level("r1", "in the fit", 20.0, 100.3), level("r2", "in the fit", 40.0, 117.9)
    doubtful = dataclasses.replace(second, doubtful=True)
    for levels, words in (((first, second), "6.0 (5.2"), ((first, doubtful), "6.0? (5.2")):
        panel = [SpeedSeries(FIT, levels)]
        figure = speed_figure({"P01": panel}, {"open": "Open"}, Heading("t", "s"), SpeedAxis((20.0, 40.0), "m/s"), "dB")
        legend = figure.axes[0].get_legend()
        assert legend is not None
        assert words in legend.get_texts()[0].get_text()
    left_out = dataclasses.replace(doubtful, part="left out")
    assert not SpeedSeries(FIT, (first, left_out)).doubtful, "the line does not rest on it"


def test_the_caption_claims_no_subtraction_where_there_was_none() -> None:
    flow, none = (
        dataclasses.replace(level("r1", "in the fit", 20.0, 100.0), background_source=what)
        for what in ("flow", "nothing")
    )
    bound = level("r3", "bound", 20.0, 90.0)
    assert taken_off_words([SpeedSeries(FIT, (flow, bound))]) == "Levels of single runs after background subtraction"
    assert taken_off_words([SpeedSeries(FIT, (flow, none, none))]).endswith(
        "subtraction (2 of 3 as measured, no background to subtract)"
    )
    assert "after" not in taken_off_words([SpeedSeries(FIT, (none, bound))])


def test_exponents_of_two_speeds_are_said_weak() -> None:
    assert exponent_words(FIT | {"speeds": 2}) == "exponent 6.0 (5.2 to 6.6), weak"


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


def test_the_figure_has_the_numbers_of_the_table_and_of_the_runs(report: Report) -> None:
    cells = numbers_of(report, "speed_april_yaw0")
    known = {(row["position"], row["condition"]): row for row in asked_rows(report.tables, report.campaign)}
    table = exponent_table(report.tables, report.campaign)
    printed = {row[table.head.index("n")] for row in table.rows if row[0] == "P01"}
    for cell in cells:
        row = known[cell["position"], cell["condition"]]
        if row["exponent"] is None:
            assert cell["exponent"] == ""
            continue
        assert float(cell["exponent"]) == pytest.approx(row["exponent"], rel=1e-6)
        if cell["part"] == "in the fit":
            line = line_db(row, float(cell["speed_mps"]))
            assert float(cell["level_db"]) == pytest.approx(line, abs=0.5), "about the line"
    assert {f"{float(cell['exponent']):.1f}" for cell in cells if cell["position"] == "P01"} == printed
    bounds = [cell for cell in cells if cell["part"] == "bound"]
    assert bounds
    assert all(cell["level_db"] == "" and cell["upper_bound_db"] for cell in bounds)
    assert {cell["condition"] for cell in cells} == {"open", "sealed"}


def test_the_page_shows_speed_figures_before_the_tables(report: Report) -> None:
    section = next(element for element in report.tree.iter("section") if element.attrib.get("id") == "scaling")
    kinds = [element.tag for element in section if element.tag in ("figure", "div")]
    assert kinds == ["figure", "figure", "div", "div"]
    figures = list(section.iter("figure"))
    assert figures[0].attrib["data-positions"].split()[0] == "P01"
    alts = [image.attrib["alt"] for image in section.iter("img")]
    assert "exponents n of" in alts[0]
    assert "of them weak, of two speeds" in alts[0]
    assert "scatter 0.31 dB over Strouhal number" in alts[1]
    caption = "".join(figures[0].itertext())
    assert "in air of 1.2 kg/m³: as the fit takes them" in caption
    assert "U_ref 115.2 km/h" in caption


def test_without_exponents_there_is_no_figure(report: Report, tmp_path: Path) -> None:
    none = dataclasses.replace(report.tables, folder=tmp_path)
    shelf = FigureShelf(tmp_path / "figures")
    assert speed_pictures(none, report.campaign, shelf) == []
    assert collapse_pictures(none, report.campaign, shelf) == []


def test_one_speed_gives_no_line_and_no_figure(report: Report, tmp_path: Path) -> None:
    at_one = [
        row | {"exponent": None, "left_out": ["measured at one speed"]}
        for row in cast(list[Row], report.tables.overall_scaling)
    ]
    tables = dataclasses.replace(report.tables)
    tables.__dict__["overall_scaling"] = tuple(at_one)
    assert speed_pictures(tables, report.campaign, FigureShelf(tmp_path)) == []


def collapsing(length_m: float | None = None) -> CollapseSeries:
    """Levels of n = 5 and a spectrum that moves with speed: L = 90 - 3 oct(f/U) + 50 lg(U/20), at 10 and 20 m/s."""
    levels = tuple(
        level(f"r{speed:g}", "in the fit", speed, 90.0 - 3.0 * np.log2(hz / speed) + 50.0 * np.log10(speed / 20.0), hz)
        for speed in (10.0, 20.0)
        for hz in (250.0, 500.0, 1000.0, 2000.0)
    )
    sides: Row = {}
    for side, exponent in (("strouhal", 5.0), ("frequency", 6.0)):
        sides |= {f"{side}_exponent": exponent, f"{side}_exponent_lower": exponent - 0.4}
        sides |= {f"{side}_exponent_upper": exponent + 0.4, f"{side}_scatter_db": exponent / 10.0}
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


def test_the_panels_say_exponent_scatter_and_length() -> None:
    figure = collapse_figure([collapsing(), collapsing(0.02)], Heading("t", "s"), "m/s", 2e-5)
    titles = [axes.get_title() for axes in figure.axes]
    assert titles[0] == "over f/U: exponent 5.0 (4.6 to 5.4), scatter 0.50 dB"
    assert titles[1] == "over f: exponent 6.0 (5.6 to 6.4), scatter 0.60 dB"
    assert titles[2].startswith("over St:")
    assert figure.axes[2].get_xlabel() == "St = f l/U, l = 20 mm (cavities: rail)"
    spans = {round(float(np.ptp(axes.get_ylim())), 6) for axes in figure.axes}
    assert len(spans) == 1, "a decibel is as high in every panel"


def test_the_mean_line_breaks_where_a_band_is_missing() -> None:
    """Octaves of 250, 500 and 2000 Hz: no line from 500 to 2000 Hz; two runs of a band are one point, their mean."""

    def point(hz: float, value: float) -> tuple[SpeedLevel, float, float]:
        edges = {"lower_hz": hz / 2**0.5, "upper_hz": hz * 2**0.5}
        return dataclasses.replace(level("r1", "in the fit", 20.0, value, hz), **edges), hz, value

    line = mean_line([point(2000.0, 60.0), point(250.0, 80.0), point(500.0, 70.0), point(500.0, 74.0)])
    np.testing.assert_array_equal(line, [[250.0, 80.0], [500.0, 72.0], [np.nan, np.nan], [2000.0, 60.0]])


def test_the_collapse_says_how_many_levels_and_at_which_yaw(report: Report, tmp_path: Path) -> None:
    figure = collapse_figure([collapsing()], Heading("t", "s"), "m/s", 2e-5)
    assert [text.get_text() for text in figure.axes[0].texts] == ["P01, Open, april   n = 8 levels"]
    headings: list[Heading] = []

    class Shelf(FigureShelf):
        def add(self, parts: Any, drawing: Any, **given: Any) -> Any:
            headings.extend(each for each in drawing.args if isinstance(each, Heading))
            return super().add(parts, drawing, **given)

    collapse_pictures(report.tables, report.campaign, Shelf(tmp_path))
    assert any("· yaw 0° ·" in heading.selection for heading in headings)


def test_speeds_differ_by_mark_dashes_and_shade() -> None:
    looks = [speed_look(index, 4) for index in range(4)]
    for part in range(3):
        assert len({str(look[part]) for look in looks}) == 4
    shades = [int(colour[1:3], 16) + int(colour[3:5], 16) + int(colour[5:7], 16) for colour, *_ in looks]
    assert shades == sorted(shades, reverse=True), "darker with speed, in grey too"
    figure = collapse_figure([collapsing()], Heading("t", "s"), "m/s", 2e-5)
    marks = {line.get_marker() for line in figure.axes[0].lines if (line.get_gid() or "").startswith("strouhal")}
    assert len(marks) == 2


def test_the_collapse_takes_the_levels_of_the_fits(report: Report) -> None:
    cells = numbers_of(report, "collapse_van-built")
    assert {cell["position"] for cell in cells} == {"P01", "P02", "P03", "P04"}
    bands = {(row["run"], row["position"], row["band_hz"]): row for row in report.tables.bands["april"].to_pylist()}
    for cell in cells:
        row = bands[cell["run"], cell["position"], float(cell["band_hz"])]
        in_air = row["corrected_level_db"] - 20.0 * np.log10(1.19 / 1.2)
        assert float(cell["level_db"]) == pytest.approx(in_air, abs=1e-4)
        rise = 10.0 * np.log10(float(cell["speed_mps"]) / 32.0)
        assert float(cell["at_reference_by_strouhal_db"]) == pytest.approx(in_air - 5.0 * rise, abs=1e-4)
        assert float(cell["at_reference_by_frequency_db"]) == pytest.approx(in_air - 6.0 * rise, abs=1e-4)
        assert float(cell["per_m"]) == pytest.approx(row["midband_hz"] / float(cell["speed_mps"]), rel=1e-5)
    speeds = sorted({float(cell["speed_mps"]) for cell in cells})
    assert speeds == pytest.approx([1.002 * speed for speed in SPEEDS_MPS])


def test_bands_without_two_speeds_and_bounds_are_in_no_collapse(report: Report) -> None:
    quiet = next(row for row in report.tables.collapse if row["position"] == "P08")
    levels = band_levels(report.tables, report.campaign, quiet)
    fits = {row["band_hz"]: row for row in report.tables.band_scaling(quiet)}
    assert any(row["exponent"] is None for row in fits.values()), "bands of bounds alone at one of the speeds"
    assert {each.band_hz for each in levels} == {band for band, row in fits.items() if row["exponent"] is not None}
    assert all(each.part == "in the fit" for each in levels)


def test_the_largest_differences_of_the_scatters_come_first_one_a_position() -> None:
    def row(position: str, condition: str, one: float | None, other: float | None) -> Row:
        return {"position": position, "condition": condition, "session": "april",
                "strouhal_scatter_db": one, "frequency_scatter_db": other}  # fmt: skip

    rows = [row("P1", "a", 0.3, 1.0), row("P1", "b", 0.3, 2.0), row("P2", "a", 1.5, 0.2), row("P3", "a", None, None)]
    assert [(each["position"], each["condition"]) for each in most_different(rows)] == [("P1", "b"), ("P2", "a")]
    assert len(most_different([row(f"P{k}", "a", 0.1, 0.1 * k) for k in range(9)])) == 4


def test_figures_are_drawn_with_the_report_style(report: Report, tmp_path: Path) -> None:
    shelf = FigureShelf(tmp_path)
    made = speed_pictures(report.tables, report.campaign, shelf)
    shelf.draw()
    assert [picture.file for picture in made] == [f"{tmp_path.name}/{Path(made[0].file).name}"]
    assert made[0].subject.comparison == ""
