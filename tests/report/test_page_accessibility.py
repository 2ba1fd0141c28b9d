"""The page for everybody: the rules of WCAG 2.2 that a machine can check, and those of structure by themselves."""

from __future__ import annotations

import re
from collections import Counter
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from built_report import Report
from opened_page import UNFOLDED, KeptPages, Opened, opened_page

from tapeline.report import page as page_module

if TYPE_CHECKING:
    from collections.abc import Sequence

    from playwright.sync_api import Browser

LEAST_CONTRAST = 4.5
"""WCAG 2.2, 1.4.3, for text of ordinary size."""
LEAST_MARK_CONTRAST = 3.0
"""WCAG 2.2, 1.4.11, for what must be seen to understand a graphic."""
LEAST_PX, LEAST_PT = 11.0, 7.0
"""Own choice: the smallest type on screen and on paper."""
PAPER_PX = 695
"""What the margins of the style sheet leave of A4's width, at 96 pixels an inch."""

TYPE_SIZES = """() => {
  const found = [], walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode, element = node.parentElement;
    if (!node.textContent.trim() || element.closest("script, style") || element.getClientRects().length === 0) continue;
    const drawing = element.closest("svg.chart");
    const scale = drawing === null ? 1 : drawing.getBoundingClientRect().width / drawing.viewBox.baseVal.width;
    found.push([node.textContent.trim().slice(0, 40), parseFloat(getComputedStyle(element).fontSize) * scale]);
  }
  return found;
}"""


def axe_finds_nothing(opened: Opened) -> None:
    """Its `resultTypes` names what it describes node by node; of the other results, passes, it names one node."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(opened.page, options={"resultTypes": ["violations"]})
    assert found.violations_count == 0, found.generate_report()
    passed = {rule["id"] for rule in found.response["passes"]}
    assert {"color-contrast", "heading-order", "landmark-unique", "svg-img-alt", "link-name"} <= passed


def some_long(quick: Sequence[tuple[object, ...]], others: Sequence[tuple[object, ...]]) -> list[Any]:
    """Cases of the quick suite, and those that go with the long evidence: axe takes seconds a page."""
    return [*quick, *(pytest.param(*case, marks=pytest.mark.long) for case in others)]


@pytest.mark.browser
@pytest.mark.parametrize(
    ("width", "unfolded", "dark"),
    some_long(
        [(390, True, False), (1440, False, True)],
        [(390, True, True), (1440, False, False), (1440, True, False), (1440, True, True)],
    ),
)
def test_axe_finds_nothing(pages: KeptPages, width: int, unfolded: bool, dark: bool) -> None:
    """All rules of axe-core, as opened, and unfolded with a choice and a filter in force."""
    opened = pages.at(width, dark=dark, unfolded=unfolded)
    if unfolded:
        opened.page.locator("#choose-comparison").select_option("front-part")
        opened.page.locator("#run-log-table-filter").fill("door")
    axe_finds_nothing(opened)


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, pytest.param(1440, marks=pytest.mark.long)])
def test_axe_finds_nothing_without_scripts(browser: Browser, report: Report, width: int, tmp_path: Path) -> None:
    """The page without its script, all unfolded, as a reader has it whose browser runs none."""
    path = tmp_path / "report.html"
    text, count = re.subn(r"<script>.*</script>", "", report.text, flags=re.DOTALL)
    assert count == 1
    path.write_text(text, encoding="utf-8")
    with opened_page(browser, path, width=width) as opened:
        opened.page.evaluate(UNFOLDED)
        axe_finds_nothing(opened)


@pytest.mark.browser
@pytest.mark.parametrize(("width", "dark"), some_long([(390, True), (1440, False)], [(390, False), (1440, True)]))
def test_axe_finds_nothing_on_the_page_of_a_run(browser: Browser, report: Report, width: int, dark: bool) -> None:
    used = {row["run"] for row in report.tables.used_measurements}
    run = next(row["run"] for row in report.tables.quality if row["verdict"] == "unusable" and row["run"] in used)
    with opened_page(browser, report.results / "runs" / f"{run}.html", width=width) as opened:
        opened.page.emulate_media(color_scheme="dark" if dark else "light")
        axe_finds_nothing(opened)
        assert opened.said == []


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1440])
def test_no_text_is_too_small_to_read_on_screen(pages: KeptPages, width: int) -> None:
    sizes = pages.at(width, unfolded=True).page.evaluate(TYPE_SIZES)
    assert len(sizes) > 300
    assert [(text, size) for text, size in sizes if size < LEAST_PX - 0.01] == []


@pytest.mark.browser
def test_no_text_is_too_small_to_read_on_paper(pages: KeptPages) -> None:
    sizes = pages.at(PAPER_PX, paper=True).page.evaluate(TYPE_SIZES)
    assert len(sizes) > 300
    assert [(text, size) for text, size in sizes if size / 96 * 72 < LEAST_PT - 0.01] == []


@pytest.mark.browser
def test_no_text_is_too_small_on_the_page_of_a_run(browser: Browser, report: Report) -> None:
    run = next(row["run"] for row in report.tables.used_measurements)
    with opened_page(browser, report.results / "runs" / f"{run}.html", width=390) as opened:
        sizes = opened.page.evaluate(TYPE_SIZES)
        assert len(sizes) > 100
        assert min(size for _, size in sizes) >= LEAST_PX - 0.01
        opened.page.set_viewport_size({"width": PAPER_PX, "height": 900})
        opened.page.emulate_media(media="print")
        assert min(size for _, size in opened.page.evaluate(TYPE_SIZES)) / 96 * 72 >= LEAST_PT - 0.01


@pytest.mark.browser
@pytest.mark.parametrize("width", [390, 1440])
def test_every_control_says_what_it_is_for_by_itself(pages: KeptPages, width: int) -> None:
    """Names are unique, also those of the regions that scroll; a filter's holds its table's caption."""
    tree = pages.at(width, unfolded=True).page.locator("body").aria_snapshot()
    for role in ("searchbox", "combobox", "region", "button", "navigation", "group"):
        names = re.findall(rf'^\s*- {role} "(.*)"', tree, re.MULTILINE)
        assert [name for name, count in Counter(names).items() if count > 1] == []
        assert names or role == "button"


def test_headings_go_down_one_level_at_a_time(report: Report) -> None:
    levels = [int(element.tag[1]) for element in report.tree.iter() if re.fullmatch("h[1-6]", str(element.tag))]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_the_page_has_its_landmarks_language_and_a_link_past_the_contents(report: Report) -> None:
    body = report.tree.find("body")
    assert body is not None
    assert report.tree.attrib["lang"] == "en"
    assert [child.tag for child in body if child.tag != "script"] == ["a", "nav", "main"]
    first = body[0]
    assert first.attrib["class"] == "skip"
    main = body.find("main")
    assert main is not None
    assert first.attrib["href"].removeprefix("#") in {element.attrib.get("id") for element in main.iter()}


def test_what_scrolls_can_be_reached_and_has_a_name_of_its_own(report: Report) -> None:
    for kind, role in (("wide", "region"), ("view", "group")):
        parts = [element for element in report.tree.iter("div") if element.attrib.get("class") == kind]
        assert len(parts) > 4
        assert all(element.attrib["tabindex"] == "0" and element.attrib["role"] == role for element in parts)
        names = Counter(element.attrib["aria-label"] for element in parts)
        assert [name for name, count in names.items() if count > 1] == []


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, "#rrggbb" or "#rgb" (WCAG 2.2, definition of relative luminance)."""

    def luminance(colour: str) -> float:
        digits = colour.removeprefix("#")
        whole = "".join(2 * digit for digit in digits) if len(digits) == 3 else digits
        shares = [int(whole[start : start + 2], 16) / 255 for start in (0, 2, 4)]
        parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in shares]
        return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]

    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_contrast_is_that_of_the_guideline() -> None:
    """Black on white is 21 to 1 by definition; #767676 is the lightest grey that passes on white (common practice)."""
    assert contrast("#000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#fff") >= LEAST_CONTRAST > contrast("#777777", "#fff")


def colours(style: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6})\b", style))


def test_colours_of_figures_and_page_have_contrast_in_light_and_dark() -> None:
    """Text; and lines and marks, all but the grid and the shading of intervals, which no reading rests on."""
    drawn, page = ((page_module.FOLDER / name).read_text(encoding="utf-8") for name in ("charts.css", "page.css"))
    light, dark = re.split(r"@media screen and \(prefers-color-scheme: dark\)", page, maxsplit=1)
    dark = dark[: dark.index("\n}")]
    dark_root, _, dark_chart = dark.partition(".chart {")
    for given in (colours(drawn), colours(light), colours(dark_root), colours(dark_chart)):
        text = [name for name in ("ink", "soft", "accent") if name in given]
        assert len(text) >= 2
        for name in text:
            assert contrast(given[name], given["paper"]) >= LEAST_CONTRAST, name
    for given in (colours(drawn), colours(dark_chart)):
        marks = [name for name in given if re.fullmatch(r"c\d|louder|quieter|back|limit", name)]
        assert len(marks) >= 12
        for name in marks:
            assert contrast(given[name], given["paper"]) >= LEAST_MARK_CONTRAST, name
    steps = re.findall(r"\.h-?[123] \{ background: (#[0-9a-f]+); color: (#[0-9a-f]+);", page)
    assert len(steps) == 6
    assert all(contrast(*pair) >= LEAST_CONTRAST for pair in steps)
