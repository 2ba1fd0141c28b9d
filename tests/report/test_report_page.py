"""The page as a file: whole in itself, well-formed, escaped, the same bytes every time."""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter
from pathlib import Path
from xml.etree import ElementTree

import pytest
from built_report import DIGEST, FILES_BESIDE, Report, text_of
from built_results import HOSTILE, SMALL, Size, built_campaign, write_empty, write_results

from tapeline import __version__
from tapeline.report.blocks import PARTS
from tapeline.report.finished_tables import read_finished
from tapeline.report.page import page_sections, write_report
from tapeline.report.wording import printable

SVG = "{http://www.w3.org/2000/svg}svg"


def test_the_page_refers_to_nothing_but_files_beside_it(report: Report) -> None:
    """And each of them is there."""
    assert not re.search(r"https?://", report.text.replace("http://www.w3.org/2000/svg", ""))
    places = [
        value
        for element in report.tree.iter()
        for name, value in element.attrib.items()
        if name in ("src", "href", "srcset", "action", "data")
    ]
    files = {place for place in places if not place.startswith("#")}
    assert files
    assert all(place.startswith(FILES_BESIDE) and (report.results / place).is_file() for place in files)
    style = "".join(element.text or "" for element in report.tree.iter("style"))
    assert "@page" in style
    assert "url(" not in style
    assert "@import" not in style


def test_links_lead_to_places_on_the_page_and_no_anchor_occurs_twice(report: Report) -> None:
    anchors = Counter(element.attrib["id"] for element in report.tree.iter() if "id" in element.attrib)
    assert [anchor for anchor, count in anchors.items() if count > 1] == []
    links = {element.attrib["href"] for element in report.tree.iter("a") if element.attrib["href"].startswith("#")}
    assert len(links) > 20
    assert {link.removeprefix("#") for link in links} - set(anchors) == set()


def test_every_section_is_there_in_its_part_and_in_the_contents(report: Report) -> None:
    sections = page_sections(report.tables, report.campaign)
    parts = [part for part in PARTS if any(section.part == part for section in sections)]
    main = report.tree.find(".//main")
    assert main is not None
    shown = main.findall("div[@class='part']")
    assert [part.attrib["id"] for part in shown] == parts
    for part in shown:
        titles = [text_of(heading) for heading in part.iter("h3")]
        assert titles == [section.title for section in sections if section.part == part.attrib["id"]]
    contents = [element.attrib["href"] for element in report.tree.iterfind(".//nav/ul/li/a")]
    assert contents == [f"#{section.key}" for part in parts for section in sections if section.part == part]
    keys = {section.key for section in sections}
    assert {"comparisons", "overall", "tested", "run-log", "methods", "settings", "cautions"} <= keys


def test_the_page_has_no_forms_and_one_script_that_its_policy_names(report: Report) -> None:
    """The hash is that of the text between the tags (W3C, Content Security Policy 3, 6.7.3.3)."""
    tags = [element.tag for element in report.tree.iter()]
    assert not set(tags) & {"iframe", "object", "form", "link", "input", "select", "button", "img"}
    assert {"header", "nav", "main", "footer"} <= set(tags)
    assert tags.count("script") == 1
    script = report.text.partition("<script>")[2].partition("</script>")[0]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = report.tree.find(".//meta[@http-equiv='Content-Security-Policy']")
    assert policy is not None
    assert f"script-src 'sha256-{digest}'" in policy.attrib["content"]
    assert "default-src 'none'" in policy.attrib["content"]
    for word in ("innerHTML", "eval(", "document.write", "insertAdjacent", "outerHTML", "]]>\n//"):
        assert word not in script


def test_text_in_the_style_sheet_cannot_leave_its_quotes(report: Report) -> None:
    """Escapes by number, CSS Syntax Module Level 3, 4.3.7."""
    style = report.text.partition("<style>")[2].partition("</style>")[0]
    assert '@top-left { content: "van\\00002d built"; }' in style


def test_text_of_the_user_is_shown_as_text(report: Report) -> None:
    cells = [text_of(cell) for cell in report.tree.iter("td")]
    assert " ".join(printable(HOSTILE).split()) in cells
    assert "\x07" not in report.text
    assert "<b>" not in report.text.partition("<main>")[0]
    heading = report.tree.find(".//h1")
    assert heading is not None
    assert heading.text == "Camper van <b>built</b> for tests, synthetic"


def test_the_head_names_campaign_version_and_analysis_and_the_page_its_reference(report: Report) -> None:
    header = report.tree.find(".//header")
    assert header is not None
    for words in ("van-built", f"tapeline {__version__}", DIGEST):
        assert words in text_of(header)
    tested = report.tree.find(".//section[@id='tested']")
    assert tested is not None
    for words in ("dB re 20 µPa", "95 % confidence intervals", "x rearward, y to the right, z up"):
        assert words in text_of(tested)


def test_every_table_has_a_caption_and_headers_with_scope(report: Report) -> None:
    tables = list(report.tree.iter("table"))
    assert len(tables) > 8
    for table in tables:
        assert table.find("caption") is not None
        assert {cell.attrib.get("scope") for cell in table.iter("th")} == {"col", "row"}
        widths = {len(row) for row in table.iter("tr")}
        assert len(widths) == 1


def test_every_figure_says_its_message_in_words_and_leads_to_its_files(report: Report) -> None:
    figures = list(report.tree.iter("figure"))
    drawings = {path.name for path in (report.results / "figures").glob("*.svg")}
    led_to = {
        element.attrib["href"].removeprefix("figures/")
        for figure in figures
        for element in figure.iter("a")
        if element.attrib["href"].endswith(".svg")
    }
    assert led_to == drawings
    assert len(figures) == len(drawings) > 4
    for figure in figures:
        picture, caption = figure.find(f".//{SVG}"), figure.find("figcaption")
        assert picture is not None
        assert caption is not None
        assert len(picture.attrib["aria-label"]) > 40
        assert picture.attrib["role"] == "img"
        assert text_of(caption)


def test_figures_are_files_named_by_identifiers_each_with_its_numbers(report: Report) -> None:
    names = {path.name for path in (report.results / "figures").glob("[!.]*")}
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]*\.(svg|csv)", name) for name in names)
    stems = Counter(Path(name).stem for name in names)
    assert set(stems.values()) == {2}
    for drawing in (report.results / "figures").glob("*.svg"):
        text = drawing.read_text(encoding="utf-8")
        root = ElementTree.fromstring(text)
        assert root.tag == SVG
        assert "<script" not in text


@pytest.mark.parametrize("size", [SMALL, pytest.param(Size(), marks=pytest.mark.long)], ids=["small", "whole"])
def test_the_same_tables_give_the_same_bytes(size: Size, tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    for results in (one, two):
        write_results(results, size)
        write_report(built_campaign(size), results, results / "report.html", DIGEST)
    files = [path for name in ("report.html", "figures/[!.]*", "runs/[!.]*") for path in sorted(one.glob(name))]
    assert len(files) > 20
    for path in files:
        assert path.read_bytes() == (two / path.relative_to(one)).read_bytes(), path.name


def test_tables_without_rows_give_a_page_that_says_so(tmp_path: Path) -> None:
    """No section is empty, none fails, and nothing is drawn."""
    write_empty(tmp_path)
    campaign = built_campaign(comparisons={})
    write_report(campaign, tmp_path, tmp_path / "report.html", DIGEST)
    tree = ElementTree.fromstring((tmp_path / "report.html").read_text(encoding="utf-8"))
    sections = page_sections(read_finished(tmp_path), campaign)
    assert sections
    for section in sections:
        element = tree.find(f".//*[@id='{section.key}']")
        assert element is not None, section.key
        assert len(text_of(element)) > len(section.title) + 10, section.key
    assert "No comparison has a result" in text_of(tree)
    assert not list(tree.iter("figure"))
    assert not list((tmp_path / "figures").glob("*.svg"))


def test_figures_of_an_earlier_report_are_taken_away(tmp_path: Path) -> None:
    write_empty(tmp_path)
    old = tmp_path / "figures" / "levels_old_april_100kmh_yaw0.png"
    old.parent.mkdir()
    old.write_bytes(b"old")
    other = old.with_name("notes.txt")
    other.write_text("kept")
    write_report(built_campaign(), tmp_path, tmp_path / "report.html", DIGEST)
    assert not old.exists()
    assert other.exists()
