"""A page a run: its numbers are those of the tables, it stays small, and only what changed is written again."""

from __future__ import annotations

import dataclasses
import html
import re
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from built_report import DIGEST, Report, text_of
from built_results import SMALL, Size, built_campaign, write_empty, write_results

from tapeline.report.blocks import TableBlock
from tapeline.report.page import write_report
from tapeline.report.page_table import plain
from tapeline.report.run_pages.run_figures import thinned, time_figure
from tapeline.report.run_pages.run_sections import (
    MOST_PANELS,
    MOST_REPEATS,
    all_runs,
    first_positions,
    repeats_of,
    run_sections,
)

LARGEST_BYTES = 150_000
"""Own choice: two hundred pages of runs then take 30 MB at most, a tenth of the spectra that they are made from."""


def page_of(report: Report, run: str) -> ElementTree.Element:
    return ElementTree.fromstring((report.results / "runs" / f"{run}.html").read_text(encoding="utf-8"))


def rows_of(tree: ElementTree.Element, key: str) -> list[dict[str, str]]:
    table = tree.find(f".//table[@id='{key}']")
    assert table is not None, key
    head = [text_of(cell) for cell in table.findall("thead/tr/th")]
    return [dict(zip(head, map(text_of, row), strict=True)) for row in table.findall("tbody/tr")]


def test_every_run_has_a_page_whose_links_lead_somewhere(report: Report) -> None:
    folder = report.results / "runs"
    assert {path.stem for path in folder.glob("[!.]*")} == {row["run"] for row in report.tables.runs}
    anchors = {element.attrib["id"] for element in report.tree.iter() if "id" in element.attrib}
    for path in folder.glob("[!.]*"):
        tree = ElementTree.fromstring(path.read_text(encoding="utf-8"))
        own = {element.attrib["id"] for element in tree.iter() if "id" in element.attrib}
        for link in tree.iter("a"):
            place, _, anchor = link.attrib["href"].partition("#")
            assert not place or (folder / place).is_file(), link.attrib["href"]
            if anchor:
                assert anchor in (anchors if place else own), link.attrib["href"]


def test_verdicts_stand_with_their_numbers_the_worst_first(report: Report) -> None:
    used = {row["run"]: row for row in report.tables.used_measurements}
    bad = next(row for row in report.tables.quality if row["verdict"] == "unusable" and row["run"] in used)
    quality = tuple(
        {
            **row,
            "rms_pa": 1.0 + place,
            "channel": place,
            "trend_db": -0.01,
            "override_reason": "heard so" if row is bad else None,
        }
        for place, row in enumerate(report.tables.quality)
    )
    every = all_runs(dataclasses.replace(report.tables, quality=quality), report.campaign, "../report.html")
    (section,) = [each for each in run_sections(every, used[bad["run"]]) if each.key == "verdicts"]
    (block,) = section.blocks
    assert isinstance(block, TableBlock)
    rows = [dict(zip(block.table.head, map(plain, row), strict=True)) for row in block.table.rows]
    found = {row["position"]: row for row in quality if row["run"] == bad["run"]}
    assert {row["position"] for row in rows} == set(found)
    assert rows[0]["position"] == bad["position"]
    assert "heard so" in rows[0]["why"]
    for row in rows:
        of_table = found[row["position"]]
        assert (row["verdict"], row["channel"]) == (of_table["verdict"], str(of_table["channel"]))
        assert row["rms, Pa"] == f"{of_table['rms_pa']:.2f}"
        assert row["trend, dB"] == "0.0"
        assert all(sentence in row["why"] for sentence in of_table["sentences"] or ())


def test_levels_and_readings_are_those_of_the_tables(report: Report) -> None:
    run = next(row for row in report.tables.used_measurements if row["background_runs"])
    overall = [row for row in report.tables.overall if row["run"] == run["run"]]
    for row in rows_of(page_of(report, run["run"]), "overall-table"):
        (a_weighted,) = [each for each in overall if (each["position"], each["weighting"]) == (row["position"], "A")]
        (level,) = [text for name, text in row.items() if name.startswith("A, ") and name.endswith("level, dB")]
        bound = a_weighted["upper_bound_db"]
        assert level == (f"{a_weighted['corrected_level_db']:.1f}" if bound is None else f"≤{bound:.1f}")
    text = (report.results / "runs" / f"{run['run']}.html").read_text(encoding="utf-8")
    found = re.search(r'data-read="([^"]*)"', text)
    assert found is not None
    readings = html.unescape(found[1]).split("\n")
    bands = [
        row for row in report.tables.band_rows(run["session"], [run["run"]])
        if row["corrected_level_db"] is not None or row["upper_bound_db"] is not None
    ]  # fmt: skip
    assert len(readings) == len(bands) > 50
    for row in bands:
        hertz = row["band_hz"]
        name = f"{hertz / 1000:g} kHz" if hertz >= 1000 else f"{hertz:g} Hz"
        (said,) = [line for line in readings if f" {row['position']} {name}: " in line]
        level = row["corrected_level_db"]
        words = f": {level:.1f} dB" if level is not None else f": at most {row['upper_bound_db']:.1f} dB"
        assert words in said
        if row["background_level_db"] is not None:
            assert f"background {row['background_level_db']:.1f}" in said


def test_a_run_from_which_nothing_is_subtracted_says_so(report: Report) -> None:
    bare = {row["run"] for row in report.tables.band_states if row["state"] == "none"}
    runs = [row for row in report.tables.used_measurements if row["run"] in bare and not row["background_runs"]]
    assert runs
    for run in runs:
        said = text_of(page_of(report, run["run"]))
        assert "Nothing is subtracted, so the levels may hold any amount of background." in said
        assert "Levels as measured, no background subtracted; abscissa" in said
        assert "after background subtraction" not in said
    run = next(row for row in report.tables.used_measurements if row["background_runs"])
    assert "Levels after background subtraction" in text_of(page_of(report, run["run"]))
    assert "Nothing is subtracted" not in text_of(page_of(report, run["run"]))


def test_repeats_are_the_other_used_runs_of_the_same_condition_and_point_at_sound_channels(report: Report) -> None:
    every = all_runs(report.tables, report.campaign, "../report.html")
    run = report.tables.used_measurements[0]
    found = repeats_of(every, run)
    assert found
    assert len(found) <= MOST_REPEATS
    for row in found:
        assert row["run"] != run["run"]
        assert row["status"] == "used"
        assert all(row[name] == run[name] for name in ("kind", "condition", "speed_mps", "yaw_deg"))
    assert [row["session"] for row in found] == sorted(
        (row["session"] for row in found), key=lambda name: name != run["session"]
    )


def test_what_a_run_is_used_for_is_what_the_tables_say(report: Report) -> None:
    for run in report.tables.runs:
        said = {
            (row["comparison"], row["operating point"], row["session"], row["side"].partition(":")[0])
            for row in (
                rows_of(page_of(report, run["run"]), "use-table")
                if page_of(report, run["run"]).find(".//table[@id='use-table']") is not None
                else []
            )
        }
        found = {
            (row["comparison"], f"{row['speed_mps'] * 3.6:g} km/h, yaw {row['yaw_deg']:g}°", row["session_label"], side)
            for row in report.tables.comparisons
            for side in ("reference", "treatment")
            if run["run"] in (row[f"{side}_runs"] or ())
        }
        assert said == found, run["run"]
    background = next(row["background_runs"][0] for row in report.tables.used_measurements if row["background_runs"])
    served = [row["run"] for row in report.tables.runs if background in (row["background_runs"] or ())]
    uses = page_of(report, background).find(".//section[@id='uses']")
    assert uses is not None
    assert f"Background of {', '.join(served)}" in text_of(uses)


def test_panels_are_capped_and_hold_the_worst_verdicts_and_the_first_ranks(report: Report) -> None:
    run = report.tables.used_measurements[0]
    every = all_runs(report.tables, report.campaign, "../report.html")
    names = [f"P{place:02d}" for place in range(1, 41)]
    bands = every.bands[run["session"]]
    many = dataclasses.replace(bands, positions=dict.fromkeys(names, 0))
    verdicts = [{"position": name, "verdict": "unusable" if name == "P40" else "doubtful" if name == "P33" else "good"}
                for name in names]  # fmt: skip
    wide = dataclasses.replace(
        every, bands={run["session"]: many}, quality={run["run"]: verdicts}, ranked={"P38": 0, "P37": 1}
    )
    shown = first_positions(wide, run)
    assert len(shown) == MOST_PANELS
    assert {"P40", "P33", "P38", "P37"} <= set(shown)
    assert {"P13", "P14"} & set(shown) == set(), "the rest in the order of the table, as far as there is room"


def test_every_page_is_small(report: Report) -> None:
    sizes = [path.stat().st_size for path in (report.results / "runs").glob("[!.]*")]
    assert max(sizes) < LARGEST_BYTES


def test_only_pages_that_changed_are_written_and_those_of_runs_that_are_gone_removed(tmp_path: Path) -> None:
    write_results(tmp_path, SMALL)
    campaign = built_campaign(SMALL)
    write_report(campaign, tmp_path, tmp_path / "report.html", DIGEST)
    gone, changed = tmp_path / "runs" / "gone.html", tmp_path / "runs" / "a-open-01.html"
    before = {path: path.stat().st_mtime_ns for path in (tmp_path / "runs").glob("[!.]*")}
    content = changed.read_bytes()
    gone.write_bytes(b"gone")
    changed.unlink()
    write_report(campaign, tmp_path, tmp_path / "report.html", "0ther" * 12)
    assert not gone.exists()
    assert changed.read_bytes() == content
    after = {path: path.stat().st_mtime_ns for path in (tmp_path / "runs").glob("[!.]*")}
    assert {path for path in before if before[path] != after[path]} <= {changed}
    assert set(after) == set(before)


def test_tables_without_rows_give_no_pages_of_runs(tmp_path: Path) -> None:
    write_empty(tmp_path)
    write_report(built_campaign(comparisons={}), tmp_path, tmp_path / "report.html", DIGEST)
    assert not list((tmp_path / "runs").glob("[!.]*"))


@pytest.mark.parametrize("size", [5, 160, 161, 5000])
def test_thinned_levels_keep_every_extreme(size: int) -> None:
    values = np.random.default_rng(5).normal(0.0, 1.0, size)
    values[size // 2] = 40.0
    values[-1] = -40.0
    kept = thinned(values, 160)
    assert len(kept) <= 160
    assert kept == sorted(kept)
    assert {int(np.argmax(values)), int(np.argmin(values))} <= set(kept)


def test_thinned_levels_leave_out_what_is_none() -> None:
    values = np.full(1000, np.nan)
    values[10] = 1.0
    assert thinned(values, 20) == [10]


@pytest.mark.long
def test_two_hundred_runs_at_64_positions_stay_small(tmp_path: Path) -> None:
    """More repeats than a campaign has, so that the runs are many."""
    size = Size(positions=64, repeats=20)
    write_results(tmp_path, size)
    write_report(built_campaign(size), tmp_path, tmp_path / "report.html", DIGEST)
    pages = [path.stat().st_size for path in (tmp_path / "runs").glob("[!.]*")]
    assert len(pages) > 100
    assert max(pages) < LARGEST_BYTES
    assert (tmp_path / "report.html").stat().st_size < 10_000_000


def test_a_level_that_cannot_be_used_is_drawn_whole_and_leaves_the_other_panels_as_they_are(report: Report) -> None:
    """P2 is unusable and jumps by 12 dB about its middle, P1 moves by 1 dB: P2 spans 2 x 13 dB, P1 4 dB."""
    history = [
        {"position": place, "time_s": float(time), "level_db": level}
        for place, levels in (("P1", (99.0, 100.0, 101.0)), ("P2", (108.0, 120.0, 132.0)))
        for time, level in enumerate(levels)
    ]
    run = report.tables.used_measurements[0]
    figure = time_figure(report.campaign, run, ["P1", "P2"], {"P2": "unusable"}, history, "A")
    assert figure is not None
    assert figure.caption.endswith("All panels span 4 dB, but P2 26.")
    sound = time_figure(report.campaign, run, ["P1", "P2"], {}, history, "A")
    assert sound is not None
    assert sound.caption.endswith("All panels span 26 dB.")
