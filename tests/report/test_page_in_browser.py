"""The page in a real browser: whole without network and scripts; choosing, reading values, filtering, printing."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from built_report import Report, text_of
from opened_page import SETTLED, KeptPages, Opened, opened_page

if TYPE_CHECKING:
    from collections.abc import Iterator
    from xml.etree.ElementTree import Element

    from playwright.sync_api import Browser, Locator, Page

pytestmark = pytest.mark.browser

SHOWN_ROWS = (
    """table => [...table.tBodies[0].rows].filter(row => row.offsetParent !== null || row.offsetHeight > 0).length"""
)
FILTERED_FROM = 12
"""So many rows of a table need no filter."""
WHERE = """element => {
  const box = element.getBoundingClientRect();
  return box.height > 0 && box.top < innerHeight && box.bottom > 0;
}"""


@pytest.fixture
def opened(pages: KeptPages) -> Opened:
    return pages.at(unfolded=True)


def count_of(table: Locator) -> str:
    """What the page says of a table's rows."""
    return table.locator("xpath=ancestor::div[@class='tabular']").locator("[role=status]").inner_text()


def shown_rows(table: Locator) -> int:
    return int(table.evaluate(SHOWN_ROWS))


@pytest.mark.parametrize("scripts", [True, False])
def test_it_asks_for_nothing_but_itself_and_complains_of_nothing(
    browser: Browser, report: Report, scripts: bool
) -> None:
    path = report.results / "report.html"
    with opened_page(browser, path, scripts=scripts) as opened:
        assert opened.asked == [path.resolve().as_uri()]
        assert opened.said == []
        assert opened.page.locator("main section").count() > 5


def test_every_figure_is_shown_at_its_own_size(pages: KeptPages, report: Report) -> None:
    """With scripts those of the choice; all positions of each comparison and point are chosen in turn."""
    page = pages.at(1440, unfolded=True).page
    drawn = len(list((report.results / "figures").glob("*.svg")))
    seen: set[str] = set()
    for _ in each_choice(page, "comparison", "point"):
        choice_of(page, "position").select_option("all") if "all" in offered(page, "position") else None
        for figure in page.locator("figure:visible").all():
            chart = figure.locator("svg.chart")
            box = chart.bounding_box()
            assert box is not None
            assert box["width"] == pytest.approx(float(chart.get_attribute("width") or 0), abs=0.5)
            assert box["width"] <= 680
            assert box["height"] > 80
            seen.add(figure.get_attribute("id") or "")
    assert len(seen) == drawn > 4


@pytest.mark.parametrize("width", [390, 820, 1440])
def test_the_page_is_no_wider_than_the_screen(pages: KeptPages, width: int) -> None:
    opened = pages.at(width, unfolded=True)
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [390, 1440])
def test_a_figure_wider_than_the_screen_scrolls_to_its_end(pages: KeptPages, width: int) -> None:
    page = pages.at(width, unfolded=True).page
    ends = page.locator("figure .view").evaluate_all(
        """views => views.filter(view => view.offsetHeight > 0).map(view => {
          view.scrollLeft = 10000;
          const end = view.scrollLeft;
          view.scrollLeft = 0;
          return [view.querySelector("svg.chart").getBoundingClientRect().width - view.clientWidth, end];
        })"""
    )
    assert ends
    for beyond, end in ends:
        assert end == pytest.approx(max(beyond, 0.0), abs=1.5)
    assert any(end > 0 for _, end in ends) is (width == 390)


def test_without_scripts_all_is_there_and_opens_by_its_title(browser: Browser, report: Report) -> None:
    """No control that would do nothing; every fold opens by a click on its summary, and then shows every row."""
    with opened_page(browser, report.results / "report.html", scripts=False) as opened:
        page = opened.page
        assert page.locator("input, select, button, form").count() == 0
        for fold in page.locator("details").all():
            if fold.get_attribute("open") is None:
                fold.locator("summary").first.click()
        rows = page.locator("tbody tr")
        assert (
            page.locator("tbody tr:visible").count() == rows.count() == len(list(report.tree.iterfind(".//tbody/tr")))
        )
        figures = page.locator("figure")
        assert page.locator("figure:visible").count() == figures.count() == len(list(report.tree.iter("figure")))


def choice_of(page: Page, kind: str) -> Locator:
    return page.locator(f"#choose-{kind}")


def offered(page: Page, kind: str) -> list[str]:
    values: list[str] = choice_of(page, kind).locator("option").evaluate_all("options => options.map(one => one.value)")
    return values


def each_choice(page: Page, *kinds: str) -> Iterator[tuple[str, ...]]:
    """Choose every value of the first kind, and with each every one of the next that is then offered."""
    first, *others = kinds
    for value in offered(page, first):
        choice_of(page, first).select_option(value)
        if others:
            yield from ((value, *more) for more in each_choice(page, *others))
        else:
            yield (value,)


def shown_parts(page: Page) -> list[dict[str, str]]:
    """Comparison, point and position of the figures of pairs that are seen."""
    parts: list[dict[str, str]] = page.locator(".stage [data-position]").evaluate_all(
        "parts => parts.filter(part => part.offsetHeight > 0).map(part => ({ ...part.dataset }))"
    )
    return parts


def pairs_of(report: Report) -> list[Element]:
    """The groups of a figure with its runs; the stage about them says which comes first."""
    return [element for element in report.tree.iter("div") if {"data-position", "id"} <= set(element.attrib)]


def test_every_choice_shows_one_figure_and_nothing_else(opened: Opened, report: Report) -> None:
    page = opened.page
    chosen = set()
    for comparison, point, position in each_choice(page, "comparison", "point", "position"):
        parts = shown_parts(page)
        if position == "all":
            assert len(parts) == len(offered(page, "position")) - 1
            assert {(part["comparison"], part["point"]) for part in parts} == {(comparison, point)}
        else:
            assert parts == [{"comparison": comparison, "point": point, "position": position}]
            chosen.add((comparison, point, position))
    names = ("comparison", "point", "position")
    groups = [group.attrib for group in pairs_of(report)]
    assert {tuple(group[f"data-{name}"] for name in names) for group in groups} == chosen
    assert len(chosen) == len(groups) > 10


@pytest.mark.parametrize("place", [0, -1])
def test_a_link_from_elsewhere_opens_its_pair(browser: Browser, report: Report, place: int) -> None:
    group = pairs_of(report)[place]
    wanted = {name: group.attrib[f"data-{name}"] for name in ("comparison", "point", "position")}
    with opened_page(browser, report.results / "report.html", at=group.attrib["id"]) as opened:
        page = opened.page
        assert shown_parts(page) == [wanted]
        assert {name: choice_of(page, name).input_value() for name in wanted} == wanted
        page.wait_for_timeout(100)
        assert page.locator(f"[id='{group.attrib['id']}']").evaluate(WHERE)
        assert page.locator(".chooser").evaluate(WHERE)


def choices(page: Page) -> tuple[str, ...]:
    return tuple(choice_of(page, kind).input_value() for kind in ("comparison", "point", "position"))


def test_a_choice_comes_back_with_its_comparison(browser: Browser, report: Report) -> None:
    with opened_page(browser, report.results / "report.html") as opened:
        page = opened.page
        for kind in ("point", "position"):
            choice_of(page, kind).select_option(offered(page, kind)[-1])
        chosen = choices(page)
        others = [value for value in offered(page, "comparison") if value != chosen[0]]
        assert others
        choice_of(page, "comparison").select_option(others[0])
        assert choices(page)[2] == chosen[2]
        for kind in ("point", "position"):
            choice_of(page, kind).select_option(offered(page, kind)[0])
        choice_of(page, "comparison").select_option(chosen[0])
        assert choices(page) == chosen


def test_back_and_forward_follow_choices_and_links(browser: Browser, report: Report) -> None:
    with opened_page(browser, report.results / "report.html") as opened:
        page = opened.page
        seen = [choices(page)]
        page.locator("table.heat:visible th a").last.click()
        page.wait_for_timeout(100)
        seen.append(choices(page))
        choice_of(page, "comparison").select_option(offered(page, "comparison")[-1])
        seen.append(choices(page))
        assert len(set(seen)) == 3
        for back in (1, 0):
            page.go_back()
            page.wait_for_timeout(100)
            assert choices(page) == seen[back]
        for forward in (1, 2):
            page.go_forward()
            page.wait_for_timeout(100)
            assert choices(page) == seen[forward]
        page.reload()
        assert choices(page) == seen[2]
        assert opened.said == []


@pytest.mark.parametrize("width", [390, 1440])
def test_what_is_wider_than_the_screen_says_so(pages: KeptPages, width: int) -> None:
    """By measure, not by width of screen; a figure can be fitted, and set back to its own size."""
    page = pages.at(width, unfolded=True).page
    page.evaluate(SETTLED)
    said = page.locator(".view, .wide").evaluate_all(
        """parts => parts.filter(part => part.offsetHeight > 0).map(part =>
          [part.scrollWidth > part.clientWidth + 1, part.previousElementSibling.offsetHeight > 0])"""
    )
    assert all(is_wider is is_said for is_wider, is_said in said)
    assert not all(is_wider for is_wider, _ in said)
    if width == 390:
        assert any(is_wider for is_wider, _ in said)
        view = page.locator("figure:visible .view").first
        button = view.locator("xpath=preceding-sibling::p").locator("button")
        for fitted in (True, False):
            button.click()
            page.evaluate(SETTLED)
            assert view.evaluate("view => view.scrollWidth <= view.clientWidth + 1") is fitted
            assert button.get_attribute("aria-pressed") == str(fitted).lower()
            assert button.is_visible()


def test_a_cell_of_the_table_of_bands_leads_to_its_pair(browser: Browser, report: Report) -> None:
    """By keyboard, as everything."""
    with opened_page(browser, report.results / "report.html") as opened:
        page = opened.page
        cells = page.locator("table.heat:visible td a")
        last = cells.nth(cells.count() - 1)
        href = last.get_attribute("href") or ""
        last.focus()
        page.keyboard.press("Enter")
        page.wait_for_timeout(100)
        target = page.locator(f"[id='{href.removeprefix('#')}']")
        assert target.evaluate(WHERE)
        assert [part["position"] for part in shown_parts(page)] == [target.get_attribute("data-position")]


def test_a_link_into_a_fold_opens_it(browser: Browser, report: Report) -> None:
    run = report.tables.runs[3]["run"]
    with opened_page(browser, report.results / "report.html", at=f"run-{run}") as opened:
        page = opened.page
        row = page.locator(f"[id='run-{run}']")
        assert row.is_visible()
        page.wait_for_timeout(100)
        assert row.evaluate(WHERE)
        assert page.locator("#methods").get_attribute("open") is None
        page.evaluate("location.hash = '#methods'")
        page.wait_for_function("document.querySelector('#methods').open")


def test_values_are_read_by_keyboard_in_their_order(opened: Opened, report: Report) -> None:
    page = opened.page
    view = page.locator("figure:visible .view[data-read]").first
    figure = view.locator("xpath=ancestor::figure")
    readings = [line.split(" ", 2) for line in report.readings(figure.get_attribute("id") or "")]
    line = figure.locator(".reading")
    assert "arrow keys" in (view.get_attribute("title") or "")
    view.focus()
    for key, place in (
        ("ArrowRight", 0),
        ("ArrowRight", 1),
        ("End", -1),
        ("ArrowRight", -1),
        ("Home", 0),
        ("ArrowLeft", 0),
    ):
        page.keyboard.press(key)
        x, y, words = readings[place]
        assert line.inner_text() == words
        rings = figure.locator(".ring").evaluate_all(
            "all => all.map(ring => ['cx', 'cy'].map(n => ring.getAttribute(n)))"
        )
        assert rings == [list(ring) for ring in zip(x.split(";"), y.split(";"), strict=True)]
    assert line.get_attribute("role") == "status"


def test_values_are_read_where_the_pointer_is(opened: Opened, report: Report) -> None:
    page = opened.page
    figure = page.locator("figure:visible:has(.view[data-read])").first
    readings = [line.split(" ", 2) for line in report.readings(figure.get_attribute("id") or "")]
    chart = figure.locator("svg.chart")
    chart.scroll_into_view_if_needed()
    for x, y, words in (readings[0], readings[len(readings) // 2]):
        chart.hover(position={"x": float(x.split(";")[0]), "y": float(y.split(";")[0])})
        assert figure.locator(".reading").inner_text() == words


def test_long_tables_have_a_filter_and_short_ones_have_none(opened: Opened) -> None:
    page = opened.page
    for _ in each_choice(page, "comparison", "point"):
        for table in page.locator("table:visible").all():
            rows = table.locator("tbody tr").count()
            is_heat = "heat" in (table.get_attribute("class") or "")
            fields = table.locator("xpath=ancestor::div[@class='tabular']").locator("input[type=search]")
            assert fields.count() == (1 if rows > FILTERED_FROM and not is_heat else 0), table.get_attribute("id")
            if fields.count():
                assert count_of(table) in (f"{rows} rows", f"{rows} of {rows} rows")


@pytest.mark.parametrize("wanted", ["P03", "  p03 ", "not shown", "no such words", "<b>", ".*", '"'])
def test_a_filter_keeps_the_rows_that_hold_the_words(opened: Opened, report: Report, wanted: str) -> None:
    cells = [" ".join(row.values()) for row in report.rows("overall-whole-seam")]
    kept = sum(" ".join(wanted.split()).lower() in text.lower() for text in cells)
    table = opened.page.locator("#overall-whole-seam")
    opened.page.locator("#overall-whole-seam-filter").fill(wanted)
    assert shown_rows(table) == kept
    assert count_of(table) == f"{kept} of {len(cells)} rows"
    opened.page.locator("#overall-whole-seam-filter").fill("")
    assert shown_rows(table) == len(cells)


def test_everything_can_be_done_with_the_keyboard(browser: Browser, report: Report) -> None:
    """On a page that no mouse has touched: skip link, chooser, folds, filter."""
    with opened_page(browser, report.results / "report.html") as opened:
        page = opened.page
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        assert page.locator(".skip").bounding_box()["x"] >= 0  # type: ignore[index]
        select = choice_of(page, "comparison")
        select.focus()
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        page.keyboard.press("f")
        assert select.input_value() == "front-part"
        assert {part["comparison"] for part in shown_parts(page)} == {"front-part"}
        summary = page.locator("#run-log > summary")
        summary.focus()
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        page.keyboard.press("Enter")
        assert page.locator("#run-log-table").is_visible()
        page.keyboard.press("Tab")
        page.keyboard.type("no such words")
        assert count_of(page.locator("#run-log-table")).startswith("0 of ")
        summary.focus()
        page.keyboard.press("Enter")
        assert not page.locator("#run-log-table").is_visible()


def test_nothing_that_takes_the_focus_is_out_of_reach(browser: Browser, report: Report) -> None:
    """The tabulator goes through the page and comes to its end, and what has the focus is seen."""
    with opened_page(browser, report.results / "report.html") as opened:
        page = opened.page
        count = 0
        for _ in range(2000):
            page.keyboard.press("Tab")
            tag, height = page.evaluate(
                "[document.activeElement.tagName, document.activeElement.getBoundingClientRect().height]"
            )
            if tag == "BODY":
                break
            assert height > 0
            count += 1
        assert 50 < count < 2000


def test_on_paper_nothing_stays_hidden_and_no_control_is_printed(pages: KeptPages) -> None:
    """Whatever a reader had chosen, filtered or folded."""
    page = pages.at(unfolded=True).page
    every = {name: page.locator(name).count() for name in ("figure", "tbody tr", "h2", "h3", "h4")}
    choice_of(page, "comparison").select_option("front-part")
    page.locator("#run-log-table-filter").fill("no such words")
    assert page.locator("tbody tr:visible").count() < every["tbody tr"]
    page.emulate_media(media="print")
    assert {name: page.locator(f"{name}:visible").count() for name in every} == every
    assert (
        page.locator("input:visible, select:visible, button:visible, .chooser:visible, .reading:visible").count() == 0
    )


def test_printing_unfolds_what_was_folded_and_folds_it_again(pages: KeptPages) -> None:
    page = pages.at().page
    folded = page.locator("details:not([open])").count()
    page.evaluate(
        "addEventListener('beforeprint', () => "
        "{ window.folded_in_print = document.querySelectorAll('details:not([open])').length; })"
    )
    page.pdf()
    assert folded > 3
    assert page.evaluate("window.folded_in_print") == 0
    assert page.locator("details:not([open])").count() == folded


@pytest.mark.parametrize("key", ["overall-whole-seam", "run-log-table", "settings-table"])
def test_the_numbers_seen_are_those_of_the_file(opened: Opened, report: Report, key: str) -> None:
    """What `test_report_numbers` holds against the tables is what a reader sees, cell by cell."""
    seen = opened.page.locator(f"#{key}").evaluate(
        "table => [...table.rows].map(row => [...row.cells].map(cell => cell.innerText))"
    )
    table = report.tree.find(f".//table[@id='{key}']")
    assert table is not None
    written = [[text_of(cell) for cell in row] for row in table.iter("tr")]
    assert len(seen) > 5
    assert [[re.sub(r"\s+", " ", cell).strip() for cell in row] for row in seen] == written
