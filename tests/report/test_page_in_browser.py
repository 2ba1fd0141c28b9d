"""The page in a real browser: whole without network and scripts, no wider than the screen; choosing and filtering."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from built_report import Report
from opened_page import KeptPages, Opened, opened_page

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Locator, Page

pytestmark = pytest.mark.browser

PICTURES = """() => [...document.querySelectorAll("figure")].map(figure => {
  const image = figure.querySelector("img"), box = image.getBoundingClientRect();
  return [image.complete, image.naturalWidth, box.width, box.height, getComputedStyle(figure).display];
})"""
SHOWN_ROWS = (
    """table => [...table.tBodies[0].rows].filter(row => row.offsetParent !== null || row.offsetHeight > 0).length"""
)


@pytest.fixture
def opened(pages: KeptPages) -> Opened:
    return pages.at()


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
        assert [url for url in opened.asked if not url.startswith("data:")] == [path.resolve().as_uri()]
        assert opened.said == []
        assert opened.page.locator("main section").count() > 14


@pytest.mark.parametrize("scripts", [True, False])
def test_every_figure_is_drawn_and_has_its_place(pages: KeptPages, report: Report, scripts: bool) -> None:
    """Without scripts the page cannot be asked; its boxes can."""
    drawn = len(list((report.results / "figures").glob("*.[sp][vn]g")))
    opened = pages.at(scripts=scripts)
    images = opened.page.locator("figure img")
    assert images.count() == drawn > 10
    for image in images.all():
        box = image.bounding_box()
        assert box is not None
        assert box["width"] > 300
        assert box["height"] > 80
    if scripts:
        for complete, natural, *_, display in opened.page.evaluate(PICTURES):
            assert complete
            assert natural > 300
            assert display != "none"


@pytest.mark.parametrize("width", [390, 820, 1440])
def test_the_page_is_no_wider_than_the_screen(pages: KeptPages, width: int) -> None:
    opened = pages.at(width)
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width


def test_without_scripts_there_are_no_controls(pages: KeptPages, report: Report) -> None:
    opened = pages.at(scripts=False)
    assert opened.page.locator("input, select, button, form").count() == 0
    rows = opened.page.locator("tbody tr")
    assert rows.count() == len(list(report.tree.iterfind(".//tbody/tr")))
    assert opened.page.locator("tbody tr:visible").count() == rows.count()


def test_long_tables_have_a_filter_and_short_ones_have_none(opened: Opened) -> None:
    for table in opened.page.locator("table").all():
        rows = table.locator("tbody tr").count()
        fields = table.locator("xpath=ancestor::div[@class='tabular']").locator("input[type=search]")
        assert fields.count() == (1 if rows > 8 else 0), table.get_attribute("id")
        if rows > 8:
            assert count_of(table) == f"{rows} of {rows} rows"


@pytest.mark.parametrize("wanted", ["P03", "  p03 ", "not shown", "no such words", "<b>", ".*", '"'])
def test_a_filter_keeps_the_rows_that_hold_the_words(opened: Opened, report: Report, wanted: str) -> None:
    cells = [" ".join("".join(cell.itertext()) for cell in row) for row in _rows(report, "overall-whole-seam")]
    kept = sum(" ".join(wanted.split()).lower() in text.lower() for text in cells)
    table = opened.page.locator("#overall-whole-seam")
    opened.page.locator("#overall-whole-seam-filter").fill(wanted)
    assert shown_rows(table) == kept
    assert count_of(table) == f"{kept} of {len(cells)} rows"
    opened.page.locator("#overall-whole-seam-filter").fill("")
    assert shown_rows(table) == len(cells)


def _rows(report: Report, key: str) -> list[list[object]]:
    return [list(row) for row in report.tree.iterfind(f".//table[@id='{key}']/tbody/tr")]


def subjects_shown(page: Page, kind: str) -> set[str]:
    """What the figures and rows that are seen are about; several positions of one figure in one text."""
    found = page.evaluate(
        "kind => [...document.querySelectorAll('figure, tbody tr')].filter(one => one.getClientRects().length)"
        ".map(one => one.dataset[kind] ?? '')",
        kind,
    )
    return set(found) - {""}


def hidden_by_choice(page: Page) -> str:
    return page.locator(".chooser [role=status]").inner_text()


@pytest.mark.parametrize(
    ("label", "kind", "chosen"),
    [
        ("Comparison", "comparison", "front-part"),
        ("Operating point", "point", "140 km/h, yaw 0°"),
        ("Position", "positions", "P02"),
    ],
)
def test_a_choice_hides_what_is_about_something_else_and_counts_it(
    opened: Opened, report: Report, label: str, kind: str, chosen: str
) -> None:
    page = opened.page
    every = {name: page.locator(name).count() for name in ("figure", "tbody tr")}
    assert len(subjects_shown(page, kind)) > 1
    page.get_by_label(label, exact=True).select_option(chosen)
    left = subjects_shown(page, kind)
    assert left
    assert all(chosen == text if kind != "positions" else chosen in text.split() for text in left)
    figures, rows = (every[name] - page.locator(f"{name}:visible").count() for name in every)
    about = [figure.attrib[f"data-{kind}"] for figure in report.tree.iter("figure") if f"data-{kind}" in figure.attrib]
    others = [text for text in about if chosen not in (text.split() if kind == "positions" else [text])]
    assert figures == len(others) > 0
    assert rows > 0
    hidden = page.locator(".work > li").count() - page.locator(".work > li:visible").count()
    lines = "1 line" if hidden == 1 else f"{hidden} lines"
    assert hidden_by_choice(page) == f"{figures} figures, {rows} rows and {lines} to work on hidden"
    page.get_by_role("button", name="Show all").click()
    assert hidden_by_choice(page) == "nothing hidden by choice"
    assert {name: page.locator(f"{name}:visible").count() for name in every} == every


def test_choices_are_those_of_the_campaign(opened: Opened, report: Report) -> None:
    page = opened.page
    options = {
        label: page.get_by_label(label, exact=True).locator("option").all_inner_texts()[1:]
        for label in ("Comparison", "Operating point", "Position")
    }
    compared = {row["comparison"] for row in report.tables.comparisons}
    assert [name for name in report.campaign.settings.comparisons if name in compared] == [
        name for name in options["Comparison"] if name in compared
    ]
    assert {"100 km/h, yaw 0°", "140 km/h, yaw 0°"} <= set(options["Operating point"])
    assert options["Position"] == sorted(report.campaign.positions)


def test_attention_and_findings_stay_whatever_is_chosen(opened: Opened) -> None:
    page = opened.page
    kept = {key: page.locator(f"{key}:visible").count() for key in ("#attention tbody tr", ".findings li")}
    assert min(kept.values()) > 0
    page.get_by_label("Comparison", exact=True).select_option("front-part")
    page.get_by_label("Position", exact=True).select_option("P09")
    assert {key: page.locator(f"{key}:visible").count() for key in kept} == kept


def test_lines_to_work_on_first_are_about_a_position_and_keep_their_numbers(opened: Opened, report: Report) -> None:
    page = opened.page
    lines = [line for element in report.tree.iter("ol") if element.attrib.get("class") == "work" for line in element]
    about = [line.attrib["data-positions"].split() for line in lines]
    assert all("".join(line.itertext()).startswith(names[0]) for line, names in zip(lines, about, strict=True))
    chosen = next(names[0] for line, names in zip(lines, about, strict=True) if line.attrib["value"] == "2")
    page.get_by_label("Position", exact=True).select_option(chosen)
    shown = page.locator(".work > li:visible")
    numbers = [line.attrib["value"] for line, names in zip(lines, about, strict=True) if chosen in names]
    assert 0 < shown.count() == len(numbers) < len(about)
    assert [item.get_attribute("value") for item in shown.all()] == numbers
    for part in page.locator(".gathered").all():
        assert part.is_visible() == (part.locator("li:visible").count() > 0), "no note upon an empty list"
    page.emulate_media(media="print")
    assert page.locator(".work > li:visible").count() == len(about)


def test_the_chooser_hides_what_is_scrolled_below_it(pages: KeptPages) -> None:
    """Its upper edge is that of the screen, and what lies in all its corners is the chooser's own."""
    opened = pages.at(1440)
    page = opened.page
    page.get_by_label("Comparison", exact=True).select_option("front-part")
    page.locator("#repeatability").evaluate("one => window.scrollTo(0, one.offsetTop + 300)")
    box = page.locator(".chooser").bounding_box()
    assert box is not None
    assert box["y"] == pytest.approx(0.0, abs=0.5)
    found = page.evaluate(
        "([left, right, low]) => [left + 2, (left + right) / 2, right - 2].flatMap(x => [1, 6, 12, low - 2]"
        ".map(y => document.elementFromPoint(x, y)?.closest('.chooser') !== null))",
        [box["x"], box["x"] + box["width"], box["height"]],
    )
    assert all(found)
    assert page.locator(".chooser legend, .chooser fieldset").count() == 0, "a legend stands upon the edge"
    colour = page.locator(".chooser").evaluate("one => getComputedStyle(one).backgroundColor")
    assert colour.startswith("rgb("), "not to be seen through"


FIGURE_VIEWS = """() => [...document.querySelectorAll("figure .view")].map(view => {
  view.scrollLeft = 10000;
  const end = view.scrollLeft;
  view.scrollLeft = 0;
  return [view.clientWidth, view.querySelector("img").getBoundingClientRect().width, end, view.tabIndex];
})"""


@pytest.mark.parametrize(("width", "scrolls"), [(390, True), (1440, False)])
def test_figures_keep_a_width_to_be_read_at_and_scroll_sideways_on_narrow_screens(
    pages: KeptPages, width: int, scrolls: bool
) -> None:
    """44 rem are 704 px: the type of 6 pt of a figure 7.2 in wide is then 8 px high."""
    opened = pages.at(width)
    opened.page.wait_for_function("document.querySelector('.view').hasAttribute('tabindex') === (innerWidth < 700)")
    found = opened.page.evaluate(FIGURE_VIEWS)
    assert len(found) > 10
    for seen, drawn, end, tab in found:
        assert drawn >= 703.5
        assert (drawn > seen) is scrolls
        assert end == pytest.approx(max(drawn - seen, 0.0), abs=1.5), "all of it can be reached"
        assert tab == (0 if scrolls else -1), "only what scrolls is a stop for the keyboard"
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_figure_scrolls_by_keyboard(browser: Browser, report: Report) -> None:
    """On a page that no mouse has touched: a click would hide what has the keyboard's focus."""
    with opened_page(browser, report.results / "report.html", width=390) as opened:
        view = opened.page.locator("figure .view").first
        view.focus()
        assert opened.page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        for _ in range(50):  # a busy machine may still be laying the page out when the first key comes
            view.focus()
            opened.page.keyboard.press("ArrowRight")
            opened.page.wait_for_timeout(100)
            if view.evaluate("part => part.scrollLeft"):
                break
        assert view.evaluate("part => part.scrollLeft") > 0


@pytest.mark.parametrize("width", [390, 820, 1440])
def test_spots_lie_on_their_marks_at_every_width(pages: KeptPages, width: int) -> None:
    opened = pages.at(width)
    drawing = opened.page.locator(".drawing:has(.spot)").first
    image, spot = drawing.locator("img").bounding_box(), drawing.locator(".spot").first
    box, style = spot.bounding_box(), spot.get_attribute("style")
    assert image is not None
    assert box is not None
    left = float((style or "").split("left:")[1].split("%")[0])
    assert box["x"] - image["x"] == pytest.approx(image["width"] * left / 100, abs=1.0)


DATE_LINES = r"""table => [...table.tBodies[0].rows].map(row => {
  const cell = row.cells[2], range = document.createRange();
  if (!/^\d{4}-\d{2}-\d{2}/.test(cell.textContent)) return 0;
  range.setStart(cell.firstChild, 0);
  range.setEnd(cell.firstChild, 10);
  return range.getClientRects().length;
})"""


@pytest.mark.parametrize(("width", "paper"), [(390, False), (820, False), (1440, False), (695, True), (717, True)])
def test_no_date_of_the_run_log_is_broken(pages: KeptPages, width: int, paper: bool) -> None:
    """On screens and on what the margins leave of A4 and Letter."""
    opened = pages.at(width, paper=paper)
    table = opened.page.locator("#run-log-table")
    assert table.locator("thead th").nth(2).inner_text() == "recorded"
    lines = table.evaluate(DATE_LINES)
    assert lines.count(1) > 10
    assert set(lines) <= {0, 1}


def test_choice_and_filter_go_together(opened: Opened, report: Report) -> None:
    page = opened.page
    table = page.locator("#overall-whole-seam")
    page.get_by_label("Position", exact=True).select_option("P03")
    page.locator("#overall-whole-seam-filter").fill("may")
    overall = [row for row in report.tables.comparisons if row["quantity"] == "overall"]
    rows = [row for row in overall if (row["comparison"], row["position"]) == ("whole-seam", "P03")]
    kept = sum("may" in row["session_label"] for row in rows)
    assert 0 < kept < len(rows)
    assert shown_rows(table) == kept
    assert count_of(table).startswith(f"{kept} of ")
    page.get_by_role("button", name="Show all").click()
    assert page.locator("#overall-whole-seam-filter").input_value() == ""
    assert count_of(table) == f"{shown_rows(table)} of {shown_rows(table)} rows"


def test_everything_can_be_done_with_the_keyboard(browser: Browser, report: Report) -> None:
    """On a page that no mouse has touched."""
    with opened_page(browser, report.results / "report.html") as opened:
        page = opened.page
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        select = page.get_by_label("Comparison", exact=True)
        select.focus()
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
        page.keyboard.press("f")
        assert select.input_value() == "front-part"
        page.get_by_role("button", name="Show all").focus()
        page.keyboard.press("Enter")
        assert select.input_value() == ""
        assert page.evaluate("document.activeElement.textContent") == "Show all"
        page.locator("#run-log-table-filter").focus()
        page.keyboard.type("no such words")
        assert count_of(page.locator("#run-log-table")).startswith("0 of ")


def test_on_paper_nothing_stays_hidden_and_no_control_is_printed(opened: Opened) -> None:
    page = opened.page
    every = {name: page.locator(name).count() for name in ("figure", "tbody tr", "h2", "h3", "h4")}
    page.get_by_label("Comparison", exact=True).select_option("front-part")
    page.locator("#run-log-table-filter").fill("no such words")
    assert page.locator("tbody tr:visible").count() < every["tbody tr"]
    page.emulate_media(media="print")
    assert {name: page.locator(f"{name}:visible").count() for name in every} == every
    assert page.locator("input:visible, select:visible, button:visible, .chooser:visible").count() == 0


@pytest.mark.parametrize("key", ["overall-whole-seam", "ranking-front-part", "calibration-table"])
def test_the_numbers_seen_are_those_of_the_file(opened: Opened, report: Report, key: str) -> None:
    """What `test_report_numbers` holds against the tables is what a reader sees, cell by cell."""
    seen = opened.page.locator(f"#{key}").evaluate(
        "table => [...table.rows].map(row => [...row.cells].map(cell => cell.innerText.trim()))"
    )
    table = report.tree.find(f".//table[@id='{key}']")
    assert table is not None
    written = [["".join(cell.itertext()) for cell in row] for row in table.iter("tr")]
    assert len(seen) > 5
    assert seen == written
