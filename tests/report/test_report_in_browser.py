"""The page in a real browser: whole without network and scripts, and no wider than the screen or the paper."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest
from built_report import Report

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
pytestmark = pytest.mark.browser

BROWSERS = ("chromium", "chromium-browser", "google-chrome")


@pytest.fixture(scope="module")
def browser() -> Iterator[playwright.Browser]:
    path = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if path is None:
        pytest.skip("no Chromium on PATH")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def opened(browser: playwright.Browser, report: Report) -> Iterator[tuple[playwright.Page, list[str]]]:
    """The page with scripts off, and all that it asked for."""
    context = browser.new_context(java_script_enabled=False, offline=True, viewport={"width": 1200, "height": 900})
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto((report.results / "report.html").as_uri())
    yield page, asked
    context.close()


def test_it_asks_for_nothing_but_itself(opened: tuple[playwright.Page, list[str]], report: Report) -> None:
    page, asked = opened
    assert [url for url in asked if not url.startswith("data:")] == [(report.results / "report.html").as_uri()]
    assert page.locator("main section").count() > 14
    assert page.locator("figure img").count() == len(list((report.results / "figures").iterdir()))


def test_every_picture_can_be_drawn(browser: playwright.Browser, report: Report) -> None:
    page = browser.new_page()
    page.goto((report.results / "report.html").as_uri())
    widths = page.evaluate("[...document.images].map(image => image.complete ? image.naturalWidth : 0)")
    assert len(widths) > 10
    assert min(widths) > 300
    page.close()


@pytest.mark.parametrize("width", [390, 820, 1200])
def test_the_page_is_no_wider_than_the_screen(browser: playwright.Browser, report: Report, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 900})
    page.goto((report.results / "report.html").as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.close()


def test_on_paper_no_table_is_cut(browser: playwright.Browser, report: Report) -> None:
    """A4 is 210 mm wide (ISO 216); less the margins of the style sheet, 184 mm remain: 695 px at 96 px an inch."""
    page = browser.new_page(viewport={"width": 695, "height": 1000})
    page.emulate_media(media="print")
    page.goto((report.results / "report.html").as_uri())
    assert page.evaluate("Math.max(...[...document.querySelectorAll('table')].map(table => table.offsetWidth))") <= 695
    page.close()
