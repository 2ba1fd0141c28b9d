"""Fixtures of the report's tests: one built report for all tests that only look at it, one browser to look with."""

from __future__ import annotations

import importlib.util
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from built_report import Report, built_report
from opened_page import KeptPages

from tapeline.report.paper import BROWSERS

if TYPE_CHECKING:
    from playwright.sync_api import Browser

NEEDED = "TAPELINE_NEEDS_BROWSER"
"""Environment variable: with 1 a missing browser is a failure, so that a check on a server cannot pass without one."""


@pytest.fixture(scope="session")
def report(tmp_path_factory: pytest.TempPathFactory) -> Report:
    """The report of the built tables, in the folder `results` of a campaign. Nobody may write into either."""
    return built_report(tmp_path_factory.mktemp("built") / "results")


@pytest.fixture
def own_results(report: Report, tmp_path: Path) -> Path:
    """A copy of the tables without the report, in the folder `results` of a campaign; a test may write there."""
    shutil.copytree(report.results / "tables", tmp_path / "results" / "tables")
    return tmp_path / "results"


@pytest.fixture(scope="session")
def chromium() -> str:
    """The path of the system's Chromium."""
    for module in ("playwright", "axe_playwright_python", "pypdf"):
        if importlib.util.find_spec(module) is None:
            _missing(f"the Python package {module} is not installed")
    path = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    return path or _missing(f"no Chromium on PATH ({', '.join(BROWSERS)})")


def _missing(what: str) -> str:
    if os.environ.get(NEEDED) == "1":
        pytest.fail(f"{what}, and {NEEDED}=1 says that it must be there", pytrace=False)
    pytest.skip(what)


@pytest.fixture(scope="session")
def browser(chromium: str) -> Iterator[Browser]:
    """A real headless browser, for all tests of a process."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as started:
        opened = started.chromium.launch(executable_path=chromium, args=["--no-sandbox"] if os.getuid() == 0 else [])
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def pages(browser: Browser, report: Report) -> Iterator[KeptPages]:
    """The built report in the browser, opened once for all tests of a process that do not load it themselves."""
    kept = KeptPages(browser, report.results / "report.html")
    yield kept
    kept.close()
