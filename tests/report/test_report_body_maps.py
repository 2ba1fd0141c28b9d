"""Maps of values: what each status looks like, which status a position has, and the maps on the page."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from built_report import Report
from built_results import SETTINGS, built_campaign
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgba
from matplotlib.lines import Line2D
from matplotlib.path import Path as MarkerPath

from tapeline.campaign.outlines import Outline
from tapeline.report import pictures_body_maps
from tapeline.report.comparison_views import View, is_given, views
from tapeline.report.figure_files import Drawing, Drawn, FigureShelf, Subject
from tapeline.report.figure_messages import level_map_message, mark_map_message
from tapeline.report.figure_panels import Heading
from tapeline.report.figure_style import DIFFERENCE_COLOURS, DOWN_ARROW, UP_ARROW, report_style
from tapeline.report.figures_map_values import ValueMap, value_map
from tapeline.report.finished_tables import FinishedTables, read_finished
from tapeline.report.map_marks import Mark, difference_marks, first_overall, reference_levels
from tapeline.report.map_panels import map_panels
from tapeline.report.map_symbols import ColourScale
from tapeline.report.pictures_body_maps import difference_maps, level_map_picture
from tapeline.report.pictures_map import map_picture

HEADING = Heading("A map", "campaign van-built")
SCALE = ColourScale(DIFFERENCE_COLOURS, -8.0, 8.0, "treatment minus reference, dB")
MARKS = (
    Mark("louder", "shown", 4.0, 3.0, 5.0, finding="higher"),
    Mark("quieter", "shown", -8.0, -9.0, -7.0, doubt=("hum: x1",), finding="lower"),
    Mark("alike", "not shown", 0.5, -1.0, 2.0, finding="not shown"),
    Mark("small", "equivalent", -0.2, -0.7, 0.4, finding="equivalent"),
    Mark("below", "bound", None, None, -3.0),
    Mark("above", "bound", None, 2.0, None),
    Mark("open", "bound"),
    Mark("broken", "unusable"),
    Mark("bare", "not measured"),
)
PLACES = {mark.position: (1.0 * index, 0.0) for index, mark in enumerate(MARKS)}
ROWS = [{"position": name, "x_m": x, "y_m": y, "z_m": 1.0, "area": None} for name, (x, y) in PLACES.items()]


def drawn(marks: tuple[Mark, ...] = MARKS, rows: list[dict[str, Any]] = ROWS) -> ValueMap:
    with report_style():
        return value_map(map_panels(rows, (), ""), marks, SCALE, HEADING)


def lines_at(found: ValueMap, position: str) -> dict[str, Line2D]:
    """The drawn parts at a position, by gid."""
    lines = found.figure.axes[0].lines
    return {str(line.get_gid()): line for line in lines if tuple(map(float, line.get_xydata()[0])) == PLACES[position]}


def test_each_status_has_a_symbol_of_its_own() -> None:
    found = drawn()
    assert {name: sorted(lines_at(found, name)) for name in PLACES} == {
        "louder": ["shown", "sign-plus"],
        "quieter": ["shown", "sign-minus"],
        "alike": ["hole", "not-shown"],
        "small": ["equivalent", "hole"],
        "below": ["bound-at-most"],
        "above": ["bound-at-least"],
        "open": ["bound-unknown"],
        "broken": ["unusable"],
        "bare": ["not-measured"],
    }


def test_values_carry_the_colour_of_the_scale_and_nothing_else_does() -> None:
    found = drawn()
    for name, value in (("louder", 4.0), ("quieter", -8.0)):
        assert to_rgba(lines_at(found, name)["shown"].get_markerfacecolor()) == DIFFERENCE_COLOURS((value + 8.0) / 16.0)
    ring = lines_at(found, "alike")
    assert to_rgba(ring["not-shown"].get_markerfacecolor()) == DIFFERENCE_COLOURS(8.5 / 16.0)
    assert to_rgba(ring["hole"].get_markerfacecolor()) == to_rgba("white")
    assert ring["hole"].get_markersize() < ring["not-shown"].get_markersize()
    diamond = lines_at(found, "small")
    assert to_rgba(diamond["equivalent"].get_markerfacecolor()) == DIFFERENCE_COLOURS(7.8 / 16.0)
    assert to_rgba(diamond["hole"].get_markerfacecolor()) == to_rgba("white")
    assert diamond["hole"].get_markersize() < diamond["equivalent"].get_markersize()
    for name in ("below", "above", "open", "bare"):
        (line,) = lines_at(found, name).values()
        assert line.get_fillstyle() == "none", "no filled point where there is no value"


def test_equivalent_and_not_shown_differ_by_shape_and_so_without_colour() -> None:
    found = drawn()
    shapes = {name: {part.get_marker() for part in lines_at(found, name).values()} for name in ("alike", "small")}
    assert shapes == {"alike": {"o"}, "small": {"D"}}
    handles = {line.get_label(): line.get_marker() for line in found.figure.legends[0].get_lines()}
    assert (handles["not shown"], handles["equivalent"]) == ("o", "D")


def test_bounds_point_the_way_the_value_may_lie() -> None:
    found = drawn()
    down, up = lines_at(found, "below")["bound-at-most"], lines_at(found, "above")["bound-at-least"]
    assert down.get_marker() is DOWN_ARROW
    assert up.get_marker() is UP_ARROW
    tip = cast("MarkerPath", down.get_marker()).vertices[1]
    assert tuple(tip) == (0.0, -1.0)


def test_numbers_stand_beside_the_marks() -> None:
    found = drawn()
    texts = {text.get_text() for text in found.figure.axes[0].texts}
    assert texts == {
        "louder +4.0",
        "quieter -8.0?",
        "alike +0.5",
        "small -0.2",
        "below ≤-3.0",
        "above ≥+2.0",
        "open",
        "broken",
        "bare",
    }
    assert found.unwritten == ()
    words = [spot.text for spot in found.spots]
    assert words[:5] == [
        "louder: +4.0 dB (shown)",
        "quieter: -8.0 dB (shown, doubtful: hum: x1)",
        "alike: +0.5 dB (not shown)",
        "small: -0.2 dB (equivalent)",
        "below: ≤-3.0 dB (bound)",
    ]
    assert words[-1] == "bare: – (not measured)"


def test_spots_lie_on_their_marks() -> None:
    found = drawn()
    box = found.figure.bbox
    for spot, place in zip(found.spots, PLACES.values(), strict=True):
        across, up = found.figure.axes[0].transData.transform(place)
        assert spot.left + spot.width / 2 == pytest.approx(100 * across / box.width)
        assert spot.top + spot.height / 2 == pytest.approx(100 * (1 - up / box.height))


def test_the_legend_and_the_scale_name_what_is_drawn() -> None:
    found = drawn()
    (legend,) = found.figure.legends
    assert [text.get_text() for text in legend.get_texts()] == [
        "shown", "equivalent", "not shown", "at most", "at least", "bounds, unknown",
        "unusable", "not measured",
    ]  # fmt: skip
    box = legend.get_window_extent(FigureCanvasAgg(found.figure).get_renderer())
    assert found.figure.bbox.x0 <= box.x0
    assert box.x1 <= found.figure.bbox.x1, "no word is cut"
    bar = found.figure.axes[-1]
    assert bar.get_ylabel() == "treatment minus reference, dB"
    assert bar.get_ylim() == (-8.0, 8.0)
    levels = drawn(tuple(Mark(mark.position, mark.status, mark.value_db, signed=False) for mark in MARKS[:1]))
    words = [text.get_text() for text in levels.figure.legends[0].get_texts()]
    assert words == ["value", "upper bound", "unusable", "not measured"]
    assert levels.figure.axes[0].texts[0].get_text() == "louder 4.0"


def test_numbers_without_room_are_told() -> None:
    """64 marks in a square of 8 by 8, too near each other for all numbers: the largest ones are written."""
    marks = tuple(Mark(f"place-{n:02d}", "shown", 0.1 * n, finding="higher") for n in range(1, 65))
    rows = [
        {"position": mark.position, "x_m": 0.1 * (n % 8), "y_m": 0.1 * (n // 8), "z_m": 0.0, "area": None}
        for n, mark in enumerate(marks)
    ] + [{"position": "far", "x_m": 4.0, "y_m": 1.0, "z_m": 0.0, "area": None}]
    found = drawn(marks, rows)
    written = " ".join(text.get_text() for text in found.figure.axes[0].texts)
    assert "+6.4" in written
    assert 0 < len(found.unwritten) < 64
    assert not any(name in written for name in found.unwritten)


def test_marks_on_each_other_are_numbered_together() -> None:
    marks = tuple(Mark(f"P{n}", "shown", 0.5 * n, finding="higher") for n in range(1, 6))
    rows = [{"position": mark.position, "x_m": 0.0, "y_m": 0.0, "z_m": 0.0, "area": None} for mark in marks]
    found = drawn(marks, rows)
    assert [text.get_text() for text in found.figure.axes[0].texts] == ["P5 +2.5\nP4 +2.0\nP3 +1.5\nand 2 more"]
    assert found.unwritten == ("P1", "P2")


def test_a_map_of_nothing_is_still_a_figure() -> None:
    with report_style():
        assert value_map([], (), SCALE, HEADING).spots == ()


def test_the_messages_say_numbers() -> None:
    assert mark_map_message(MARKS, "sealed minus open") == (
        "Map of sealed minus open: of 9 positions, 1 shown lower, 1 shown higher, 1 equivalent, 1 not shown to differ, "
        "3 known by bounds only, 1 unusable, 1 not measured. Largest shown: -8.0 dB at quieter, "
        "picked as the largest."
    )
    levels = [Mark("A", "shown", 90.04, signed=False), Mark("B", "shown", 95.0), Mark("C", "bound", upper_db=80.0)]
    assert level_map_message(levels, "open") == (
        "Map of levels: open. 2 values, 1 known by bounds only, 0 unusable, 0 not measured. Loudest: 95.0 dB at B; "
        "quietest: 90.0 dB at A."
    )
    assert "Loudest" not in level_map_message(levels[2:], "open")


RANGE = {"weighting": "Z", "lowest_band_hz": 100.0, "highest_band_hz": 5000.0}


def tables_of(levels: dict[tuple[str, str], tuple[float | None, float | None, str]], **more: Any) -> FinishedTables:
    """Tables of two conditions with one run each, `o` and `s`: (level, upper bound, quality) by run and position."""
    runs = [
        {"run": run, "kind": "measurement", "session": "april", "condition": condition, "speed_mps": 30.0,
         "yaw_deg": None, "status": "used"}
        for run, condition in (("o", "open"), ("s", "sealed"))
    ]  # fmt: skip
    overall = [
        {**RANGE, "session": "april", "run": run, "position": position, "corrected_level_db": level,
         "upper_bound_db": bound, "quality": quality, "state": "clear" if bound is None else "bound",
         "doubt": [], "comparable": quality != "unusable"}
        for (run, position), (level, bound, quality) in levels.items()
    ]  # fmt: skip
    quality = [{"run": run, "position": position, "verdict": row[2]} for (run, position), row in levels.items()]
    names = sorted({position for _, position in levels} | {"Z"})
    positions = [{"position": name, "x_m": 0.0, "y_m": 0.0, "z_m": 0.0, "area": None} for name in names]
    given = {"runs": runs, "overall": overall, "quality": quality, "positions": positions, "comparisons": ()}
    return cast("FinishedTables", SimpleNamespace(**{**given, **more}))


def view_of(*overall: dict[str, Any]) -> View:
    return View("c", "open", "sealed", "april", "april", 30.0, 0.0, {}, overall)


def row(position: str, difference: float | None, finding: str, **more: Any) -> dict[str, Any]:
    given = {"position": position, "difference_db": difference, "finding": finding, "lower_db": None, "upper_db": None,
             "doubtful": False, "doubt": [], "reference_runs": ["o"], "treatment_runs": ["s"]}  # fmt: skip
    return {**RANGE, **given, **more}


def test_a_position_without_a_difference_says_why() -> None:
    good, bound, bad = (90.0, None, "good"), (None, 80.0, "good"), (None, None, "unusable")
    tables = tables_of(
        {("o", "A"): good, ("s", "A"): good, ("o", "B"): bound, ("s", "B"): bound, ("o", "C"): good, ("s", "C"): bad,
         ("o", "D"): good, ("o", "E"): good, ("s", "E"): good, ("o", "ref"): good, ("s", "ref"): good}
    )  # fmt: skip
    campaign = built_campaign(background={"references": ["ref"]})
    view = view_of(row("A", -2.0, "lower", doubtful=True, doubt=["hum: o"]), row("A", -9.0, "lower", weighting="A"))
    marks = {mark.position: mark for mark in difference_marks(tables, campaign, view)}
    assert marks["A"] == Mark(
        "A", "shown", -2.0, doubt=("hum: o",), reference_runs=("o",), treatment_runs=("s",), finding="lower"
    )
    assert {name: mark.status for name, mark in marks.items()} == {
        "A": "shown",
        "B": "bound",
        "C": "unusable",
        "D": "not measured",
        "E": "unusable",
        "Z": "not measured",
    }
    assert (marks["B"].lower_db, marks["B"].upper_db) == (None, None)


@pytest.mark.parametrize(
    ("difference", "finding", "ends", "status", "text"),
    [
        (1.5, "higher", (1.0, 2.0), "shown", "+1.5"),
        (0.2, "not shown", (-1.0, 1.4), "not shown", "+0.2"),
        (0.1, "equivalent", (-0.2, 0.4), "equivalent", "+0.1"),
        (None, "bound", (None, -4.0), "bound", "≤-4.0"),
        (None, "bound", (3.0, None), "bound", "≥+3.0"),
    ],
)
def test_a_finding_becomes_a_status(
    difference: float | None, finding: str, ends: tuple[float | None, float | None], status: str, text: str
) -> None:
    tables = tables_of({("o", "A"): (90.0, None, "good")})
    view = view_of(row("A", difference, finding, lower_db=ends[0], upper_db=ends[1]))
    mark = difference_marks(tables, built_campaign(), view)[0]
    assert (mark.status, mark.text) == (status, text)


def test_levels_are_those_of_the_reference_where_most_positions_have_one() -> None:
    tables = tables_of(
        {("o", "A"): (90.0, None, "good"), ("o", "B"): (None, 70.0, "good"), ("s", "A"): (80.0, None, "good")}
    )
    again = {**tables.runs[0], "run": "o2"}
    fast = {**tables.runs[0], "run": "f", "speed_mps": 40.0}
    more = [
        {**each, "run": "o2", "corrected_level_db": 91.0, "upper_bound_db": None, "state": "clear"}
        for each in tables.overall[:2]
    ]
    more.append({**tables.overall[0], "run": "f"})
    tables = cast(
        "FinishedTables",
        SimpleNamespace(
            runs=[*tables.runs, again, fast], overall=[*tables.overall, *more], quality=(), positions=tables.positions
        ),
    )
    found = reference_levels(tables, built_campaign())
    assert found is not None
    assert (found.condition, found.session, found.speed_mps) == ("open", "april", 30.0)
    marks = {mark.position: mark for mark in found.marks}
    assert marks["A"] == Mark("A", "shown", 90.5, runs=("o", "o2"), signed=False)
    assert marks["B"].status == "bound"
    # Mean power of 70 dB and 91 dB: 91 - 10 lg 2 = 87.99 dB, and 0.03 dB for the smaller one.
    assert marks["B"].upper_db == pytest.approx(88.02, abs=0.01)
    assert marks["Z"].status == "not measured"
    assert (
        reference_levels(cast("FinishedTables", SimpleNamespace(**{**vars(tables), "runs": []})), built_campaign())
        is None
    )


def numbers(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))


def test_the_page_has_a_map_in_each_comparison_and_one_of_levels(report: Report) -> None:
    sections = re.split(r'<h3 id="comparison-', report.text.split('id="repeatability-heading"')[0])[1:]
    assert len(sections) == 2
    for section in sections:
        name = section.split('"')[0]
        assert f"figures/body-map_{name}_" in section
        assert f'data-comparison="{name}"' in section
        assert re.search(r'alt="Map of [^"]+: of 9 positions, \d+ shown lower', section)
    positions = report.text.split('id="positions-heading"')[1].split('id="run-log-heading"')[0]
    assert "figures/levels-map_open.png" in positions
    assert 'alt="Map of levels: Seam open' in positions
    assert positions.count("Without coordinates: P09.") >= 2
    assert 'class="spot" title="P01: ' in positions


def test_the_numbers_beside_a_map_are_those_of_the_comparisons(report: Report) -> None:
    (path,) = (report.results / "figures").glob("body-map_whole-seam_*.csv")
    written = {line["position"]: line for line in numbers(path)}
    assert set(written) == {f"P{n:02d}" for n in range(1, 10)}
    where = ("comparison", "session_label", "speed_mps")
    first = written["P01"]
    rows = [
        row
        for row in first_overall(report.campaign, (r for r in report.tables.comparisons if r["quantity"] == "overall"))
        if (row["comparison"], row["session_label"], f"{row['speed_mps']:.7g}") == tuple(first[name] for name in where)
    ]
    assert rows
    assert "runs" not in first
    for row in rows:
        line = written[row["position"]]
        for side in ("reference_runs", "treatment_runs"):
            assert line[side].split(" ") == list(row[side]), "the runs of each side apart"
        assert line["finding"] == (row["finding"] if is_given(row) else "bound")
        if row["difference_db"] is not None:
            assert float(line["difference_db"]) == pytest.approx(row["difference_db"], rel=1e-6)
    words = {"lower": "shown", "higher": "shown", "": None}
    for line in written.values():
        known = words.get(line["finding"], line["finding"])
        assert line["status"] in ({known} if known else {"bound", "unusable", "not measured"})


def test_an_equivalent_difference_is_said_so_in_picture_words_and_numbers(report: Report, tmp_path: Path) -> None:
    """Schuirmann (1987): an interval within the threshold shows equivalence, which is not the lack of a finding."""
    first = views(report.tables.comparisons)[0]
    changed = tuple({**row, "finding": "equivalent", "difference_db": 0.1} for row in first.overall)
    view = replace(first, overall=changed)
    shelf = FigureShelf(tmp_path / "figures")
    with report_style():
        (picture,) = difference_maps(report.tables, report.campaign, shelf, [view]).values()
        shelf.draw()
    compared = {row["position"] for row in first_overall(report.campaign, changed)}
    assert f"{len(compared)} equivalent, 0 not shown to differ" in picture.alt
    threshold = report.campaign.settings.compare.practical_threshold_db
    assert f"a hollow diamond one that is equivalent (its interval lies within ±{threshold:.1f} dB)" in picture.caption
    assert sum(spot.text.endswith("(equivalent)") for spot in picture.spots) > 0
    lines = numbers(tmp_path / picture.data_file)
    assert {line["position"] for line in lines if line["status"] == "equivalent"} == compared


def test_a_position_without_y_is_drawn_on_both_sides_and_the_captions_say_so(report: Report, tmp_path: Path) -> None:
    tables = read_finished(report.results)
    rows = [{**row, "y_m": None} if row["position"] == "P03" else row for row in tables.positions]
    assert len({row["y_m"] > 0 for row in rows if row["y_m"]}) == 2, "both sides of the body"
    object.__setattr__(tables, "positions", tuple(rows))
    shelf = FigureShelf(tmp_path / "figures")
    with report_style():
        pictures = [
            map_picture(tables, report.campaign, shelf),
            level_map_picture(tables, report.campaign, shelf),
            *difference_maps(tables, report.campaign, shelf, views(tables.comparisons)[:1]).values(),
        ]
        shelf.draw()
    for picture in pictures:
        assert picture is not None
        assert "y is missing, so drawn on both sides: P03." in picture.caption
        assert "Without coordinates: P09." in picture.caption
        assert sum(spot.text.startswith("P03:") for spot in picture.spots) in ({0} if not picture.spots else {2})


def test_all_comparisons_share_one_colour_scale(
    report: Report, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scales: list[ColourScale] = []

    def noted(panels: Any, marks: Any, scale: ColourScale, heading: Heading) -> ValueMap:
        scales.append(scale)
        return value_map(panels, marks, scale, heading)

    monkeypatch.setattr(pictures_body_maps, "value_map", noted)
    every = views(report.tables.comparisons)
    firsts = [next(view for view in every if view.comparison == name) for name in ("whole-seam", "front-part")]
    shelf = FigureShelf(tmp_path / "figures")
    with report_style():
        maps = difference_maps(report.tables, report.campaign, shelf, firsts)
        shelf.draw()
    assert list(maps) == ["whole-seam", "front-part"]
    assert scales[0] == scales[1]
    assert scales[0].lowest_db == -scales[0].highest_db
    marks = [mark for view in firsts for mark in difference_marks(report.tables, report.campaign, view)]
    assert scales[0].highest_db >= max(abs(mark.value_db) for mark in marks if mark.value_db is not None)
    assert maps["front-part"].subject == Subject(
        "front-part", "100 km/h, yaw 0°", tuple(f"P{n:02d}" for n in range(1, 10))
    )


def test_no_map_without_coordinates(report: Report, tmp_path: Path) -> None:
    bare = [{**row, "x_m": None, "y_m": None, "z_m": None} for row in report.tables.positions]
    tables = read_finished(report.results)
    object.__setattr__(tables, "positions", tuple(bare))
    shelf = FigureShelf(tmp_path / "figures")
    assert map_picture(tables, report.campaign, shelf) is None
    assert level_map_picture(tables, report.campaign, shelf) is None
    assert difference_maps(tables, report.campaign, shelf, views(tables.comparisons)[:1]) == {}


def test_the_outlines_of_the_campaign_reach_all_maps(
    report: Report, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    outline = Outline("x-z", (((0.0, 0.0), (5.0, 1.0)),))
    campaign = built_campaign()
    object.__setattr__(campaign, "outlines", (outline,))
    shelf, drawings = FigureShelf(tmp_path / "figures"), []

    def kept(parts: Any, drawing: Drawing, **_: Any) -> None:
        made = drawing()
        assert isinstance(made, Drawn)
        drawings.append([line.get_gid() for axes in made.figure.axes for line in axes.lines].count("outline"))

    monkeypatch.setattr(shelf, "add", kept)
    with report_style():
        map_picture(report.tables, campaign, shelf)
        level_map_picture(report.tables, campaign, shelf)
        difference_maps(report.tables, campaign, shelf, views(report.tables.comparisons)[:1])
    assert drawings == [2, 2, 2], "once on each side of the body"
    assert SETTINGS["axes"] == "x rearward, y to the right, z up"
