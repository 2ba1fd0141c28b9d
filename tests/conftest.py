"""How property tests draw, which tests stay together over processes, and one browser to look with.

Together stay those that share what takes long to make.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# As the command does: the same bytes from jobs done in this process, and no threads that stand in each other's way.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

# The same examples at every run, and no limit that a slow or busy machine could miss.
settings.register_profile(
    "repeatable", derandomize=True, database=None, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("repeatable")

SHARED_BY_FOLDER = ("workflow", "independent", "report")
"""Folders whose tests share a campaign that was run for them; the longest first, so that the last process is not left
alone with it. Elsewhere the tests of one file stay together, and in `workflow` those that do without the sample."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Name the group of each test; where processes share the work, put the folders that share a campaign first."""
    here = Path(__file__).parent
    places = {item: item.path.relative_to(here) for item in items}
    for item, place in places.items():
        folder = place.parts[0]
        shares = folder in SHARED_BY_FOLDER and (folder != "workflow" or "sample" in getattr(item, "fixturenames", ()))
        item.add_marker(pytest.mark.xdist_group(folder if shares else str(place)))
    if hasattr(config, "workerinput"):
        items.sort(key=lambda item: _turn(places[item].parts[0]))


def _turn(folder: str) -> int:
    return SHARED_BY_FOLDER.index(folder) if folder in SHARED_BY_FOLDER else len(SHARED_BY_FOLDER)


NEEDED = "TAPELINE_NEEDS_BROWSER"
"""Environment variable: with 1 a missing browser is a failure, so that a check on a server cannot pass without one."""


@pytest.fixture(scope="session")
def chromium() -> str:
    """The path of the system's Chromium."""
    from tapeline.report.paper import BROWSERS

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
