"""The sample's page as a reader gets it: small, short before anything is unfolded, with all that it leads to."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest
from sample_runs import CampaignRun

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.workflow

LARGEST_BYTES = 2_000_000
LARGEST_RUN_BYTES = 150_000
SCREEN_PX = (1440, 1000)
MOST_SCREENS = 15
"""Own choices: a page that goes by mail, and that is looked through in a minute."""


def test_the_page_and_those_of_the_runs_are_small(sample: CampaignRun) -> None:
    assert (sample.results / "report.html").stat().st_size < LARGEST_BYTES
    sizes = {path.name: path.stat().st_size for path in (sample.results / "runs").glob("[!.]*")}
    assert len(sizes) > 30
    assert {name: size for name, size in sizes.items() if size >= LARGEST_RUN_BYTES} == {}


def tree_of(path: Path) -> ElementTree.Element:
    return ElementTree.fromstring(path.read_text(encoding="utf-8"))  # noqa: S314 - our own page


def test_every_link_leads_somewhere(sample: CampaignRun) -> None:
    pages = [sample.results / "report.html", *sorted((sample.results / "runs").glob("[!.]*"))]
    trees = {path: tree_of(path) for path in pages}
    anchors = {path: {element.attrib.get("id") for element in tree.iter()} for path, tree in trees.items()}
    for path, tree in trees.items():
        for link in tree.iter("a"):
            place, _, anchor = link.attrib["href"].partition("#")
            target = (path.parent / place).resolve() if place else path
            assert target.is_file(), (path.name, link.attrib["href"])
            assert not anchor or anchor in anchors[target], (path.name, link.attrib["href"])


@pytest.mark.browser
def test_the_page_is_short_before_anything_is_unfolded(sample: CampaignRun, browser: Browser) -> None:
    page = browser.new_page(viewport={"width": SCREEN_PX[0], "height": SCREEN_PX[1]})
    page.goto((sample.results / "report.html").resolve().as_uri())
    height = page.evaluate("document.documentElement.scrollHeight")
    page.close()
    assert 2 < height / SCREEN_PX[1] < MOST_SCREENS
