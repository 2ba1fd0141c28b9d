"""The page as a file: whole in itself, well-formed, escaped, the same bytes every time."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from built_report import DIGEST, Report
from built_results import HOSTILE, SMALL, Size, built_campaign, write_empty, write_results

from tapeline import __version__
from tapeline.report import figure_files
from tapeline.report.page import write_report
from tapeline.report.wording import printable

SECTIONS = (
    "summary",
    "attention",
    "coverage",
    "work-on-first",
    "levels",
    "comparisons",
    "repeatability",
    "scaling",
    "tones",
    "quality",
    "calibration",
    "spectra",
    "history",
    "positions",
    "run-log",
    "methods",
    "settings",
    "cautions",
)


def text_of(element: ElementTree.Element) -> str:
    return " ".join("".join(element.itertext()).split())


def test_the_page_refers_to_nothing_outside_itself(report: Report) -> None:
    assert not re.search(r"https?://", report.text)
    places = [
        value
        for element in report.tree.iter()
        for name, value in element.attrib.items()
        if name in ("src", "href", "srcset", "action", "data")
    ]
    assert places
    assert all(value.startswith(("data:image/", "#")) for value in places)
    style = "".join(element.text or "" for element in report.tree.iter("style"))
    assert "@page" in style
    assert "url(" not in style
    assert "@import" not in style


def test_links_lead_to_places_on_the_page_and_no_anchor_occurs_twice(report: Report) -> None:
    anchors = [element.attrib["id"] for element in report.tree.iter() if "id" in element.attrib]
    assert len(anchors) == len(set(anchors))
    links = {element.attrib["href"] for element in report.tree.iter("a")}
    assert links
    assert {link.removeprefix("#") for link in links} <= set(anchors)


def test_every_chapter_is_there_in_order_with_the_summary_first(report: Report) -> None:
    main = report.tree.find(".//main")
    assert main is not None
    assert tuple(section.attrib["id"] for section in main.findall("section")) == SECTIONS


def test_the_page_has_no_forms_and_one_script_that_its_policy_names(report: Report) -> None:
    """The hash is that of the text between the tags (W3C, Content Security Policy 3, 6.7.3.3)."""
    tags = [element.tag for element in report.tree.iter()]
    assert not set(tags) & {"iframe", "object", "form", "link", "input", "select", "button"}
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


def test_the_head_names_campaign_reference_version_and_analysis(report: Report) -> None:
    header = report.tree.find(".//header")
    assert header is not None
    for words in ("van-built", f"tapeline {__version__}", DIGEST):
        assert words in text_of(header)
    summary = report.tree.find(".//section[@id='summary']")
    assert summary is not None
    for words in ("dB re 20 µPa", "95 % confidence intervals"):
        assert words in text_of(summary)


def test_every_table_has_a_caption_and_headers_with_scope(report: Report) -> None:
    tables = list(report.tree.iter("table"))
    assert len(tables) > 8
    for table in tables:
        assert table.find("caption") is not None
        assert {cell.attrib.get("scope") for cell in table.iter("th")} == {"col", "row"}
        widths = {len(row) for row in table.iter("tr")}
        assert len(widths) == 1


def test_every_figure_says_its_message_in_words(report: Report) -> None:
    figures = list(report.tree.iter("figure"))
    assert len(figures) == len(list((report.results / "figures").glob("*.[sp][vn]g")))
    for figure in figures:
        picture, caption = figure.find(".//img"), figure.find("figcaption")
        assert picture is not None
        assert caption is not None
        assert len(picture.attrib["alt"]) > 40
        assert text_of(caption)


def test_figures_are_files_named_by_identifiers(report: Report) -> None:
    names = {path.name for path in (report.results / "figures").glob("[!.]*")}
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]*\.(svg|png|csv)", name) for name in names)
    assert any(name.startswith("levels_whole-seam_april_100kmh_yaw0") for name in names)
    for drawing in (report.results / "figures").glob("*.svg"):
        text = drawing.read_text(encoding="utf-8")
        ElementTree.fromstring(text)
        assert "<dc:date>" not in text
        assert "<script" not in text


@pytest.mark.parametrize("size", [SMALL, pytest.param(Size(), marks=pytest.mark.long)], ids=["small", "whole"])
def test_the_same_tables_give_the_same_bytes_by_any_number_of_processes(size: Size, tmp_path: Path) -> None:
    one, two = tmp_path / "one", tmp_path / "two"
    for processes, results in enumerate((one, two), start=1):
        write_results(results, size)
        page = results / "report.html"
        write_report(built_campaign(size), results, page, DIGEST, version=1, processes=processes)
    files = (one / "report.html", *sorted((one / "figures").glob("[!.]*")))
    assert len(files) > 20
    for path in files:
        assert path.read_bytes() == (two / path.relative_to(one)).read_bytes(), path.name


def test_tables_without_rows_give_a_page_that_says_so(tmp_path: Path) -> None:
    write_empty(tmp_path)
    campaign = built_campaign(comparisons={})
    write_report(campaign, tmp_path, tmp_path / "report.html", DIGEST, version=1)
    tree = ElementTree.fromstring((tmp_path / "report.html").read_text(encoding="utf-8"))
    main = tree.find(".//main")
    assert main is not None
    assert tuple(section.attrib["id"] for section in main.findall("section")) == SECTIONS
    words = text_of(tree)
    for sentence in (
        "No findings:",
        "No comparison has a result.",
        "No exponents:",
        "No search for tones:",
        "No spectrum:",
        "No map:",
        "No list:",
    ):
        assert sentence in words
    assert not list(tree.iter("figure"))


def test_nothing_to_attend_to_is_said(tmp_path: Path) -> None:
    write_empty(tmp_path)
    campaign = built_campaign(comparisons={})
    object.__setattr__(campaign, "warnings", ())
    write_report(campaign, tmp_path, tmp_path / "report.html", DIGEST, version=1)
    assert "Nothing found:" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_figures_of_an_earlier_report_are_taken_away(tmp_path: Path) -> None:
    write_empty(tmp_path)
    old = tmp_path / "figures" / "levels_old_april_100kmh_yaw0.png"
    old.parent.mkdir()
    old.write_bytes(b"old")
    other = old.with_name("notes.txt")
    other.write_text("kept")
    write_report(built_campaign(), tmp_path, tmp_path / "report.html", DIGEST, version=1)
    assert not old.exists()
    assert other.exists()


def test_figures_beyond_the_room_of_the_page_are_named_by_their_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    room = 250_000
    others = figure_files.FigureShelf.__init__.__defaults__[1:]
    monkeypatch.setattr(figure_files.FigureShelf.__init__, "__defaults__", (room, *others))
    write_results(tmp_path, SMALL)
    write_report(built_campaign(SMALL), tmp_path, tmp_path / "report.html", DIGEST, version=1)
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    pictures = re.findall(r'src="(data:image/[^"]*)"', text)
    assert 0 < sum(map(len, pictures)) <= room
    files = list((tmp_path / "figures").glob("*.[sp][vn]g"))
    assert len(re.findall("The page has no room for this figure", text)) == len(files) - len(pictures) > 0
    for path in files:
        assert f"figures/{path.name}" in text


def _luminance(colour: str) -> float:
    parts = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_text_stands_out_from_the_paper() -> None:
    """Contrast of at least 4.5 to 1 with white: WCAG 2.1, success criterion 1.4.3 (AA), formula of its glossary."""
    style = (Path(figure_files.__file__).parent / "page.css").read_text(encoding="utf-8")
    root = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", style))
    colours = [root["ink"], root["soft"], root["accent"], *re.findall(r"[{ ;]color: (#[0-9a-f]{6})", style)]
    assert len(colours) >= 5
    for colour in colours:
        assert 1.05 / (_luminance(colour) + 0.05) >= 4.5, colour
