"""Texts that people can give stay texts: nothing of them runs, asks, or becomes part of the page."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest
from built_report import DIGEST, Report
from hostile_results import HURTS, KEPT, SAFE_ENDING, hostile, hostile_campaign, write_hostile_results
from opened_page import UNFOLDED, KeptPages, opened_page

from tapeline.report.page import write_report
from tapeline.report.wording import printable
from tapeline.store import tables

if TYPE_CHECKING:
    from playwright.sync_api import Browser

SHOWN = (
    "title",
    "axes",
    "condition open",
    "runs.remark",
    "quality.sentences",
    "calibration.why",
    "calibration.sensor",
    "calibration.serial",
    "checks.calibrator",
    "comparisons.interval_basis",
    "mirror_differences.mirror",
    "additivity.whole",
    "ranking.area",
    "area_differences.area",
    "column",
)
"""Places whose texts the page must show; the others may not be printed at all."""
SHOWN_OF_RUNS = (
    "title",
    "condition open",
    "runs.remark",
    "runs.recording",
    "runs.calibrator",
    "quality.sentences",
    "calibration.sensor",
)
"""Places whose texts the pages of runs must show."""

TAGS = """() => {
  const counts = {};
  for (const { localName } of document.querySelectorAll("*")) counts[localName] = (counts[localName] ?? 0) + 1;
  return counts;
}"""
STRANGE = """() => [...document.querySelectorAll("*")].flatMap(element => [...element.attributes]
  .filter(({ name, value }) => /^on/i.test(name) || /^\\s*javascript:/i.test(value)
  || (["src", "href", "action", "data", "srcset"].includes(name)
  && !/^(#[\\w.-]*|data:image\\/png;base64,[\\w+\\/=]*)$/.test(value)
  && !/^(\\.\\.\\/)?(figures\\/|runs\\/)?[\\w.-]+\\.(html|svg|csv)(#[\\w.-]*)?$/.test(value))
).map(({ name, value }) => `${element.localName} ${name}=${value.slice(0, 60)}`))"""


@dataclass(frozen=True)
class HostilePage:
    """The written page and the names of the columns that were filled."""

    path: Path
    filled: frozenset[str]

    @property
    def pages(self) -> list[Path]:
        """The page, the sheet and all pages of runs."""
        return [self.path, self.path.with_name("sheet.html"), *sorted((self.path.parent / "runs").glob("*.html"))]

    @property
    def text(self) -> str:
        """The page's bytes as text."""
        return self.path.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def hostile_page(tmp_path_factory: pytest.TempPathFactory) -> HostilePage:
    """In a folder whose name is as bad as a file system allows."""
    root = tmp_path_factory.mktemp("campaign") / 'it\'s a "quoted" \u202e<b>übel</b> \U0001f69a #1 %41 ?x=y & more'
    results = root / "results"
    filled = write_hostile_results(results)
    write_report(hostile_campaign(root), results, results / "report.html", DIGEST)
    return HostilePage(results / "report.html", frozenset(filled))


def test_every_free_text_column_was_filled(hostile_page: HostilePage) -> None:
    made = {path.name.removesuffix(".parquet") for path in (hostile_page.path.parent / "tables").iterdir()}
    free = {
        f"{table.name}.{column.name}"
        for table in tables.ALL
        for column in table.columns
        if table.name in made and column.type in ("text", "texts") and column.name not in KEPT
    }
    assert hostile_page.filled == free
    assert len(free) > 40


def test_the_pages_are_well_formed_and_hold_no_element_of_theirs(hostile_page: HostilePage, report: Report) -> None:
    """Elements are those of the harmless page; scripts and style sheets are one each."""
    known = {
        element.tag for path in ("report.html", *HARMLESS_RUNS) for element in tree_of(report.results / path).iter()
    }
    assert len(hostile_page.pages) > 10
    for path in hostile_page.pages:
        text = path.read_text(encoding="utf-8")
        tree = ElementTree.fromstring(text)
        assert {element.tag for element in tree.iter()} - known == set(), path.name
        assert [element.tag for element in tree.iter("script")] == ["script"]
        assert text.count("</style>") == text.count("<style>") == 1
        assert "\x00" not in text


HARMLESS_RUNS = ("runs/a-open-01.html", "runs/a-b0.html")


def tree_of(path: Path) -> ElementTree.Element:
    return ElementTree.fromstring(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("place", SHOWN)
def test_the_text_is_there_to_be_read(hostile_page: HostilePage, place: str) -> None:
    tree = ElementTree.fromstring(hostile_page.text)
    said = " ".join("".join(tree.itertext()).split())
    assert " ".join(printable(hostile(place)).split()) in said


@pytest.mark.parametrize("place", SHOWN_OF_RUNS)
def test_the_text_is_there_to_be_read_on_a_page_of_a_run(hostile_page: HostilePage, place: str) -> None:
    said = " ".join(" ".join("".join(tree_of(path).itertext()).split()) for path in hostile_page.pages[2:])
    assert " ".join(printable(hostile(place)).split()) in said


@pytest.mark.browser
@pytest.mark.parametrize("policy", [True, False])
def test_nothing_of_it_runs(browser: Browser, pages: KeptPages, hostile_page: HostilePage, policy: bool) -> None:
    """With the page's own policy, and by escaping alone."""
    path = hostile_page.path
    if not policy:
        path = path.with_name("without policy.html")
        path.write_text(re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", hostile_page.text), "utf-8")
        assert "Content-Security-Policy" not in path.read_text(encoding="utf-8")
    usual = set(pages.at().page.evaluate(TAGS))
    with opened_page(browser, path) as opened:
        page = opened.page
        page.evaluate(UNFOLDED)
        for choice in page.locator("select").all():
            for option in choice.locator("option").all_inner_texts():
                choice.select_option(label=option)
        for filter_field in page.locator("input[type=search]").all():
            if filter_field.is_visible():
                filter_field.fill(HURTS[0])
        for view in page.locator(".view[data-read]:visible").all()[:20]:
            view.press("ArrowRight")
        page.mouse.move(400, 400)
        page.wait_for_timeout(200)
        assert page.evaluate("window.hurt") is None
        assert opened.said == []
        assert [url for url in opened.asked if not url.startswith("data:image/png;")] == [path.resolve().as_uri()]
        assert page.evaluate(STRANGE) == []
        assert set(page.evaluate(TAGS)) <= usual | {"circle"}, "the script's own ring about what is read"
        assert page.evaluate("document.querySelectorAll('script').length") == 1
        assert page.title().startswith("title <script>window.hurt=1</script>")
        assert SAFE_ENDING in page.locator("h1").inner_text()


@pytest.mark.browser
def test_nothing_runs_on_the_pages_of_runs_and_the_sheet(browser: Browser, hostile_page: HostilePage) -> None:
    """By escaping alone: without the policy, which would stop it too."""
    chosen = [*hostile_page.pages[1:4], next(path for path in hostile_page.pages if path.name.startswith("a-open"))]
    for page_path in chosen:
        path = page_path.with_name(f"without policy {page_path.name}")
        text, count = re.subn(
            r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page_path.read_text(encoding="utf-8")
        )
        assert count == 1
        path.write_text(text, encoding="utf-8")
        with opened_page(browser, path) as opened:
            for view in opened.page.locator(".view[data-read]").all():
                view.press("ArrowRight")
            assert opened.page.evaluate("window.hurt") is None
            assert opened.said == []
            assert opened.page.evaluate(STRANGE) == []
        path.unlink()


@pytest.mark.browser
def test_a_script_on_the_page_that_is_not_its_own_does_not_run(
    browser: Browser, report: Report, tmp_path: Path
) -> None:
    """The policy by itself, as if an escape were missing somewhere."""
    path = tmp_path / "hole.html"
    hole = "<script>window.hurt=1</script><img src='x' onerror='window.hurt=1'/></main>"
    path.write_text(report.text.replace("</main>", hole), encoding="utf-8")
    with opened_page(browser, path) as opened:
        assert opened.page.evaluate("window.hurt") is None
        assert len([said for said in opened.said if "Content Security Policy" in said]) >= 2
        assert opened.page.locator(".chooser").count() == 1


def test_figures_are_named_by_identifiers_and_hold_nothing_to_run(hostile_page: HostilePage) -> None:
    """Drawings that stand alone have no policy: escaping is all there is."""
    figures = sorted((hostile_page.path.parent / "figures").glob("[!.]*"))
    assert len(figures) > 10
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]*\.(svg|csv)", path.name) for path in figures)
    for path in figures:
        if path.suffix == ".svg":
            elements = list(ElementTree.fromstring(path.read_text(encoding="utf-8")).iter())
            tags = {str(element.tag).rpartition("}")[2] for element in elements}
            assert tags <= {"svg", "g", "path", "text", "tspan", "style", "image", "rect", "line", "circle", "title"}, (
                tags
            )
            places = [value for element in elements for name, value in element.attrib.items() if name.endswith("href")]
            assert all(value.startswith(("#", "data:image/png;base64,")) for value in places)
            assert not [name for element in elements for name in element.attrib if name.lower().startswith("on")]
        else:
            first = [line.lstrip('"')[:1] for line in path.read_text(encoding="utf-8").splitlines()]
            assert not {"=", "@", "+"} & set(first), "a spreadsheet would take it for a formula"


@pytest.mark.parametrize("sign", ["\u202a", "\u202e", "\u2066", "\u2069"])
def test_no_text_turns_the_numbers_that_follow_it(sign: str) -> None:
    """Unicode standard annex 9: after an override "3.2 to 6.8" reads "8.6 ot 2.3"."""
    assert printable(f"Taped{sign}: 3.2 to 6.8") == "Taped\ufffd: 3.2 to 6.8"
    assert printable("\u0645\u063a\u0644\u0642 \u6e2c") == "\u0645\u063a\u0644\u0642 \u6e2c"
