"""Tones: what the tables say is said plainly, and drawn where a tone is the source's own, on rays of constant f/U."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from built_results import write_empty
from built_tones import SPEEDS_MPS, TONE_DB, difference_rows, run_rows, tone_campaign, write_tones
from drawings import figures_of, paths_of, points_of, said_in, steps_of, table_in, value_at

from tapeline.report.blocks import Section
from tapeline.report.charts.figure import Figure
from tapeline.report.finished_tables import FinishedTables, Row, Spectrum, read_finished
from tapeline.report.sections.tones import MOST_SENTENCES, follows_words, tone_sentences, tones_sections, turned
from tapeline.report.sections.waterfall import (
    Stack,
    Waterfall,
    drawn_waterfalls,
    highest_shown_hz,
    rays_per_m,
    stacking,
)
from tapeline.report.tone_runs import MOST_SPEEDS, searched_conditions, tone_runs


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> FinishedTables:
    folder = tmp_path_factory.mktemp("tones")
    write_tones(folder)
    return read_finished(folder)


@pytest.fixture(scope="module")
def section(tables: FinishedTables) -> Section:
    (made,) = tones_sections(tables, tone_campaign())
    return made


@pytest.fixture(scope="module")
def figure(section: Section) -> Figure:
    (made,) = figures_of([section])
    return made


def with_rows(tables: FinishedTables, **rows: list[Row]) -> FinishedTables:
    """The tables with other rows of what is read on demand."""
    changed = dataclasses.replace(tables)
    changed.__dict__.update(rows)
    return changed


def test_the_figure_shows_the_table_s_tones_where_one_is_the_source_s_own(
    tables: FinishedTables, figure: Figure
) -> None:
    columns = figure.data.columns
    assert set(columns["position"]) == {"T1"}, "at T2 it is the background's"
    said = {
        (columns["run"][at], hertz): (columns["level_db"][at], columns["own"][at])
        for at, hertz in enumerate(columns["frequency_hz"])
        if hertz is not None
    }
    rows = [row for row in tables.tones if row["position"] == "T1" and row["run"] != "open-later"]
    assert said == {(row["run"], row["frequency_hz"]): (row["level_db"], row["own"]) for row in rows}
    assert len(rows) == 2 * len(SPEEDS_MPS)
    assert f"{len(rows)} tones; the most prominent at T1" in figure.alt
    assert "1 of 1 position with tones of their own" in figure.caption
    assert "l = 10 mm" in figure.caption


def test_one_plain_sentence_says_which_whether_it_follows_and_whether_tape_removes_it(section: Section) -> None:
    said = said_in(section.blocks[:1])
    assert said.startswith("At T1 a tone stands out: 1008 Hz at 72 km/h, 2020 Hz at 144 km/h (Seam open, april).")
    assert "It follows speed (St 0.5; exponent 1.0, 0.9 to 1.1)." in said
    assert said.endswith("With Seam taped at $5 & $6 a roll it is gone.")


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        (
            {"finding": "lower", "difference_db": -6.0, "lower_db": -7.0, "upper_db": -5.0},
            "6.0 dB quieter",
        ),
        ({"finding": "not shown", "lower_db": -0.4, "upper_db": 0.6}, "not shown to differ (-0.4 to 0.6 dB)"),
        ({"finding": "new"}, "new"),
        ({"finding": "in doubt"}, "in doubt"),
    ],
)
def test_what_a_comparison_changes_is_the_table_s_finding(
    tables: FinishedTables, changed: dict[str, object], words: str
) -> None:
    other = with_rows(
        tables, tone_differences=list(difference_rows(SPEEDS_MPS, **changed)), tone_tracks=[tables.tone_tracks[0]]
    )
    (said,) = tone_sentences(other, tone_campaign())
    assert said.endswith(f"With Seam taped at $5 & $6 a roll it is {words}.")


def test_intervals_that_differ_are_said_speed_by_speed(tables: FinishedTables) -> None:
    rows = [
        row | {"finding": "not shown", "lower_db": -0.1 * place, "upper_db": 0.5}
        for place, row in enumerate(difference_rows(SPEEDS_MPS), start=1)
    ]
    other = with_rows(tables, tone_differences=rows, tone_tracks=[tables.tone_tracks[0]])
    (said,) = tone_sentences(other, tone_campaign())
    assert "(-0.1 to 0.5 dB at 72 km/h, -0.2 to 0.5 dB at 90 km/h, " in said


def test_the_caption_names_tones_that_are_not_the_source_s_and_conditions_that_are_not_drawn(figure: Figure) -> None:
    assert "Frequencies in the figure are those of the drawn run" in figure.caption
    drawn = set(figure.data.columns["condition"])
    others = [name for name in tone_campaign().settings.conditions if name not in drawn]
    assert ("Not drawn:" in figure.caption) is bool(others)


def test_differences_of_other_tones_sessions_and_conditions_are_not_said(tables: FinishedTables) -> None:
    for changed in ({"frequency_hz": 300.0}, {"session": "may"}, {"comparison": "unknown"}):
        rows = list(difference_rows(SPEEDS_MPS, **changed))
        track = dict(tables.tone_tracks[0]) | {"condition": "open"}
        (said,) = tone_sentences(with_rows(tables, tone_differences=rows, tone_tracks=[track]), tone_campaign())
        assert "With " not in said


def test_the_other_condition_is_said_whichever_way_it_was_compared(tables: FinishedTables) -> None:
    """The tone is followed taped: seen from there the open seam's is 6 dB louder, where taped minus open is -6 dB."""
    rows = list(difference_rows(SPEEDS_MPS, finding="lower", difference_db=-6.0, lower_db=-7.0, upper_db=-5.0))
    track = dict(tables.tone_tracks[0]) | {"condition": "sealed"}
    (said,) = tone_sentences(with_rows(tables, tone_differences=rows, tone_tracks=[track]), tone_campaign())
    assert said.endswith("With Seam open it is 6.0 dB louder.")
    assert turned(rows[0])["lower_db"] == 5.0
    assert turned(rows[0])["upper_db"] == 7.0


def test_findings_that_change_with_speed_are_listed(tables: FinishedTables) -> None:
    rows = [*difference_rows(SPEEDS_MPS[:2]), *difference_rows(SPEEDS_MPS[2:], finding="lower")]
    (said,) = tone_sentences(
        with_rows(tables, tone_differences=list(rows), tone_tracks=[tables.tone_tracks[0]]), tone_campaign()
    )
    assert said.endswith("gone at 72 km/h, gone at 90 km/h, lower at 115.2 km/h, lower at 144 km/h.")


def test_doubt_and_an_unknown_background_are_said_and_sound_tones_come_first(tables: FinishedTables) -> None:
    sound = dict(tables.tone_tracks[0])
    doubtful = sound | {"position": "T3", "doubtful": True, "doubt": ["hum"], "background_known": False}
    (section,) = tones_sections(with_rows(tables, tone_tracks=[doubtful, sound]), tone_campaign())
    first, second = said_in(section.blocks[:1]).split("\n")
    assert first.startswith("At T1")
    assert "It may be the background's. It is doubtful." in second
    many = [sound | {"position": f"T{k}"} for k in range(1, 9)]
    said = tone_sentences(with_rows(tables, tone_tracks=many), tone_campaign())
    assert len(said) == MOST_SENTENCES + 1
    assert said[-1] == "Further tones at T5, T6, T7, T8."


def test_the_tables_say_what_the_parquet_tables_say(tables: FinishedTables, section: Section) -> None:
    tracks, differences = (table_in(section.blocks, key) for key in ("tone-tracks", "tone-differences"))
    assert len(tracks.rows) == len(tables.tone_tracks) == 2
    row = dict(zip(tracks.head, tracks.rows[0], strict=True))
    assert row["frequency, Hz"] == ", ".join(f"{hertz:.4g}" for hertz in tables.tone_tracks[0]["frequencies_hz"])
    assert (row["follows"], row["exponent"], row["95 % interval"]) == ("flow", "1.00", "0.90 to 1.10")
    row = dict(zip(differences.head, differences.rows[0], strict=True))
    assert (row["finding"], row["difference"], row["runs with it"]) == ("gone", "< -20.0", "2 of 2, 0 of 2")
    assert row["reference"] == f"{TONE_DB:.1f}"


def test_neither_nor_and_one_speed_are_said(tables: FinishedTables) -> None:
    track = dict(tables.tone_tracks[0])
    assert follows_words(track | {"follows": "fixed"}).startswith(
        "It does not follow speed: its frequency stays (St 0.5"
    )
    assert follows_words(track | {"follows": "neither"}).startswith("Its frequency neither stays nor rises")
    one = track | {"follows": "cannot-tell", "speed_exponent": None, "strouhal": None}
    assert follows_words(one) == "Whether it follows speed cannot be told (f/U 50/m)."


def spectrum(run: str, peak_hz: float, peak_db: float = 90.0) -> Spectrum:
    hz = 4.0 * np.arange(1, 501)
    psd = np.full(hz.size, 4e-10 * 10.0**6.0)
    psd[hz == peak_hz] = 4e-10 * 10.0 ** (peak_db / 10.0)
    return Spectrum(run, "T1", hz, psd, None)


def tone_of(run: str, speed_mps: float, frequency_hz: float, *, own: bool = True) -> Row:
    return {"run": run, "position": "T1", "condition": "open", "speed_mps": speed_mps, "flow_speed_mps": speed_mps,
            "frequency_hz": frequency_hz, "level_db": 92.0, "prominence_db": 30.0, "own": own, "length_m": None,
            "not_own": None if own else "background", "doubtful": False, "strouhal": None,
            "frequency_per_speed_per_m": frequency_hz / speed_mps}  # fmt: skip


def test_marks_of_a_tone_of_the_flow_lie_on_a_ray() -> None:
    """f = 20/m U: 400 Hz at 20 m/s and 800 Hz at 40 m/s lie on the straight line from the origin through both."""
    spectra = ((20.0, 20.0, spectrum("r1", 400.0)), (40.0, 40.0, spectrum("r2", 800.0)))
    own = Waterfall("T1", "open", spectra, (tone_of("r1", 20.0, 400.0), tone_of("r2", 40.0, 800.0)))
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
    own = Waterfall("T1", "open", spectra, ())
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
    own = Waterfall("T1", "open", tuple((mps, mps, each) for mps, each in zip(speeds, spectra, strict=True)), ())
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


def test_the_axis_holds_the_own_tones_and_all_where_there_are_none() -> None:
    alone = Waterfall("T1", "open", ((20.0, 20.0, spectrum("r1", 400.0)),), ())
    assert highest_shown_hz([alone]) == 2000.0
    marked = Waterfall("T1", "open", alone.spectra, (tone_of("r1", 20.0, 1000.0),))
    assert highest_shown_hz([marked]) == 1500.0


def test_one_speed_gives_its_spectra_over_the_density(tmp_path: Path) -> None:
    tables = write_tones(tmp_path, (20.0,))
    (section,) = tones_sections(tables, tone_campaign())
    (figure,) = figures_of([section])
    assert "at the one speed" in figure.caption
    assert not paths_of(figure, "ln li"), "no ray"
    assert "cannot be told" in said_in(section.blocks)


def test_what_is_the_background_s_is_an_open_mark() -> None:
    tones = (tone_of("r1", 20.0, 400.0), tone_of("r1", 20.0, 800.0, own=False))
    own = Waterfall("T1", "open", ((20.0, 20.0, spectrum("r1", 400.0)),), tones)
    (panel,), _ = drawn_waterfalls(tone_campaign(), [own], None)
    assert sum('class="mk ze ho"' in part for part in panel.parts) == 1
    assert sum('class="mk ze"' in part for part in panel.parts) == 1
    assert any("not its own: background" in each.words for each in panel.readings)


def test_where_nothing_stands_out_a_sentence_stands_in_place_of_the_figure(tables: FinishedTables) -> None:
    others = [{**row, "own": False, "not_own": "background"} for row in tables.tones]
    (section,) = tones_sections(with_rows(tables, tone_tracks=[], tones=others), tone_campaign())
    assert figures_of([section]) == []
    assert said_in(section.blocks).startswith(f"No tone is the source's own: {len(tables.tones)} tones of background")
    (section,) = tones_sections(with_rows(tables, tone_tracks=[], tones=[]), tone_campaign())
    assert said_in(section.blocks) == "No tone was found in any run."


def test_a_run_with_an_unusable_channel_comes_after_others(tables: FinishedTables) -> None:
    faulty = {"run": "open-0", "position": "T1", "verdict": "unusable"}
    chosen = tone_runs(dataclasses.replace(tables, quality=(faulty,)), tone_campaign())
    assert chosen is not None
    assert chosen.runs["open"][0]["run"] == "open-later"


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
    assert said_in(section.blocks) == "No tone was found in any run."


def test_a_tone_at_a_single_speed_is_said_though_it_is_on_no_track(tables: FinishedTables) -> None:
    """A campaign of one speed follows no tone: what whistles there is the source's own all the same."""
    single = [
        {**row, "track": None, "repeat_runs": 2, "repeat_runs_with_it": 2}
        for row in tables.tones
        if row["speed_mps"] == SPEEDS_MPS[0]
    ]
    rows = difference_rows(SPEEDS_MPS[:1], **dict.fromkeys(("treatment_level_db", "lower_db", "upper_db")))
    chosen = with_rows(tables, tones=single, tone_tracks=[], tone_differences=rows)
    said = tone_sentences(chosen, tone_campaign())
    assert len(said) == 1
    assert said[0].startswith("At T1 a tone stands out: ")
    assert "at 72 km/h (Seam open, april). Whether it follows speed cannot be told (St" in said[0]
    assert said[0].endswith("it is gone.")
    (section,) = tones_sections(chosen, tone_campaign())
    assert said[0] in said_in(section.blocks)
    for unsure in ({"doubtful": True}, {"speed_mps": None}, {"repeat_runs": 4}, {"own": False}):
        rows_of = {"tones": [{**row, **unsure} for row in single], "tone_tracks": []}
        assert not tone_sentences(with_rows(chosen, **rows_of), tone_campaign())
    doubted = with_rows(chosen, tones=[{**row, "doubtful": True} for row in single], tone_tracks=[])
    (section,) = tones_sections(doubted, tone_campaign())
    assert "No tone is told:" in said_in(section.blocks)
    assert "source's own" not in said_in(section.blocks)


@pytest.mark.parametrize(("share", "is_said"), [(0.2, True), (0.9, False), (None, False)])
def test_a_tone_that_sweeps_or_comes_and_goes_is_not_told_as_steady(
    tables: FinishedTables, share: float | None, is_said: bool
) -> None:
    track = tables.tone_tracks[0]
    rows = [{**row, "track": track["track"], "persistence": share} for row in tables.tones]
    (said,) = tone_sentences(with_rows(tables, tones=rows, tone_tracks=[track]), tone_campaign())
    assert ("It comes and goes, or moves: on its line 20 % of the time." in said) is is_said
