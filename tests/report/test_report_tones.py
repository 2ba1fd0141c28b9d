"""The section on tones: planted lines are found with their level, followed by rays, and held against backgrounds."""

from __future__ import annotations

import csv
import dataclasses
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from built_report import DIGEST, Report
from built_results import write_empty
from built_tones import FIXED_HZ, PER_M, SPEEDS_MPS, TONE_DB, run_rows, tone_campaign, tone_hz, write_tones
from tapeline.report.figure_panels import Heading
from tapeline.report.figure_style import report_style
from tapeline.report.figures_waterfall import Stack, Waterfall, highest_shown_hz, rays_per_m, stacking, waterfall_figure
from tapeline.report.pictures_tones import TonesPart, _message, shown_positions, tones_part
from tapeline.report.tone_runs import MOST_SPEEDS, searched_conditions, tone_runs

from tapeline.report.figure_files import FigureShelf
from tapeline.report.finished_tables import FinishedTables, Spectrum, read_finished
from tapeline.report.page import write_report
from tapeline.report.tone_search import ToneLine, tone_lines


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tones")
    write_tones(folder)
    return folder


@pytest.fixture(scope="module")
def tables(results: Path) -> FinishedTables:
    return read_finished(results)


@pytest.fixture(scope="module")
def lines(tables: FinishedTables) -> list[ToneLine]:
    campaign = tone_campaign()
    chosen = tone_runs(tables, campaign)
    assert chosen is not None
    return tone_lines(tables, campaign, chosen, ["T1", "T2", "T3"])


@pytest.fixture(scope="module")
def part(results: Path, tables: FinishedTables) -> TonesPart:
    shelf = FigureShelf(results / "figures")
    made = tones_part(tables, tone_campaign(), shelf)
    shelf.draw()
    assert made is not None
    return made


def test_all_planted_tones_are_found_and_nothing_else(lines: list[ToneLine]) -> None:
    runs = [run for run in run_rows(SPEEDS_MPS) if run["kind"] == "measurement" and run["run"] != "open-later"]
    planted = {("T1", run["run"], tone_hz(run)) for run in runs} | {("T2", run["run"], FIXED_HZ) for run in runs}
    assert {(line.position, line.run, line.frequency_hz) for line in lines} == planted


def test_a_tone_beside_a_band_s_edge_is_found_once(tmp_path: Path) -> None:
    """The last line below 707.9 Hz: the next band has a quarter of the tone on its first line (Hann, Harris 1978)."""
    tables, campaign = write_tones(tmp_path, more_hz=704.0), tone_campaign()
    chosen = tone_runs(tables, campaign)
    assert chosen is not None
    found = [line.frequency_hz for line in tone_lines(tables, campaign, chosen, ["T3"])]
    assert found == [704.0] * len(found) != []


def test_level_and_height_are_those_of_the_planted_tone(lines: list[ToneLine]) -> None:
    """A Hann window's middle line holds 2/3 of a tone's power (Harris 1978): 94 dB - 1.76 dB - 10 lg 4 over 60 dB."""
    for line in lines:
        assert line.level_db == pytest.approx(TONE_DB, abs=0.1)
        expected = TONE_DB + 10.0 * np.log10(2.0 / 3.0 / 4.0) - 60.0
        assert line.above_db == pytest.approx(expected, abs=1.0), "noise scatters by 0.6 dB a line"


def test_f_over_u_is_of_the_achieved_speed_and_st_of_the_stated_length(lines: list[ToneLine]) -> None:
    of_flow = [line for line in lines if line.position == "T1"]
    assert {round(line.speed_mps / line.nominal_mps, 6) for line in of_flow} == {1.01}
    for line in of_flow:
        assert line.per_m == pytest.approx(PER_M, rel=2.0 / line.frequency_hz)
        assert line.strouhal == pytest.approx(line.per_m * 0.01)
    assert {line.strouhal for line in lines if line.position == "T2"} == {None}, "no length is stated there"


def test_lines_of_the_background_and_of_the_wind_off_run_are_told(lines: list[ToneLine], part: TonesPart) -> None:
    assert {(line.position, line.also_in) for line in lines} == {("T1", ()), ("T2", ("background", "wind off"))}
    assert {line.looked_in for line in lines} == {("background", "wind off")}
    cells = {(row[0], row[-1]) for row in part.lines.rows}
    assert cells == {("T1", "not in background or wind off"), ("T2", "background and wind off")}


def test_the_table_and_the_figure_have_the_same_numbers(part: TonesPart, lines: list[ToneLine], results: Path) -> None:
    assert part.picture is not None
    with (results / "figures" / Path(part.picture.data_file).name).open(encoding="utf-8", newline="") as stream:
        marked = [row for row in csv.DictReader(stream) if row["above_median_db"]]
    drawn = {(row["position"], row["run"], float(row["frequency_hz"])): row for row in marked}
    assert len(drawn) == len(lines) == len(part.lines.rows)
    for line, cells in zip(lines, part.lines.rows, strict=True):
        row = drawn[line.position, line.run, line.frequency_hz]
        assert float(row["line_level_db"]) == pytest.approx(line.level_db, rel=1e-6)
        assert float(row["speed_mps"]) == pytest.approx(line.speed_mps, rel=1e-6)
        assert cells[3:7] == (line.run, f"{line.frequency_hz:g}", f"{line.above_db:.1f}", f"{line.level_db:.1f}")
    first = next(row for row in part.lines.rows if row[0] == "T1")
    assert first[7].startswith("St 0.499")
    assert next(row for row in part.lines.rows if row[0] == "T2")[7].endswith("/m")


def test_the_section_states_its_rule_and_what_it_is_not(part: TonesPart) -> None:
    assert "10 dB or more above the median line" in part.words
    assert "3 positions" in part.words
    assert "open-0, open-1, open-2, open-3" in part.words
    assert "not the tonality method of any standard" in part.lines.note
    assert "is not made here" in part.lines.note
    assert part.picture is not None
    assert "16 lines stand out" in part.picture.alt
    assert part.picture.subject.positions == ("T1", "T2", "T3")
    assert "l = 10 mm (cavities: rail)" in part.picture.caption


def spectrum(run: str, peak_hz: float, peak_db: float = 90.0) -> Spectrum:
    hz = 4.0 * np.arange(1, 501)
    psd = np.full(hz.size, 4e-10 * 10.0**6.0)
    psd[hz == peak_hz] = 4e-10 * 10.0 ** (peak_db / 10.0)
    return Spectrum(run, "T1", hz, psd, None)


def line_of(run: str, speed_mps: float, frequency_hz: float, also_in: tuple[str, ...] = ()) -> ToneLine:
    psd = 4e-10 * 10.0**9.0
    return ToneLine("T1", "open", run, speed_mps, speed_mps, frequency_hz, 4.0, 30.0, 92.0, psd, None, (), also_in)


def test_marks_of_a_tone_of_the_flow_lie_on_a_ray() -> None:
    """f = 20/m U: 400 Hz at 20 m/s and 800 Hz at 40 m/s lie on the straight line from the origin through both."""
    panel = Waterfall(
        "T1",
        "open",
        ((20.0, 20.0, spectrum("r1", 400.0)), (40.0, 40.0, spectrum("r2", 800.0))),
        (line_of("r1", 20.0, 400.0), line_of("r2", 40.0, 800.0)),
        None,
    )
    figure = waterfall_figure([panel], {"open": "Open"}, Heading("t", "s"), "m/s", 2e-5)
    stack = stacking([panel], 2e-5)
    assert stack is not None
    drawn = {line.get_gid(): line for line in figure.axes[0].lines}
    marks = [line.get_xydata()[0] for line in figure.axes[0].lines if line.get_gid() == "stands out"]
    assert np.allclose(marks, [[400.0, 20.0], [800.0, 40.0]])
    hz, speed = drawn["ray 20"].get_xdata(), drawn["ray 20"].get_ydata()
    assert np.allclose(hz, 20.0 * np.asarray(speed))
    assert all(line.get_linestyle() == "--" for name, line in drawn.items() if name and name.startswith("ray"))


def test_heights_of_the_stack_are_decibels_of_one_scale() -> None:
    """Worked example: floor 60 dB, 0.5 m/s a decibel; 80 dB at 20 m/s lie at 30 m/s, and below the floor is cut."""
    stack = Stack(60.0, 0.5)
    assert np.allclose(stack.height_mps(20.0, np.array([80.0, 60.0, 40.0])), [30.0, 20.0, 20.0])
    spectra = ((20.0, 20.2, spectrum("r1", 400.0)), (40.0, 40.4, spectrum("r2", 800.0)))
    panel = Waterfall("T1", "open", spectra, (), None)
    figure = waterfall_figure([panel], {"open": "Open"}, Heading("t", "s"), "km/h", 2e-5)
    found = stacking([panel], 2e-5)
    assert found is not None
    curve = next(line for line in figure.axes[0].lines if line.get_gid() == "speed 20")
    top = np.asarray(curve.get_ydata()).max()
    assert top == pytest.approx(3.6 * (20.2 + found.mps_per_db * (90.0 - found.floor_db)))
    bar = next(line for line in figure.axes[0].lines if line.get_gid() == "bar")
    assert np.ptp(bar.get_ydata()) == pytest.approx(3.6 * 20.0 * found.mps_per_db)


def test_the_picture_states_base_line_bar_and_reference() -> None:
    spectra = ((20.0, 20.0, spectrum("r1", 400.0)), (40.0, 40.0, spectrum("r2", 800.0)))
    panel = Waterfall("T1", "open", spectra, (), None)
    figure = waterfall_figure([panel], {"open": "Open"}, Heading("t", "s"), "m/s", 2e-5)
    stack = stacking([panel], 2e-5)
    assert stack is not None
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert labels[-1] == f"bar 20 dB; base line {stack.floor_db:g} dB re (20 µPa)²/Hz or less"


@pytest.mark.parametrize("speeds", [(20.0,), (20.0, 40.0)])
@pytest.mark.parametrize("size", [0, 5])
@pytest.mark.parametrize("alone", [True, False])
def test_a_spectrum_without_any_number_is_no_error(speeds: tuple[float, ...], size: int, alone: bool) -> None:
    hertz = 4.0 * np.arange(1, size + 1)
    spectra = [Spectrum(f"r{mps:g}", "T1", hertz, np.full(size, np.nan), None) for mps in speeds]
    if not alone:
        spectra[0] = spectrum("r20", 400.0)
    stacked = tuple((mps, mps, each) for mps, each in zip(speeds, spectra, strict=True))
    panel = Waterfall("T1", "open", stacked, (), None)
    figure = waterfall_figure([panel], {"open": "Open"}, Heading("t", "s"), "m/s", 2e-5)
    assert np.isfinite(figure.axes[0].get_ylim()).all()
    empty = [line for line in figure.axes[0].lines if line.get_gid() == f"speed {speeds[-1]:g}"]
    assert len(empty) == 1
    assert np.isfinite(np.asarray(empty[0].get_ydata(), float)).any() == (not alone and len(speeds) == 1)


def test_lines_without_power_lie_on_the_base_line_and_missing_ones_are_gaps() -> None:
    full = spectrum("r1", 400.0)
    psd = full.psd.copy()
    psd[:2] = 0.0, np.nan
    spectra = ((20.0, 20.0, Spectrum("r1", "T1", full.frequency_hz, psd, None)), (40.0, 40.0, full))
    panel = Waterfall("T1", "open", spectra, (), None)
    figure = waterfall_figure([panel], {"open": "Open"}, Heading("t", "s"), "m/s", 2e-5)
    curve = next(line for line in figure.axes[0].lines if line.get_gid() == "speed 20")
    heights = np.asarray(curve.get_ydata(), float)
    assert heights[0] == 20.0
    assert np.isnan(heights[1])


@pytest.mark.parametrize("count", [1, 2])
def test_one_line_stands_out_and_two_stand_out(tables: FinishedTables, lines: list[ToneLine], count: int) -> None:
    said = _message(tone_campaign(), lines[:count], ["T1"])
    assert ("1 line stands out" if count == 1 else "2 lines stand out") in said


@pytest.mark.parametrize(
    ("top_hz", "fastest_mps", "length_m", "expected"),
    [
        (1000.0, 40.0, None, [5.0, 10.0, 15.0, 20.0, 25.0]),
        (1000.0, 40.0, 0.02, [5.0, 10.0, 15.0, 20.0, 25.0]),
        (2000.0, 50.0, None, [10.0, 20.0, 30.0, 40.0]),
    ],
)
def test_rays_have_round_values(
    top_hz: float, fastest_mps: float, length_m: float | None, expected: list[float]
) -> None:
    """At 40 m/s 1000 Hz is 25/m; with 20 mm that is St 0.5, in steps of 0.1 again 5/m."""
    assert rays_per_m(top_hz, fastest_mps, length_m) == pytest.approx(expected)


def test_the_axis_holds_the_lines_that_stand_out_and_all_where_there_are_none() -> None:
    alone = Waterfall("T1", "open", ((20.0, 20.0, spectrum("r1", 400.0)),), (), None)
    assert highest_shown_hz([alone]) == 2000.0
    marked = Waterfall("T1", "open", alone.spectra, (line_of("r1", 20.0, 1000.0),), None)
    assert highest_shown_hz([marked]) == 1500.0


def test_one_speed_gives_its_spectra_over_the_density(tmp_path: Path) -> None:
    tables = write_tones(tmp_path, (20.0,))
    with report_style():
        part = tones_part(tables, tone_campaign(), FigureShelf(tmp_path / "figures"))
    assert part is not None
    assert part.picture is not None
    assert "at the one speed" in part.picture.caption
    assert part.picture.subject.point == "72 km/h, yaw 0°"
    assert len(part.lines.rows) == 4
    mark = line_of("r1", 20.0, 400.0, ("background",))
    panel = Waterfall("T1", "open", ((20.0, 20.0, spectrum("r1", 400.0)),), (mark,), None)
    figure = waterfall_figure([panel], {"open": "Open"}, Heading("t", "s"), "km/h", 2e-5)
    stack = stacking([panel], 2e-5)
    assert stack is None
    (drawn,) = [line for line in figure.axes[0].lines if line.get_gid() == "also in background"]
    assert np.allclose(drawn.get_xydata(), [[400.0, 90.0]])
    assert drawn.get_markerfacecolor() == "white"
    assert not [line for line in figure.axes[0].lines if (line.get_gid() or "").startswith("ray")]


def test_no_line_that_stands_out_is_said(tmp_path: Path) -> None:
    tables = write_tones(tmp_path)
    campaign = tone_campaign(scaling={"tonal_above_db": 60.0})
    with report_style():
        part = tones_part(tables, campaign, FigureShelf(tmp_path / "figures"))
    assert part is not None
    assert part.lines.rows == ()
    assert part.none == "No line stands out by 60 dB or more in these runs."
    assert part.picture is not None
    assert "no line stands 60 dB above" in part.picture.alt
    write_report(campaign, tmp_path, tmp_path / "report.html", DIGEST, version=1)
    assert part.none in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_unusable_channels_are_not_searched_and_other_runs_come_first(tables: FinishedTables) -> None:
    campaign = tone_campaign()
    faulty = {"run": "open-0", "position": "T1", "verdict": "unusable"}
    changed = dataclasses.replace(tables, quality=(faulty,))
    chosen = tone_runs(changed, campaign)
    assert chosen is not None
    assert chosen.runs["open"][0]["run"] == "open-later"
    again = dataclasses.replace(tables, quality=(faulty | {"run": "open-1"},))
    chosen = tone_runs(again, campaign)
    assert chosen is not None
    found = tone_lines(again, campaign, chosen, ["T1"])
    assert "open-1" in chosen.names
    assert "open-1" not in {line.run for line in found}


def test_the_conditions_are_the_reference_and_the_first_treatment_or_what_is_left(tables: FinishedTables) -> None:
    assert searched_conditions(tone_campaign()) == ["open", "sealed"]
    reversed_first = tone_campaign(
        reference_condition="open", comparisons={"first": {"reference": "sealed", "treatment": "open"}}
    )
    assert searched_conditions(reversed_first) == ["open", "sealed"]
    many = tuple(float(speed) for speed in range(20, 50))
    rows = tuple({**row, "recorded_at": None} for row in run_rows(many))
    chosen = tone_runs(dataclasses.replace(tables, runs=rows), tone_campaign())
    assert chosen is not None
    assert len(chosen.runs["open"]) == MOST_SPEEDS
    assert (chosen.speeds_mps[0], chosen.speeds_mps[-1]) == (20.0, 49.0)


def test_positions_ranked_first_get_panels_and_so_does_the_clearest_line(tables: FinishedTables) -> None:
    campaign = tone_campaign()
    places = [f"P{k:02d}" for k in range(1, 8)]
    ranking = tuple(
        {"rank": k, "place": k, "comparison": "whole-seam", "position": name} for k, name in enumerate(places, start=1)
    )
    rows = tuple({"position": name} for name in places)
    changed = dataclasses.replace(tables, positions=rows, ranking=ranking)
    assert shown_positions(changed, campaign, []) == ["P01", "P02", "P03", "P04"]
    clearest = line_of("r1", 20.0, 400.0)
    object.__setattr__(clearest, "position", "P07")
    assert shown_positions(changed, campaign, [clearest]) == ["P01", "P02", "P03", "P07"]


def test_without_runs_the_section_says_so(tmp_path: Path) -> None:
    write_empty(tmp_path)
    assert tones_part(read_finished(tmp_path), tone_campaign(), FigureShelf(tmp_path / "figures")) is None


def test_the_page_has_the_section_between_speed_and_quality(report: Report) -> None:
    headings = [element.text for element in report.tree.iter("h2")]
    place = headings.index("Tones")
    assert headings[place - 1 : place + 2] == ["Speed scaling", "Tones", "Quality"]
    section = next(element for element in report.tree.iter("section") if element.attrib.get("id") == "tones")
    words = "".join(section.itertext())
    assert "In each third-octave band" in words
    assert len(list(section.iter("figure"))) == 1
    table: ElementTree.Element = next(section.iter("table"))
    assert {row[0].text for row in table.iter("tr")} == {"position", "P04"}, "the built results have one tone, at P04"
