"""Texts that people can give stay texts: nothing of them runs, asks, or becomes part of the page."""

from __future__ import annotations

import re
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest
from built_report import DIGEST, Report
from hostile_results import HURTS, KEPT, SAFE_ENDING, hostile, hostile_campaign, write_hostile_results
from opened_page import KeptPages, opened_page

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
    "checks.reasons",
    "quality.sentences",
    "calibration.why",
    "calibration.sensor",
    "calibration.serial",
    "calibration.chart_serial",
    "checks.calibrator",
    "checks.stage",
    "comparisons.interval_basis",
    "comparisons.pairing",
    "mirror_differences.mirror",
    "additivity.whole",
    "ranking.area",
    "area_differences.area",
    "runs.recorded_at",
    "column",
)
"""Places whose texts the page must show; the others may not be printed at all."""

TAGS = """() => {
  const counts = {};
  for (const { localName } of document.querySelectorAll("*")) counts[localName] = (counts[localName] ?? 0) + 1;
  return counts;
}"""
STRANGE = """() => [...document.querySelectorAll("*")].flatMap(element => [...element.attributes]
  .filter(({ name, value }) => /^on/i.test(name) || /^\\s*javascript:/i.test(value)
  || (["src", "href", "action", "data", "srcset"].includes(name) && !/^(#|data:image\\/)/.test(value))
).map(({ name, value }) => `${element.localName} ${name}=${value.slice(0, 60)}`))"""


@dataclass(frozen=True)
class HostilePage:
    """The written page and the names of the columns that were filled."""

    path: Path
    filled: frozenset[str]

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
    with warnings.catch_warnings():
        warnings.filterwarnings("error", "Glyph .* missing from font")
        write_report(hostile_campaign(root), results, results / "report.html", DIGEST, version=1)
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


def test_the_page_is_well_formed_and_holds_no_element_of_theirs(hostile_page: HostilePage, report: Report) -> None:
    tree = ElementTree.fromstring(hostile_page.text)
    assert {element.tag for element in tree.iter()} <= {element.tag for element in report.tree.iter()} | {"br"}
    assert [element.tag for element in tree.iter("script")] == ["script"]
    assert hostile_page.text.count("</style>") == hostile_page.text.count("<style>") == 1
    assert "\x00" not in hostile_page.text


@pytest.mark.parametrize("place", SHOWN)
def test_the_text_is_there_to_be_read(hostile_page: HostilePage, place: str) -> None:
    tree = ElementTree.fromstring(hostile_page.text)
    said = " ".join("".join(tree.itertext()).split())
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
        for choice in page.locator("select").all():
            for option in choice.locator("option").all_inner_texts():
                choice.select_option(label=option)
        for filter_field in page.locator("input[type=search]").all():
            if filter_field.is_visible():
                filter_field.fill(HURTS[0])
        page.get_by_role("button", name="Show all").click()
        page.mouse.move(400, 400)
        page.wait_for_timeout(200)
        assert page.evaluate("window.hurt") is None
        assert opened.said == []
        assert [url for url in opened.asked if not url.startswith("data:image/")] == [path.resolve().as_uri()]
        assert page.evaluate(STRANGE) == []
        assert set(page.evaluate(TAGS)) <= usual
        assert page.evaluate("document.querySelectorAll('script').length") == 1
        assert page.title().startswith("title <script>window.hurt=1</script>")
        assert SAFE_ENDING in page.locator("h1").inner_text()


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
    figures = sorted((hostile_page.path.parent / "figures").glob("[!.]*"))
    assert len(figures) > 10
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]*\.(svg|png|csv)", path.name) for path in figures)
    for path in figures:
        if path.suffix == ".svg":
            elements = list(ElementTree.fromstring(path.read_text(encoding="utf-8")).iter())
            assert not {str(element.tag).rpartition("}")[2] for element in elements} & {"script", "foreignObject", "a"}
            assert not [name for element in elements for name in element.attrib if name.lower().startswith("on")]
