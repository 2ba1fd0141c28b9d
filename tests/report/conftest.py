"""Fixtures of the report's tests: one built report for all tests that only look at it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from built_report import Report, built_report
from opened_page import KeptPages

if TYPE_CHECKING:
    from playwright.sync_api import Browser


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
def pages(browser: Browser, report: Report) -> Iterator[KeptPages]:
    """The built report in the browser, opened once for all tests of a process that do not load it themselves."""
    kept = KeptPages(browser, report.results / "report.html")
    yield kept
    kept.close()
