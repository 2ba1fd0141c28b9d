"""Tones: planted lines are found with their level, said plainly, drawn on rays, held against backgrounds."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from built_report import Report
from built_results import write_empty
from built_tones import FIXED_HZ, PER_M, SPEEDS_MPS, TONE_DB, run_rows, tone_campaign, tone_hz, write_tones
from drawings import figures_of, paths_of, points_of, said_in, steps_of, table_in, value_at, words_of

from tapeline.report.blocks import Section
from tapeline.report.charts.figure import Figure
from tapeline.report.finished_tables import FinishedTables, Spectrum, read_finished
from tapeline.report.sections.tones import Tones, follows_words, tone_sentences, tones_sections
from tapeline.report.sections.waterfall import (
    Stack,
    Waterfall,
    drawn_waterfalls,
    highest_shown_hz,
    rays_per_m,
    stacking,
)
from tapeline.report.tone_search import MOST_SPEEDS, ToneLine, searched_conditions, tone_lines, tone_runs


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> FinishedTables:
    folder = tmp_path_factory.mktemp("tones")
    write_tones(folder)
    return read_finished(folder)


@pytest.fixture(scope="module")
def lines(tables: FinishedTables) -> list[ToneLine]:
    campaign = tone_campaign()
    chosen = tone_runs(tables, campaign)
    assert chosen is not None
    return tone_lines(tables, campaign, chosen, ["T1", "T2", "T3"])


@pytest.fixture(scope="module")
def section(tables: FinishedTables) -> Section:
    (made,) = tones_sections(tables, tone_campaign())
    return made


@pytest.fixture(scope="module")
def figure(section: Section) -> Figure:
    (made,) = figures_of([section])
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


def test_lines_of_the_background_and_of_the_wind_off_run_are_told(lines: list[ToneLine], section: Section) -> None:
    assert {(line.position, line.also_in) for line in lines} == {("T1", ()), ("T2", ("background", "wind off"))}
    assert {line.looked_in for line in lines} == {("background", "wind off")}
    cells = {(row[0], row[-1]) for row in table_in(section.blocks, "outstanding-lines").rows}
    assert cells == {("T1", "not in background or wind off"), ("T2", "background and wind off")}


def test_the_table_and_the_figure_have_the_same_numbers(
    section: Section, figure: Figure, lines: list[ToneLine]
) -> None:
    columns = figure.data.columns
    marked = [index for index, above in enumerate(columns["above_median_db"]) if above is not None]
    drawn = {(columns["position"][at], columns["run"][at], float(columns["frequency_hz"][at])): at for at in marked}
    rows = table_in(section.blocks, "outstanding-lines").rows
    assert len(drawn) == len(lines) == len(rows)
    for line, cells in zip(lines, rows, strict=True):
        at = drawn[line.position, line.run, line.frequency_hz]
        assert columns["line_level_db"][at] == line.level_db
        assert columns["speed_mps"][at] == line.speed_mps
        assert cells[3:7] == (line.run, f"{line.frequency_hz:g}", f"{line.above_db:.1f}", f"{line.level_db:.1f}")
    assert str(next(row for row in rows if row[0] == "T1")[7]).startswith("St 0.499")
    assert str(next(row for row in rows if row[0] == "T2")[7]).endswith("/m")


def test_one_plain_sentence_a_position_says_which_whether_it_follows_and_whether_tape_removes_it(
    section: Section,
) -> None:
    """At T1 f/U is 50/m at all four speeds, at T2 600 Hz stays; both conditions have either tone, as loud."""
    said = said_in(section.blocks[:1]).split("\n")
    (flow,) = [
        words
        for words in said
        if words.startswith("At T1 a tone stands out: 1008 Hz at 72.7 km/h, 2020 Hz at 145.4 km/h")
    ]
    (fixed,) = [words for words in said if words.startswith("At T2 a tone stands out: 600 Hz")]
    assert "(Seam open). It follows speed (St 0.499 and St 0.5)." in flow
    assert flow.endswith("It remains with Seam taped at $5 & $6 a roll: it is as loud.")
    assert "It does not follow speed: its frequency stays" in fixed
    assert "It is in the background too." in fixed


def test_a_tone_that_the_other_condition_lacks_is_said_to_be_gone(
    tables: FinishedTables, lines: list[ToneLine]
) -> None:
    campaign = tone_campaign()
    chosen = tone_runs(tables, campaign)
    assert chosen is not None
    alone = tuple(line for line in lines if line.position == "T1" and line.condition == "open")
    (said,) = tone_sentences(campaign, Tones(chosen, alone))
    assert said.endswith("It does not stand out with Seam taped at $5 & $6 a roll.")
    some = (*alone, *(line for line in lines if line.run == "sealed-0" and line.position == "T1"))
    (said,) = tone_sentences(campaign, Tones(chosen, some))
    assert said.endswith("It stands out with Seam taped at $5 & $6 a roll too, at 1 of 4 speeds.")


def test_neither_nor_and_one_speed_are_said() -> None:
    slow = line_of("r1", 20.0, 400.0)
    assert follows_words([slow]) == "One speed cannot tell whether it follows speed."
    assert follows_words([slow, line_of("r2", 40.0, 800.0)]).startswith("It follows speed")
    assert follows_words([slow, line_of("r2", 40.0, 404.0)]).startswith("It does not follow speed")
    assert follows_words([slow, line_of("r2", 40.0, 566.0)]).startswith("Its frequency neither stays nor rises")


def test_the_section_states_its_rule_and_what_it_is_not(section: Section, figure: Figure) -> None:
    words = said_in(section.blocks)
    assert "10 dB or more above the median line" in words
    assert "3 positions" in words
    assert "open-0, open-1, open-2, open-3" in words
    assert "not the tonality method of any standard" in table_in(section.blocks, "outstanding-lines").note
    assert "16 lines stand out" in figure.alt
    assert set(figure.data.columns["position"]) == {"T1", "T2"}, "only where something stands out"
    assert "l = 10 mm (cavities: rail)" in figure.caption


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
    spectra = ((20.0, 20.0, spectrum("r1", 400.0)), (40.0, 40.0, spectrum("r2", 800.0)))
    own = Waterfall("T1", "open", spectra, (line_of("r1", 20.0, 400.0), line_of("r2", 40.0, 800.0)), None)
    campaign = tone_campaign(report={"speed_unit": "m/s"})
    (panel,), _ = drawn_waterfalls(campaign, [own], stacking([own], 2e-5))
    marks = [each for each in panel.readings if "tone at" in each.words]
    places = [(value_at(panel.across, each.x), value_at(panel.up, each.y)) for each in marks]
    assert places == [pytest.approx((400.0, 20.0)), pytest.approx((800.0, 40.0))]
    slopes = [
        (value_at(panel.across, x), value_at(panel.up, y))
        for path in panel.parts
        if 'class="ln li"' in path
        for x, y in points_of(path)
    ]
    assert any(hz / mps == pytest.approx(20.0, rel=0.02) for hz, mps in slopes), "a ray of 20/m is drawn"


def test_heights_of_the_stack_are_decibels_of_one_scale() -> None:
    """Worked example: floor 60 dB, 0.5 m/s a decibel; 80 dB at 20 m/s lie at 30 m/s, and below the floor is cut."""
    stack = Stack(60.0, 0.5)
    np.testing.assert_allclose(stack.height_mps(20.0, np.array([80.0, 60.0, 40.0])), [30.0, 20.0, 20.0])
    spectra = ((20.0, 20.2, spectrum("r1", 400.0)), (40.0, 40.4, spectrum("r2", 800.0)))
    own = Waterfall("T1", "open", spectra, (), None)
    found = stacking([own], 2e-5)
    assert found is not None
    (panel,), _ = drawn_waterfalls(tone_campaign(), [own], found)
    curves = [part for part in panel.parts if 'class="ln c0 thin"' in part]
    top = min(y for _, y in steps_of(curves[-1].split('"')[1]))
    assert value_at(panel.up, top) == pytest.approx(3.6 * (20.2 + found.mps_per_db * (90.0 - found.floor_db)), abs=0.2)


@pytest.mark.parametrize("speeds", [(20.0,), (20.0, 40.0)])
@pytest.mark.parametrize("size", [0, 5])
@pytest.mark.parametrize("alone", [True, False])
def test_a_spectrum_without_any_number_is_no_error(speeds: tuple[float, ...], size: int, alone: bool) -> None:
    hertz = 4.0 * np.arange(1, size + 1)
    spectra = [Spectrum(f"r{mps:g}", "T1", hertz, np.full(size, np.nan), None) for mps in speeds]
    if not alone:
        spectra[0] = spectrum("r20", 400.0)
    own = Waterfall("T1", "open", tuple((mps, mps, each) for mps, each in zip(speeds, spectra, strict=True)), (), None)
    (panel,), _ = drawn_waterfalls(tone_campaign(), [own], stacking([own], 2e-5))
    assert np.isfinite(panel.y).all()
    assert sum('class="ln c0 thin"' in part for part in panel.parts) == (0 if alone else 1)
    assert "nan" not in panel.markup()


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
    (section,) = tones_sections(tables, tone_campaign())
    (figure,) = figures_of([section])
    assert "at the one speed" in figure.caption
    assert not paths_of(figure, "ln li"), "no ray"
    assert len(paths_of(figure, "mk ze ho")) == 2 + 1, "open marks of what is in the background too, and the legend's"
    assert "One speed cannot tell" in said_in(section.blocks)
    assert len(table_in(section.blocks, "outstanding-lines").rows) == 4


def test_where_nothing_stands_out_a_sentence_stands_in_place_of_the_figure(tables: FinishedTables) -> None:
    (section,) = tones_sections(tables, tone_campaign(scaling={"tonal_above_db": 60.0}))
    assert figures_of([section]) == []
    first = said_in(section.blocks[:1])
    assert first == "No tone stands out: no line is 60 dB or more above the median of its band."


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


def test_without_runs_the_section_says_so(tmp_path: Path) -> None:
    write_empty(tmp_path)
    (section,) = tones_sections(read_finished(tmp_path), tone_campaign())
    assert "neither of the conditions" in said_in(section.blocks)


def test_the_built_results_have_one_tone(report: Report) -> None:
    (section,) = tones_sections(report.tables, report.campaign)
    assert {row[0] for row in table_in(section.blocks, "outstanding-lines").rows} == {"P04"}
    (figure,) = figures_of([section])
    assert any(words.startswith("P04, Seam open") for words in words_of(figure))
