"""The page on A4 and Letter: nothing cut, heads of tables repeated, feet with campaign, version, digest and page."""

from __future__ import annotations

import io
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from built_report import DIGEST, Report, text_of
from opened_page import KeptPages, opened_page

from tapeline import __version__

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.browser

MM_PER_INCH, PX_PER_INCH, SIDE_MM, TOP_MM = 25.4, 96, 13, 15
PAPERS_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
"""ISO 216 and ANSI/ASME Y14.1."""

WIDER = """width => [...document.querySelectorAll("body *")].filter(element => {
  const box = element.getBoundingClientRect();
  return box.width > 0 && (box.left < -0.5 || box.right > width + 0.5);
}).map(element => `${element.localName} ${element.id} ${element.className}`)"""
CUT = """() => [...document.querySelectorAll("body *")].filter(element =>
  getComputedStyle(element).overflowX !== "visible" && element.scrollWidth > element.clientWidth + 1
).map(element => `${element.localName} ${element.id} ${element.className}`)"""
CUT_WORDS = """() => [...document.querySelectorAll("svg.chart text")].filter(text => {
  const box = text.getBBox(), view = text.ownerSVGElement.viewBox.baseVal;
  const turned = text.hasAttribute("transform");
  return !turned && box.width > 0 && (box.x < -0.5 || box.x + box.width > view.width + 0.5 || box.y < -0.5
    || box.y + box.height > view.height + 0.5);
}).map(text => `${text.closest("figure")?.id} ${text.textContent}`)"""

SEEN = """word => { for (const image of document.querySelectorAll("svg")) image.style.visibility = word; }"""
"""Drawings that keep their place and are not drawn: reading text from the paper would go through all their lines."""


def printed_px(paper: str) -> int:
    """The width between the margins of the style sheet."""
    return int((PAPERS_MM[paper][0] - 2 * SIDE_MM) / MM_PER_INCH * PX_PER_INCH)


@dataclass(frozen=True)
class Printed:
    """A printed page: the paper that was asked for; width and height (points) and words of each of its pages."""

    paper: str
    sizes_pt: tuple[tuple[float, float], ...]
    texts: tuple[str, ...]


@pytest.fixture(scope="module", params=["A4", "Letter"])
def printed(request: pytest.FixtureRequest, pages: KeptPages) -> Printed:
    """As a reader prints who has unfolded nothing."""
    from pypdf import PdfReader

    page = pages.at().page
    page.evaluate(SEEN, "hidden")
    content = page.pdf(format=request.param, prefer_css_page_size=False)
    page.evaluate(SEEN, "")
    pages = PdfReader(io.BytesIO(content)).pages
    return Printed(
        request.param,
        tuple((float(page.mediabox.width), float(page.mediabox.height)) for page in pages),
        tuple(words(page.extract_text()) for page in pages),
    )


def words(text: str) -> str:
    """Text without blanks and ligatures, which PDFs set anew."""
    return "".join(unicodedata.normalize("NFKC", text).split())


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_nothing_is_wider_than_the_paper(pages: KeptPages, paper: str) -> None:
    width = printed_px(paper)
    opened = pages.at(width, paper=True)
    assert opened.page.locator("#run-log-table").bounding_box() is not None
    assert opened.page.evaluate(WIDER, width) == []
    assert opened.page.evaluate(CUT) == []
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_no_page_of_a_run_is_wider_than_the_paper(browser: Browser, report: Report, paper: str) -> None:
    width = printed_px(paper)
    for run in (report.tables.used_measurements[0], report.tables.runs[0]):
        path = report.results / "runs" / f"{run['run']}.html"
        with opened_page(browser, path, width=width, paper=True) as opened:
            assert opened.page.locator("table").count() > 1
            assert opened.page.evaluate(WIDER, width) == []
            assert opened.page.evaluate(CUT) == []


def test_no_word_of_a_figure_is_cut_at_its_edge(pages: KeptPages, browser: Browser, report: Report) -> None:
    page = pages.at(1440, paper=True).page
    assert page.locator("svg.chart text").count() > 300
    assert page.evaluate(CUT_WORDS) == []
    run = report.tables.used_measurements[0]["run"]
    with opened_page(browser, report.results / "runs" / f"{run}.html") as opened:
        assert opened.page.locator("svg.chart text").count() > 50
        assert opened.page.evaluate(CUT_WORDS) == []


def test_figures_fit_one_page(pages: KeptPages) -> None:
    """The lower of both papers, less the margins of the style sheet above and below."""
    width, height = printed_px("A4"), (PAPERS_MM["Letter"][1] - 2 * TOP_MM) / MM_PER_INCH * PX_PER_INCH
    opened = pages.at(width, paper=True)
    figures = opened.page.locator("figure").all()
    boxes = [(figure.get_attribute("id"), figure.bounding_box()) for figure in figures]
    assert len(boxes) > 4
    assert not [(key, box) for key, box in boxes if box is None or box["height"] >= height]


def test_the_paper_is_the_one_asked_for(printed: Printed) -> None:
    assert len(printed.sizes_pt) > 3
    for size in printed.sizes_pt:
        for length, expected in zip(size, PAPERS_MM[printed.paper], strict=True):
            assert length / 72 * MM_PER_INCH == pytest.approx(expected, abs=0.6)


def test_what_was_folded_is_printed_too(printed: Printed, report: Report) -> None:
    """All headings, titles of folds, paragraphs and the last column of every table."""
    text = "".join(printed.texts)
    said = [
        text_of(element) for element in report.tree.iter() if element.tag in ("h1", "h2", "h3", "h4", "h5", "summary")
    ]
    assert len(said) > 16
    assert [heading for heading in said if words(heading) not in text] == []
    paragraphs = [text_of(element) for element in report.tree.iterfind(".//main//p")]
    lost = [said for said in paragraphs if words(said)[:30] not in text]
    assert lost == []
    for table in report.tree.iter("table"):
        last = text_of(table.findall("thead/tr/th")[-1])
        assert words(last) in text, table.attrib["id"]


@pytest.mark.parametrize("key", ["settings-table", "run-log-table"])
def test_a_long_tables_head_is_on_each_of_its_pages(printed: Printed, report: Report, key: str) -> None:
    """Rows are known by their first two cells; wider cells are broken into lines, which a PDF does not put together."""
    table = report.tree.find(f".//table[@id='{key}']")
    assert table is not None
    head, *rows = [[text_of(cell) for cell in row] for row in table.iter("tr")]
    marks = {words("".join(row[:2])) for row in rows if "." in row[0] or "-" in row[0]}
    with_rows = [text for text in printed.texts if any(mark in text for mark in marks)]
    assert len(with_rows) > 1
    assert all(words("".join(head[:2])) in text for text in with_rows)


def test_every_page_names_campaign_version_digest_and_its_number(printed: Printed) -> None:
    for number, text in enumerate(printed.texts, start=1):
        assert "van-built" in text
        assert words(f"tapeline {__version__} · {DIGEST}") in text
        assert words(f"{number} of {len(printed.texts)}") in text


def test_a_page_in_a_folder_of_any_name_is_printed(browser: Browser, report: Report, tmp_path: Path) -> None:
    place = tmp_path / 'it\'s "odd" #1 %41 ü' / "report.html"
    place.parent.mkdir()
    place.write_text(report.text, encoding="utf-8")
    with opened_page(browser, place, width=printed_px("A4"), paper=True) as opened:
        assert opened.page.locator("h1").inner_text() == "Camper van <b>built</b> for tests, synthetic"
