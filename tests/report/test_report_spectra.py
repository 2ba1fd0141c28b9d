"""Narrowband spectra, level against time, spectra against time, differences by line: what is drawn is the tables."""

from __future__ import annotations

import base64
import re
import struct
import zlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from built_report import Report
from built_results import HOSTILE, built_campaign, write_empty
from drawings import figures_of, paths_of, said_in, steps_of, tree_of, words_of

from tapeline.report.blocks import Fold
from tapeline.report.charts.dense_curves import dense_path, envelope
from tapeline.report.charts.raster import shades
from tapeline.report.chosen_runs import ChosenRuns
from tapeline.report.figure_data import csv_text
from tapeline.report.finished_tables import FinishedTables, Spectrum, read_finished
from tapeline.report.sections.history import history_figure, history_sections
from tapeline.report.sections.levels import levels_sections
from tapeline.report.sections.lines import frequencies_of, lines_sections, values_of
from tapeline.report.sections.scaling import scaling_sections
from tapeline.report.sections.spectra import (
    MOST_POSITIONS,
    marked_lines,
    spectra_figure,
    spectra_limits,
    spectra_sections,
)
from tapeline.report.sections.spectrogram import (
    DEEPEST_DB,
    TimeSpectra,
    raster,
    shade_limits,
    spectrogram_figure,
    time_spectra,
)
from tapeline.report.sections.tones import tones_sections

REFERENCE_PA = 2e-5
CHOSEN = ChosenRuns("april", 27.8, 0.0, {"open": "r1", "sealed": "r2"})


def spectrum(run: str, psd: list[float], background: list[float] | None) -> Spectrum:
    line = np.arange(len(psd)) * 10.0
    return Spectrum(run, "P1", line, np.array(psd), None if background is None else np.array(background))


def test_densities_are_levels_re_20_micropascal_squared_per_hertz() -> None:
    """1 Pa is 93.98 dB re 20 uPa (ISO 1683 reference; 94 dB on every calibrator), so 1 Pa^2/Hz is drawn there."""
    panel = [("open", spectrum("r1", [1.0, 1.0, 0.01], [1e-4, 1e-4, 0.0])), ("sealed", spectrum("r2", [0.1] * 3, None))]
    limits = spectra_limits({"P1": panel}, REFERENCE_PA)
    assert limits[0] <= 73.98
    assert limits[1] >= 93.98
    figure = spectra_figure(built_campaign(), CHOSEN, "P1", panel, limits)
    columns = figure.data.columns
    assert list(columns["psd_db"]) == pytest.approx([93.98, 93.98, 73.98, 83.98, 83.98, 83.98], abs=0.005)
    assert columns["background_psd_db"][0] == pytest.approx(53.98, abs=0.005)
    assert np.isnan(columns["background_psd_db"][3:]).all(), "the background of the first run alone"
    (curve,) = paths_of(figure, "ln c0 thin")
    (_, upper), (_, lower) = steps_of(curve)
    span = limits[1] - limits[0]
    assert (lower - upper) / (250.0 - 22.0) * span == pytest.approx(20.0, abs=0.1), "20 dB from 10 to 20 Hz"
    assert any("10 Hz: Seam open 94.0 dB" in each.words for each in figure.readings)
    assert csv_text(figure.data).count("\r\n") == 1 + 6


def test_conditions_are_told_without_colour_by_marks_that_move_with_the_frequencies() -> None:
    levels = [1.0 + 0.001 * line for line in range(400)]
    panel = [("open", spectrum("r1", levels, None)), ("sealed", spectrum("r2", [0.1 * each for each in levels], None))]
    tree = tree_of(spectra_figure(built_campaign(), CHOSEN, "P1", panel, (40.0, 110.0)))
    marks = [
        found
        for found in tree.iter()
        if (found.attrib.get("class") or "").startswith("mk c") and "data-x" in found.attrib
    ]
    assert {found.attrib["class"] for found in marks} == {"mk c0", "mk c1"}
    places = [float(found.attrib["data-x"]) for found in marks]
    assert len(set(places)) == len(places) >= 10, "beside each other"


def test_marks_are_evenly_over_the_octaves() -> None:
    """Of 1 to 10000 Hz seven marks are 4/7 of a decade apart, half of it from the ends; a line at 0 Hz has none."""
    hertz = np.arange(10001.0)
    found = hertz[marked_lines(hertz, (1.0, 10000.0), 0.5)]
    np.testing.assert_allclose(np.log10(found[2:]), (np.arange(2, 7) + 0.5) * 4.0 / 7.0, atol=0.01)
    assert marked_lines(np.zeros(1), (20.0, 10000.0), 0.5).size == 0
    assert marked_lines(np.zeros(0), (20.0, 10000.0), 0.5).size == 0


def test_every_position_has_its_spectra_and_of_many_those_ranked_first(report: Report) -> None:
    (section,) = spectra_sections(report.tables, report.campaign)
    assert section.is_folded
    folds = [block for block in section.blocks if isinstance(block, Fold)]
    assert [fold.title for fold in folds] == [row["position"] for row in report.tables.positions]
    assert [fold.is_open for fold in folds] == [True, *[False] * (len(folds) - 1)]
    (tone,) = [each for each in figures_of([section]) if each.name[-1] == "P04"]
    assert "Largest line: Seam open at 1940 Hz" in tone.alt
    found = {
        (row.run, row.position): row for row in report.tables.spectra("april", [tone.data.columns["run"][0]], ["P04"])
    }
    own = found[tone.data.columns["run"][0], "P04"]
    np.testing.assert_allclose(tone.data.columns["psd_db"][: own.psd.size], 10 * np.log10(own.psd / 4e-10))
    assert len(folds) <= MOST_POSITIONS


def test_of_each_half_pixel_the_lowest_and_the_highest_value_stay() -> None:
    across = np.linspace(0.0, 9.99, 1000)
    values = np.sin(across * 40.0)
    values[437] = 50.0
    kept, held = envelope(across, values)
    assert held.max() == 50.0
    assert held.size <= 2 * 20
    assert (np.diff(kept) > 0.0).all()
    values[437] = np.nan
    assert np.isnan(envelope(across, values)[1]).sum() == 1, "a gap stays one"


def test_steps_of_a_path_lead_to_the_same_places() -> None:
    places = [(10.0, 5.0), (10.3, 4.7), (13.0, 4.7), (13.55, 120.0), (14.0, 0.04)]
    np.testing.assert_allclose(steps_of(dense_path(places)), places, atol=0.051)
    assert dense_path([*places[:2], (float("nan"), 1.0), *places[2:]]).count("M") == 2


def rows(times: list[float], factor: float = 1.0) -> list[dict[str, Any]]:
    """White noise of 60 dB density, 40 lines from 100 Hz on."""
    psd = [4e-10 * 1e6 * factor] * 40
    return [{"time_s": t, "first_hz": 100.0, "step_hz": 20.0, "psd_pa2_per_hz": psd} for t in times]


def test_a_gap_in_time_stays_empty() -> None:
    found = time_spectra(rows([0.25, 0.75, 2.25, 2.75]), REFERENCE_PA)
    assert found.time_s.tolist() == [0.25, 0.75, 1.25, 1.75, 2.25, 2.75]
    assert np.isnan(found.level_db).all(axis=0).tolist() == [False, False, True, True, False, False]
    assert np.allclose(found.level_db[:, 0], 60.0)
    assert found.frequency_hz[[0, -1]].tolist() == [100.0, 880.0]


def test_one_scale_holds_all_panels_and_no_more_than_sixty_decibels() -> None:
    quiet, loud = time_spectra(rows([0.0, 0.5]), REFERENCE_PA), time_spectra(rows([0.0, 0.5], 1e9), REFERENCE_PA)
    low, high = shade_limits([quiet, loud])
    assert high >= 150.0
    assert high - low == DEEPEST_DB
    assert shade_limits([]) == (0.0, 1.0)


def pixels_of(address: str) -> np.ndarray[Any, Any]:
    """Opacity by row and column of a picture of grey with opacity, lines without a filter."""
    content = base64.b64decode(address.split(",")[1])
    columns, lines = struct.unpack(">II", content[16:24])
    (size,) = struct.unpack(">I", content[33:37])
    raw = np.frombuffer(zlib.decompress(content[41 : 41 + size]), dtype=np.uint8)
    opacity = raw.reshape(lines, 1 + 2 * columns)[:, 2::2]
    return np.asarray(opacity)


def test_shades_rise_with_the_value_and_what_is_left_out_is_clear() -> None:
    opacity = pixels_of(shades(np.array([[0.0, 1.0], [0.5, np.nan]])))
    assert opacity[0, 1] == 255
    assert 0 < opacity[0, 0] < opacity[1, 0] < 255
    assert opacity[1, 1] == 0


def test_a_tone_is_a_level_line_at_its_frequency() -> None:
    """Rows are equal ratios from 8000 Hz above to 125 Hz below: 1 kHz lies half-way down."""
    hertz = np.arange(100.0, 8001.0, 20.0)
    levels = np.full((hertz.size, 30), 40.0)
    levels[hertz == 1000.0] = 90.0
    found = raster(TimeSpectra(np.arange(30.0), hertz, levels), (125.0, 8000.0))
    loud = np.flatnonzero((found == 90.0).all(axis=1))
    assert loud.tolist() in ([60], [59], [59, 60])


def test_the_figure_of_spectra_against_time_holds_its_picture_and_its_numbers() -> None:
    panels = {"seam-left": time_spectra(rows([0.0, 0.5, 2.0]), REFERENCE_PA)}
    campaign = built_campaign(spectrogram={"positions": "all"})
    figure = spectrogram_figure(campaign, CHOSEN, "open", panels, (40.0, 80.0), 3)
    (image,) = [found for found in tree_of(figure).iter() if found.tag.endswith("}image")]
    assert pixels_of(image.attrib["href"]).shape == (120, 5)
    assert figure.data.columns["psd_db at 0 s"][0] == pytest.approx(60.0)
    assert np.isnan(figure.data.columns["psd_db at 1 s"]).all()
    assert "1 of 3 positions asked for." in figure.caption
    assert any(re.match(r"seam-left, 0 s: \d+ Hz 60.0 dB", each.words) for each in figure.readings)


def test_levels_against_time_are_those_of_the_table(report: Report) -> None:
    (section,) = history_sections(report.tables, report.campaign)
    assert section.is_folded
    (figure,) = figures_of([section])
    columns = figure.data.columns
    run, weighting = columns["run"][0], report.campaign.settings.history.weighting[0]
    table = report.tables.history("april", [run], ["P01"], weighting)
    own = [
        at for at, place in enumerate(zip(columns["run"], columns["position"], strict=True)) if place == (run, "P01")
    ]
    assert [columns["level_db"][at] for at in own] == [row["level_db"] for row in table]
    assert any(each.words.startswith("P01, 0.125 s: Seam open 96.0 dB") for each in figure.readings)


def test_a_gap_in_a_level_against_time_breaks_its_line(report: Report) -> None:
    steps = [{"run": "r1", "weighting": "A", "time_s": 0.1 * k, "level_db": None if k == 2 else 90.0} for k in range(5)]
    figure = history_figure(report.tables, report.campaign, CHOSEN, {"P1": {"open": steps}})
    (curve,) = paths_of(figure, "ln c0 thin")
    assert curve.count("M") == 2
    assert len(figure.readings) == 4


def line_row(position: str, differences: Sequence[float], **changed: Any) -> Mapping[str, Any]:
    values = np.asarray(differences, dtype=np.float64)
    return {"position": position, "first_hz": 100.0, "step_hz": 10.0, "difference_db": list(values),
            "lower_db": list(values - 1.0), "upper_db": list(values + 1.0)} | changed  # fmt: skip


def test_differences_by_line_are_those_of_the_table(report: Report, monkeypatch: pytest.MonkeyPatch) -> None:
    assert lines_sections(report.tables, report.campaign) == [], "no table, no section"
    values = [0.2, -6.0, np.nan, 0.5, 9.0]
    wide = {"lower_db": [-1.0, -7.0, np.nan, -0.5, -1.0]}

    def differences(_: FinishedTables, view: Any, positions: Sequence[str]) -> list[Mapping[str, Any]]:
        return [line_row(positions[0], values, **wide)] if view[0] == "whole-seam" else []

    monkeypatch.setattr(FinishedTables, "line_differences", differences)
    (section,) = lines_sections(report.tables, report.campaign)
    assert section.is_folded
    (figure,) = figures_of([section])
    np.testing.assert_array_equal(figure.data.columns["difference_db"], values)
    np.testing.assert_array_equal(figure.data.columns["frequency_hz"], [100.0, 110.0, 120.0, 130.0, 140.0])
    assert "-6.0 dB at 110 Hz" in figure.alt, "the largest whose interval leaves out zero, not 9 dB"
    assert "km/h, yaw" in figure.caption
    (curve,) = paths_of(figure, "ln nt thin")
    assert curve.count("M") == 2, "a gap stays one"
    assert frequencies_of(line_row("P1", values))[-1] == 140.0
    assert values_of(line_row("P1", values), "upper_db")[1] == -5.0


def test_without_runs_the_sections_say_so(tmp_path: Path) -> None:
    write_empty(tmp_path)
    empty = read_finished(tmp_path)
    (spectra,), (history,) = spectra_sections(empty, built_campaign()), history_sections(empty, built_campaign())
    assert said_in(spectra.blocks) == "No spectrum: no run was used."
    assert said_in(history.blocks) == "No level against time: no run was used."


def test_a_value_beyond_the_axis_is_drawn_at_its_end() -> None:
    panel = [("open", spectrum("r1", [1.0, 1e-9, 1.0], None))]
    figure = spectra_figure(built_campaign(), CHOSEN, "P1", panel, (60.0, 100.0))
    (curve,) = paths_of(figure, "ln c0 thin")
    assert max(y for _, y in steps_of(curve)) == pytest.approx(250.0)


def test_titles_of_conditions_stay_text_in_all_these_figures(report: Report) -> None:
    titles = {name: {"title": HOSTILE, "applied": []} for name in report.campaign.settings.conditions}
    campaign = built_campaign(conditions=titles)
    made = (levels_sections, scaling_sections, tones_sections, spectra_sections, history_sections)
    drawn = [figure for sections in made for figure in figures_of(sections(report.tables, campaign))]
    assert len(drawn) >= 10
    for figure in drawn:
        tree = tree_of(figure)
        assert not [found for found in tree.iter() if found.tag.endswith("script")]
        assert not [name for found in tree.iter() for name in found.attrib if name.startswith("on")]
    assert any("<script>alert(1)</script>" in words for words in words_of(drawn[0])), "it is read as it was written"
