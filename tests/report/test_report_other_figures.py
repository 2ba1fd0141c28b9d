"""Figures of spectra, histories and positions; and figures as files."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from tapeline.report.figure_panels import HINTED, WIDEST_LETTER_EM, Heading, panel_grid, title_panel
from tapeline.report.figure_style import (
    condition_face,
    condition_look,
    condition_mark,
    report_style,
)
from tapeline.report.figures_bands import Sides, difference_figure, levels_figure
from tapeline.report.figures_conditions import conditions_figure
from tapeline.report.figures_positions import position_map
from tapeline.report.figures_spectra import history_figure, marked_lines, spectra_figure, spectra_limits
from tapeline.report.figures_speed import SpeedAxis, speed_figure
from tapeline.report.figures_waterfall import Waterfall, waterfall_figure

from tapeline.report import figure_panels
from tapeline.report.figure_data import FigureData
from tapeline.report.figure_files import FigureShelf, png_bytes, svg_bytes
from tapeline.report.finished_tables import Spectrum

HEADING = Heading("A figure", "campaign van-built")
DATA = FigureData({"across": [1.0], "up": [2.0]})
TITLES = {"open": "Seam open", "sealed": "Seam taped at $5 & $6"}


def words_of(figure: Figure) -> str:
    return " | ".join(text.get_text() for text in figure.texts)


def spectrum(run: str, psd: list[float], background: list[float] | None) -> Spectrum:
    line = np.arange(len(psd)) * 10.0
    return Spectrum(run, "P1", line, np.array(psd), None if background is None else np.array(background))


def test_densities_are_levels_re_20_micropascal_squared_per_hertz() -> None:
    """1 Pa is 93.98 dB re 20 uPa (ISO 1683 reference; 94 dB on every calibrator), so 1 Pa^2/Hz is drawn there."""
    panel = [("open", spectrum("r1", [1.0, 1.0, 0.01], [1e-4, 1e-4, 0.0])), ("sealed", spectrum("r2", [0.1] * 3, None))]
    limits = spectra_limits({"P1": panel}, 2e-5)
    with report_style():
        figure = spectra_figure({"P1": panel}, TITLES, HEADING, limits, 2e-5)
    (axes,) = figure.axes
    lines = [line for line in axes.lines if not (line.get_gid() or "").endswith("marks")]
    background, first, second = (np.asarray(line.get_ydata(), float) for line in lines)
    assert first[0] == pytest.approx(93.98, abs=0.005)
    assert first[2] == pytest.approx(73.98, abs=0.005)
    assert second[0] == pytest.approx(83.98, abs=0.005)
    assert background[0] == pytest.approx(53.98, abs=0.005)
    assert axes.get_xscale() == "log"
    assert "density, dB re (20 µPa)²/Hz" in words_of(figure)
    assert limits[0] <= 73.98
    assert limits[1] >= 93.98


def test_spectra_of_conditions_differ_in_grey_by_marks_on_their_lines() -> None:
    """Each mark is a point of its own spectrum, and those of two conditions stand beside each other."""
    levels = [1.0 + 0.001 * line for line in range(400)]
    panel = [("open", spectrum("r1", levels, None)), ("sealed", spectrum("r2", [0.1 * each for each in levels], None))]
    with report_style():
        figure = spectra_figure({"P1": panel}, TITLES, HEADING, (40.0, 110.0), 2e-5)
    (axes,) = figure.axes
    drawn = {line.get_gid(): line for line in axes.lines}
    marked = [set(np.asarray(drawn[f"{name} marks"].get_xdata()).tolist()) for name in ("open", "sealed")]
    assert min(map(len, marked)) >= 5
    assert not marked[0] & marked[1]
    for name in ("open", "sealed"):
        points = {tuple(point) for point in drawn[name].get_xydata().tolist()}
        assert {tuple(point) for point in drawn[f"{name} marks"].get_xydata().tolist()} <= points
        assert drawn[f"{name} marks"].get_marker() == condition_mark(tuple(TITLES), name)
    in_legend = [handle.get_marker() for handle in figure.legends[0].legend_handles]  # type: ignore[union-attr]
    assert in_legend[:2] == [condition_mark(tuple(TITLES), name) for name in ("open", "sealed")]
    assert axes.get_title(loc="left") == "P1   n = 2 runs"


def test_marks_are_evenly_over_the_octaves() -> None:
    """Of 1 to 10000 Hz seven marks are 4/7 of a decade apart, half of it from the ends; a line at 0 Hz has none."""
    hertz = np.arange(10001.0)
    found = hertz[marked_lines(hertz, (1.0, 10000.0), 0.5)]
    np.testing.assert_allclose(np.log10(found[2:]), (np.arange(2, 7) + 0.5) * 4.0 / 7.0, atol=0.01)
    assert marked_lines(np.zeros(1), (20.0, 10000.0), 0.5).size == 0
    assert marked_lines(np.zeros(0), (20.0, 10000.0), 0.5).size == 0


SIDES = Sides("open", "sealed", "Seam open", "Seam taped", ("open", "sealed"))
LONG = "C-pillar-lower-seam-behind-left-door-001"


def test_a_long_name_is_cut_and_the_number_of_runs_is_not() -> None:
    """Forty characters in a grid of three: what is drawn ends before the next panel begins."""
    assert len(LONG) == 40
    with report_style():
        figure, every = panel_grid(3, HEADING, "x", "y")
        for axes in every:
            title_panel(axes, LONG, "12 to 14 + 13 runs")
        FigureCanvasAgg(figure).draw()
        ends = [axes._left_title.get_window_extent() for axes in every]  # type: ignore[attr-defined]
        title_panel(every[0], "P1", "3 runs")
    for axes, end in zip(every, ends, strict=True):
        assert end.x1 <= axes.get_window_extent().x1 + 1.0
    assert every[1].get_title(loc="left").startswith("C-pillar-")
    assert every[1].get_title(loc="left").endswith("…   n = 12 to 14 + 13 runs")
    assert every[0].get_title(loc="left") == "P1   n = 3 runs"


def test_figures_of_all_kinds_cut_long_names_of_positions() -> None:
    rows = [{"time_s": 0.0, "level_db": 90.0}]
    with report_style():
        made = [
            spectra_figure({LONG: [("open", spectrum("r1", [1.0] * 3, None))] * 3, "P2": []}, TITLES, HEADING,
                           (40.0, 110.0), 2e-5),
            history_figure({name: {"open": rows} for name in (LONG, "P2", "P3")}, TITLES, HEADING, "A", 2e-5),
            levels_figure(dict.fromkeys((LONG, "P2", "P3"), ()), SIDES, HEADING, (40.0, 90.0), 2e-5),
            difference_figure(dict.fromkeys((LONG, "P2", "P3"), ()), HEADING, (-4.0, 2.0), threshold_db=0.5,
                              confidence=0.95),
            conditions_figure({name: {} for name in (LONG, "P2", "P3")}, TITLES, HEADING, (40.0, 90.0), 2e-5),
            speed_figure(dict.fromkeys((LONG, "P2", "P3"), ()), TITLES, HEADING, SpeedAxis((20.0,), "m/s"), "dB"),
            waterfall_figure([Waterfall(LONG, "open", ((20.0, 20.0, spectrum("r1", [1.0] * 3, None)),), (), None)] * 2,
                             {"open": "A condition of many words"}, HEADING, "m/s", 2e-5),
        ]  # fmt: skip
    for figure in made:
        FigureCanvasAgg(figure).draw()
        first = figure.axes[0]
        title = first._left_title  # type: ignore[attr-defined]
        assert title.get_window_extent().x1 <= first.get_window_extent().x1 + 1.0
        assert title.get_text().startswith(LONG[:12])
        assert title.get_text().endswith(("run", "runs", "no levels"))


def test_histories_keep_their_gaps() -> None:
    rows = [{"time_s": 0.125 * step, "level_db": level} for step, level in enumerate([90.0, None, 91.0])]
    with report_style():
        figure = history_figure({"P1": {"open": rows}}, TITLES, HEADING, "A", 2e-5)
    (line,) = figure.axes[0].lines
    np.testing.assert_array_equal(np.asarray(line.get_ydata(), float), [90.0, np.nan, 91.0])
    assert "A-weighted level, dB re 20 µPa" in words_of(figure)


def test_figures_for_nothing_are_still_figures() -> None:
    with report_style():
        for figure in (
            spectra_figure({}, TITLES, HEADING, spectra_limits({}, 2e-5), 2e-5),
            history_figure({}, TITLES, HEADING, "A", 2e-5),
            position_map([], HEADING)[0],
        ):
            assert svg_bytes(figure).startswith(b"<?xml")


def test_a_condition_looks_the_same_in_all_figures() -> None:
    conditions = tuple("abcdefgh")
    assert condition_look(conditions, "b") == condition_look(("x", "b"), "b")
    assert len({condition_look(conditions, name) for name in "abcdef"}) == 6
    assert condition_look(conditions, "g") == condition_look(conditions, "a")
    twelve = tuple("abcdefghijkl")
    drawn = [(condition_mark(twelve, name), condition_face(twelve, name) == "white") for name in twelve]
    assert len(set(drawn)) == 12, "mark and fill tell twelve conditions apart in grey"
    assert "v" not in {mark for mark, _ in drawn}, "as arrows of bounds look"


def small_figure() -> Figure:
    with report_style():
        return history_figure({"P1": {"open": [{"time_s": 0.0, "level_db": 90.0}]}}, TITLES, HEADING, "A", 2e-5)


def large_figure() -> Figure:
    figure = small_figure()
    figure.axes[0].plot(np.arange(20000.0), np.sin(np.arange(20000.0)) * np.arange(20000.0))
    return figure


def test_a_persons_own_plot_settings_do_not_reach_the_figures() -> None:
    def drawn() -> bytes:
        with report_style():
            return svg_bytes(small_figure())

    usual = drawn()
    with mpl.rc_context({"font.size": 30, "axes.facecolor": "red", "svg.hashsalt": None}):
        assert drawn() == usual


def test_dollar_signs_of_titles_are_no_formulas() -> None:
    with report_style():
        assert mpl.rcParams["text.parse_math"] is False
        assert b"Seam taped at $5 &amp; $6" in svg_bytes(_with_label("Seam taped at $5 & $6"))


def _with_label(label: str) -> Figure:
    with report_style():
        rows = {"sealed": [{"time_s": 0.0, "level_db": 90.0}]}
        return history_figure({"P1": rows}, {"sealed": label}, HEADING, "A", 2e-5)


def test_no_letter_is_wider_than_the_bound_by_which_names_are_taken_as_fitting() -> None:
    with report_style():
        font = FontProperties(family=mpl.rcParams["font.family"], size=10.0)
        for sign in map(chr, range(33, 127)):
            assert figure_panels._width_pt(sign * 20, font) <= 20 * 10.0 * WIDEST_LETTER_EM * HINTED, sign


@pytest.mark.parametrize("name", ["P1", 32 * "W", 32 * "i", "Türfuge"])
def test_names_are_cut_as_they_are_by_their_outlines(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    axes = Figure().add_axes((0.0, 0.0, 0.2, 1.0))
    found = figure_panels.cut_name(axes, name, "n = 12")
    monkeypatch.setattr(figure_panels, "WIDEST_LETTER_EM", float("inf"))
    assert figure_panels.cut_name(axes, name, "n = 12") == found


def test_small_figures_are_drawings_and_large_ones_pixels(tmp_path: Path) -> None:
    shelf = FigureShelf(tmp_path / "figures")
    small = shelf.add(("small",), partial(small_figure), alt="a", caption="c", data=DATA)
    pixels = shelf.add(("large",), partial(large_figure), alt="a", caption="c", data=DATA)
    shelf.draw()
    with report_style():
        assert png_bytes(large_figure()) == (tmp_path / pixels.file).read_bytes()
    assert (small.file, pixels.file) == ("figures/small.svg", "figures/large.png")
    assert small.source is not None
    assert small.source.startswith("data:image/svg+xml;base64,")


def test_names_that_run_together_do_not_overwrite_each_other(tmp_path: Path) -> None:
    shelf = FigureShelf(tmp_path / "figures")
    pictures = [
        shelf.add(parts, partial(small_figure), alt="", caption="", data=DATA) for parts in (("a_b", "c"), ("a", "b_c"))
    ]
    shelf.draw()
    assert [picture.file for picture in pictures] == ["figures/a_b_c.svg", "figures/a_b_c-2.svg"]


@pytest.mark.parametrize("part", ["../up", "a/b", "", ".hidden", "a b", "ü"])
def test_only_identifiers_become_file_names(tmp_path: Path, part: str) -> None:
    shelf = FigureShelf(tmp_path / "figures")
    with pytest.raises(ValueError, match="no identifier"):
        shelf.add(("levels", part), partial(small_figure), alt="", caption="", data=DATA)
    assert not (tmp_path / "figures").exists()
